// Photos dropped or chosen go to the desk one after the other; those without a plant are given one.
import { takesDrops } from './drop.js';

const drop = document.querySelector('#drop');
const SHOWN = 12;
const AT_ONCE = 3;
// files of a folder that are opened together: a hundred hold the page up for a second
const OPENED = 8;
let stopped = false;

/** The files of what was dropped, folders gone through; `tell` hears how many were found so far. */
const ofEntry = async (entry, tell, path = '') => {
  if (entry.isFile) {
    const file = await new Promise((done, failed) => entry.file(done, failed));
    tell();
    return [{ file, name: path + entry.name }];
  }
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    // a folder hands its files over by the hundred
    const some = await new Promise((done, failed) => reader.readEntries(done, failed));
    if (!some.length) return found;
    for (let from = 0; from < some.length; from += OPENED) {
      const few = some.slice(from, from + OPENED);
      const inner = few.map((each) => ofEntry(each, tell, `${path}${entry.name}/`));
      found.push(...(await Promise.all(inner)).flat());
    }
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

const timeLeft = (seconds) => {
  if (seconds < 4) return '';
  return seconds < 90 ? `, about ${Math.ceil(seconds)} s left` : `, about ${Math.round(seconds / 60)} min left`;
};

/** Photos that have arrived already, by name and size: dropped once more they need not be sent. */
const heldAlready = async () => {
  try {
    return await (await fetch(drop.dataset.held)).json();
  } catch {
    return {};
  }
};

/** Send one photo; return why it was not received, '' if it was. */
const sendOne = async ({ file, name }) => {
  try {
    const reply = await fetch(`${drop.dataset.put}?name=${encodeURIComponent(name)}`, {
      method: 'POST',
      headers: { 'Content-Type': 'application/octet-stream' },
      body: file,
    });
    // an answer that is not read keeps its memory until the page is swept
    const told = reply.ok || reply.status === 422 ? await reply.json() : {};
    if (reply.ok || reply.status === 422) return told.refused ?? '';
    return `not received (${reply.status})`;
  } catch {
    return 'not received: the desk did not answer';
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
  const held = await heldAlready();
  let [done, sent, faults, drawn] = [0, 0, 0, 0];
  const every = Math.ceil(photos.length / 60);
  const began = performance.now();
  const queue = photos.values();
  const worker = async () => {
    for (const item of queue) {
      if (stopped) return;
      const there = held[item.name.split('/').slice(-4).join('/')] === item.file.size;
      const fault = there ? '' : await sendOne(item);
      done += 1;
      sent += there ? 0 : 1;
      bar.value = done;
      const each = sent ? (performance.now() - began) / sent / 1000 : 0;
      words.textContent = `${done} of ${photos.length} photos received${timeLeft(each * (photos.length - done))}`;
      if (fault) {
        faults += 1;
        const line = document.createElement('li');
        line.textContent = `${item.name}: ${fault}`;
        if (faults <= 20) refused.append(line);
      } else if (done >= drawn * every) {
        drawn += 1;
        await show(film, item.file, item.name);
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
    const words = document.querySelector('#coming-words');
    let number = 0;
    const tell = () => {
      number += 1;
      words.textContent = `Looking through what was dropped: ${number} files so far`;
    };
    if (entries.some((each) => each.isDirectory)) {
      words.textContent = 'Looking through what was dropped …';
      document.querySelector('#coming').hidden = false;
      drop.hidden = true;
    }
    const found = entries.length
      ? (await Promise.all(entries.map((each) => ofEntry(each, tell)))).flat()
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
  // dropped again later, what has arrived is not sent again
  document.querySelector('#coming-stop').addEventListener('click', () => {
    stopped = true;
    location.reload();
  });
}

const typed = (name) => document.querySelector(`[name=${name}]`)?.value ?? '';

const refuse = (figure, reason) => {
  let line = figure.querySelector('.why');
  if (!line) {
    line = document.createElement('figcaption');
    line.className = 'why';
    figure.append(line);
  }
  line.setAttribute('role', 'alert');
  line.textContent = reason;
};

const give = async (figure, plant) => {
  const tray = figure.parentElement;
  const { file } = figure.dataset;
  const reply = await fetch(plant === '-' ? tray.dataset.discard : tray.dataset.give, {
    method: 'POST',
    headers: { 'Content-Type': 'application/json' },
    body: JSON.stringify({ file, plant, survey: typed('survey'), side: typed('side') }),
  });
  const told = reply.ok ? await reply.json() : { refused: await reply.text() };
  if (told.refused) {
    refuse(figure, told.refused);
    return;
  }
  const next = figure.nextElementSibling ?? figure.previousElementSibling;
  figure.remove();
  next?.querySelector('select').focus();
  document.querySelector(`[data-plant="${CSS.escape(plant)}"]`)?.classList.add('open');
  if (!tray.children.length) location.reload();
};

let held = null;
for (const tray of document.querySelectorAll('.tray')) {
  // the keys that look through the plants change the choice at each step: Enter gives it
  let keyed = false;
  tray.addEventListener('keydown', (event) => {
    keyed = event.key !== 'Enter';
    if (!keyed && event.target.value) {
      event.preventDefault();
      give(event.target.closest('figure'), event.target.value);
    }
  });
  tray.addEventListener('pointerdown', () => {
    keyed = false;
  });
  tray.addEventListener('change', (event) => {
    if (event.target.value && !keyed) give(event.target.closest('figure'), event.target.value);
  });
  tray.addEventListener('dragstart', (event) => {
    held = event.target.closest('figure');
  });
}
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
