/* Begin: find the stores, take up what was kept, show the sheet. */

/** Who counts? Asked once, before the first photo opens. */
function askName(then = () => {}) {
  const input = make('input', {
    type: 'text', id: 'name', maxlength: 60, autocomplete: 'nickname', autocapitalize: 'words',
    spellcheck: 'false', required: true, value: keep.reviewer || data.reviewer || '',
  });
  const fault = make('p', { class: 'fault', role: 'alert' });
  const done = async () => {
    const name = input.value.normalize('NFC').replace(/[\u0000-\u001f\u007f]/g, ' ').trim();
    if (!name || name.includes('|')) {
      fault.textContent = name ? 'Please leave out the sign |.' : 'Please give a name or initials.';
      input.focus();
      return;
    }
    await takeName(name);
    $('who').close();
    then();
  };
  const form = make('form', { method: 'dialog', onsubmit: (event) => { event.preventDefault(); done(); } },
    make('h2', { id: 'who-name', text: 'Who is counting?' }),
    make('label', { for: 'name', text: 'Your name or initials. They are kept with your counts, and so is the time that each photo took.' }),
    input, fault,
    make('div', { class: 'slip-row end' },
      make('button', { type: 'button', class: 'press', onclick: () => $('who').close() }, 'Not now'),
      make('button', { type: 'submit', class: 'press strong' }, 'Start')));
  $('who').replaceChildren(form);
  $('who').showModal();
  input.focus();
}

/** Take up a reviewer's own work under their name. */
async function takeName(name) {
  keep.reviewer = name;
  putName(name);
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => {});
  book.length = 0;
  past.length = 0;
  future.length = 0;
  for (const [photo, record] of await kept()) {
    const index = placeOf.get(photo);
    if (index !== undefined && Array.isArray(record.marks)) book[index] = record;
  }
  if (live) await askServer();
  countUnsaved();
  layout();
  drawHead();
}

async function askServer() {
  try {
    const reply = await fetch(`${live.base}mine?reviewer=${encodeURIComponent(keep.reviewer)}`, { cache: 'no-store' });
    if (!reply.ok) return;
    const stand = (await reply.json()).photos;
    const there = new Map(stand.map((each) => [each.photo, each.at]));
    bringBack(stand);
    answeredList().filter((index) => (there.get(photos[index].photo) || '') < book[index].at)
      .forEach((index) => saving.waiting.add(index));
    send();
  } catch (error) {
    trouble('The server cannot be reached. Your answers are kept in this browser and sent when it is back.');
  }
}

/** The slip behind the dots: saving, printing, the sheet's particulars. */
function openMenu() {
  const close = () => $('menu').close();
  const press = (text, act, strong = false) => make('button', {
    type: 'button', class: strong ? 'press strong' : 'press', onclick: () => { close(); act(); },
  }, text);
  const done = finished();
  const all = done === photos.length;
  const file = make('input', { type: 'file', accept: '.json,application/json', class: 'unseen', id: 'saved', tabindex: '-1', 'aria-label': 'Saved corrections file' });
  file.addEventListener('change', () => {
    if (file.files.length) openSaved(file.files[0]);
    close();
  });
  const rows = [make('h2', { id: 'menu-name', text: all ? 'All photos are answered' : 'This sheet' })];
  if (!live) {
    rows.push(make('p', {
      text: all ? 'Save the file and hand it back to whoever gave you this sheet.'
        : 'Your work is kept in this browser as you go. Save the file to hand it back.',
    }));
    rows.push(press(`Save ${many(done, 'photo')} as a file`, saveFile, true));
    if (shareable()) rows.push(press('Send the file', shareFile));
    rows.push(make('button', { type: 'button', class: 'press', onclick: () => file.click() }, 'Open saved work'), file);
  }
  rows.push(press('Print as a tally sheet', printSheet), press('How it works', openHelp),
    press('Change the name', () => askName()),
    make('p', { class: 'fine', text: `Sheet ${data.sheet} · order ${data.seed} · ${data.blind ? 'blind: plant and group are not shown' : 'plant and group are shown'}` }),
    make('div', { class: 'slip-row end' }, make('button', { type: 'button', class: 'press', onclick: close }, 'Close')));
  $('menu').replaceChildren(...rows);
  $('menu').showModal();
}

