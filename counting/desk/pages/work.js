// The bar of work under way. The state lives on the desk: a reload shows it again.
const area = document.querySelector('#work');
const bar = area?.querySelector('progress');
const far = area?.querySelector('.work-far');

const left = (seconds) => {
  if (seconds === null || seconds === undefined) return '';
  if (seconds < 90) return `, about ${Math.max(1, Math.round(seconds))} s left`;
  return `, about ${Math.round(seconds / 60)} min left`;
};

const look = async () => {
  let state;
  try {
    const reply = await fetch(area.dataset.from);
    if (!reply.ok) throw new Error(String(reply.status));
    state = await reply.json();
  } catch {
    far.textContent = 'The desk does not answer. Is it still running?';
    setTimeout(look, 2000);
    return;
  }
  if (state.state !== 'waiting' && state.state !== 'running') {
    location.reload();
    return;
  }
  if (state.total) {
    bar.max = state.total;
    bar.value = state.done;
    far.textContent = `${state.done} of ${state.total} photos${left(state.seconds_left)}`;
  } else {
    bar.removeAttribute('value');
    far.textContent = '';
  }
  area.querySelector('.work-words').textContent = state.words;
  setTimeout(look, 500);
};

if (area && bar) {
  document.querySelector('#stop').addEventListener('click', async (event) => {
    event.target.disabled = true;
    await fetch(area.dataset.stop, {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
    });
  });
  look();
}
