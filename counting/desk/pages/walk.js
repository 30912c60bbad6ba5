// Photos dropped or chosen go to the desk one after the other; those without a plant are given one.
import { takesDrops } from './drop.js';

const drop = document.querySelector('#drop');
const SHOWN = 12;
const AT_ONCE = 3;
let stopped = false;

const ofEntry = async (entry, path = '') => {
  if (entry.isFile) {
    const file = await new Promise((done, failed) => entry.file(done, failed));
    return [{ file, name: path + entry.name }];
  }
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    const some = await new Promise((done, failed) => reader.readEntries(done, failed));
    if (!some.length) return found;
    for (const each of some) found.push(...(await ofEntry(each, `${path}${entry.name}/`)));
  }
};

const isPhoto = (name) => /\.(jpe?g|png|webp|tiff?|hei[cf])$/i.test(name);

const show = async (film, file, name) => {
  const figure = document.createElement('figure');
  const caption = document.createElement('figcaption');
  caption.textContent = name;
  const canvas = document.createElement('canvas');
  canvas.width = canvas.height = 112;
  figure.append(canvas, caption);
  film.prepend(figure);
  while (film.children.length > SHOWN) film.lastChild.remove();
  try {
    const small = await createImageBitmap(file, { resizeWidth: 150, resizeQuality: 'low' });
    canvas.getContext('2d').drawImage(small, 0, 0, 112, (112 * small.height) / small.width);
    small.close();
  } catch {
    // a form the browser cannot show; the desk can read it
  }
};

const send = async (items) => {
  const photos = items.filter((item) => isPhoto(item.name));
  const coming = document.querySelector('#coming');
  const words = document.querySelector('#coming-words');
  const bar = document.querySelector('#coming-bar');
  const film = document.querySelector('#coming-film');
  const refused = document.querySelector('#coming-refused');
  coming.hidden = false;
  drop.hidden = true;
  bar.max = photos.length || 1;
  let done = 0;
  let faults = 0;
  const began = performance.now();
  const queue = photos.values();
  const worker = async () => {
    for (const { file, name } of queue) {
      if (stopped) return;
      let fault = '';
      try {
        const reply = await fetch(`${drop.dataset.put}?name=${encodeURIComponent(name)}`, {
          method: 'POST',
          headers: { 'Content-Type': 'application/octet-stream' },
          body: file,
        });
        if (!reply.ok)
          fault =
            reply.status === 422 ? (await reply.json()).refused : `not received (${reply.status})`;
      } catch {
        fault = 'not received: the desk did not answer';
      }
      done += 1;
      bar.value = done;
      const left = ((performance.now() - began) / done / 1000) * (photos.length - done);
      words.textContent = `${done} of ${photos.length} photos received${left > 3 ? `, about ${Math.ceil(left)} s left` : ''}`;
      if (fault) {
        faults += 1;
        const line = document.createElement('li');
        line.textContent = `${name}: ${fault}`;
        if (faults <= 20) refused.append(line);
      } else if (done % Math.ceil(photos.length / 60) === 0 || photos.length <= 60) {
        await show(film, file, name);
      }
    }
  };
  words.textContent = photos.length
    ? `0 of ${photos.length} photos received`
    : 'There is no photo among these files.';
  await Promise.all(Array.from({ length: AT_ONCE }, worker));
  if (photos.length && !faults) location.reload();
  else document.querySelector('#coming-stop').textContent = 'Go on';
};

if (drop) {
  takesDrops(drop, async (transfer) => {
    const entries = [...transfer.items]
      .map((item) => item.webkitGetAsEntry?.())
      .filter(Boolean);
    const plain = [...transfer.files].map((file) => ({ file, name: file.name }));
    const found = entries.length
      ? (await Promise.all(entries.map((each) => ofEntry(each)))).flat()
      : plain;
    send(found);
  });
  for (const field of ['#files', '#folder']) {
    document.querySelector(field).addEventListener('change', (event) => {
      const chosen = [...event.target.files].map((file) => ({
        file,
        name: file.webkitRelativePath || file.name,
      }));
      event.target.value = '';
      if (chosen.length) send(chosen);
    });
  }
  document.querySelector('#coming-stop').addEventListener('click', () => {
    stopped = true;
    location.reload();
  });
}

const tray = document.querySelector('#tray');
const give = async (figure, plant) => {
  const file = figure.dataset.file;
  const address = plant === '-' ? tray.dataset.discard : tray.dataset.give;
  const survey = document.querySelector('[name=survey]')?.value ?? '';
  const side = document.querySelector('[name=side]')?.value ?? '';
  const reply = await fetch(address, {
    method: 'POST',
    headers: { 'Content-Type': 'application/json' },
    body: JSON.stringify({ file, plant, survey, side }),
  });
  const told = reply.ok ? await reply.json() : { refused: await reply.text() };
  if (told.refused) {
    let line = figure.querySelector('.wrong');
    if (!line) {
      line = document.createElement('figcaption');
      line.className = 'wrong';
      line.setAttribute('role', 'alert');
      line.style.whiteSpace = 'normal';
      figure.append(line);
    }
    line.textContent = told.refused;
    return;
  }
  figure.remove();
  document.querySelector(`[data-plant="${CSS.escape(plant)}"]`)?.classList.add('open');
  if (!tray.children.length) location.reload();
};

if (tray) {
  let held = null;
  tray.addEventListener('change', (event) => {
    if (event.target.value) give(event.target.closest('figure'), event.target.value);
  });
  tray.addEventListener('dragstart', (event) => {
    held = event.target.closest('figure');
  });
  for (const plant of document.querySelectorAll('[data-plant]')) {
    plant.addEventListener('dragover', (event) => {
      if (!held) return;
      event.preventDefault();
      plant.classList.add('over');
    });
    plant.addEventListener('dragleave', () => plant.classList.remove('over'));
    plant.addEventListener('drop', (event) => {
      event.preventDefault();
      plant.classList.remove('over');
      if (held) give(held, plant.dataset.plant);
      held = null;
    });
  }
}