function wire() {
  $('begin').addEventListener('click', () => openPhoto(answered(0) ? nextOpen(0) : 0));
  $('save').addEventListener('click', saveFile);
  $('more').addEventListener('click', openMenu);
  $('back').addEventListener('click', () => closePhoto());
  $('previous').addEventListener('click', () => openPhoto(desk.index - 1));
  $('undo').addEventListener('click', () => undoShown(undo));
  $('redo').addEventListener('click', () => undoShown(redo));
  $('keys').addEventListener('click', openHelp);
  $('loop').addEventListener('click', toggleLoop);
  $('other').addEventListener('click', () => openPair(desk.index));
  $('pair-back').addEventListener('click', () => closePair());
  $('pair-undo').addEventListener('click', () => { undoShown(undo); paintPair(); });
  $('cannot').addEventListener('click', () => give('cannot tell'));
  $('retake').addEventListener('click', () => give('retake'));
  // the second press of a double click would answer a photo that nobody has seen
  $('next').addEventListener('click', (event) => { if (event.detail < 2) give('counted'); });
  const zoom = (factor) => {
    stage.view.zoom(factor, stage.view.room[0] / 2, stage.view.room[1] / 2);
    stage.paint();
  };
  $('larger').addEventListener('click', () => zoom(1.5));
  $('smaller').addEventListener('click', () => zoom(1 / 1.5));
  // what is pressed on the slip of a fruit is work on its photo too
  for (const place of ['photo', 'card']) {
    $(place).addEventListener('pointerdown', () => { recordOf(desk.index).clicks += 1; }, true);
  }
  document.addEventListener('keydown', pressed);
  window.addEventListener('scroll', planRows, { passive: true });
  window.addEventListener('resize', () => { if (!$('contact').hidden) layout(); });
  window.addEventListener('beforeprint', fillPaper);
  window.addEventListener('afterprint', () => $('paper').replaceChildren());
  window.addEventListener('popstate', (event) => {
    const photo = event.state ? event.state.photo : undefined;
    if (pair.open) closePair({ history: false });
    else if (photo !== undefined && photo === desk.index) refresh();
    else if (photo !== undefined) openPhoto(photo, { history: false });
    else closePhoto({ history: false });
  });
  window.addEventListener('beforeunload', (event) => {
    if (!keep.local && !keep.base && saving.unsaved.size) event.preventDefault();
  });
  document.addEventListener('visibilitychange', () => {
    if (document.hidden) tick();
    else desk.since = Date.now();
  });
  // the same sheet in a second tab: what is newer shows in both
  window.addEventListener('storage', (event) => {
    const start = keyOf('');
    if (!event.key || !event.key.startsWith(start) || !event.newValue) return;
    const index = placeOf.get(event.key.slice(start.length));
    if (index === undefined) return;
    book[index] = JSON.parse(event.newValue);
    if (answered(index)) saving.unsaved.add(index);
    renew(index);
    drawHead();
    refresh();
  });
}

const NOT_KEPT = 'This browser does not keep your work. Save the file before you close this page.';

async function start() {
  keep.trouble = () => trouble(NOT_KEPT);
  changedHook = (index) => noteChange(index);
  $('shared').textContent = `All photos: ${shared.map(sentence).join(' ')}`;
  $('shared').hidden = !shared.length;
  const [press, key] = window.matchMedia('(pointer: coarse)').matches ? ['Tap', ''] : ['Click', ' (Enter)'];
  $('hint').textContent = `${press} a fruit that has no ring. ${press} a ring that is no fruit. Then Next${key}.`;
  wire();
  drawHead();
  layout();
  if (!await openKeep()) trouble(NOT_KEPT);
  const name = data.reviewer || keptName();
  if (name) await takeName(name);
  document.documentElement.dataset.ready = 'yes';
}
start();
