/* What the file carries: the photos, what was proposed on them, the words for a reason to look. */

export const $ = (id) => document.getElementById(id);
export const data = JSON.parse($('data').textContent);
$('data').remove();
export const live = data.live || null;

/** A photo; candidates come as lists to keep the file small. */
export const photos = data.photos.map((photo) => ({
  ...photo,
  candidates: photo.candidates.map(
    ([candidate, x, y, width, height, confidence, shown, truss, small, colour, whose]) => (
      {
        candidate, x, y, width, height, confidence, shown, truss, small, colour, whose,
      }
    ),
  ),
}));
export const placeOf = new Map(photos.map((photo, index) => [photo.photo, index]));

/** Photos of one plant at one survey. */
const sets = new Map();
photos.forEach((photo, index) => {
  if (!sets.has(photo.set)) sets.set(photo.set, []);
  sets.get(photo.set).push(index);
});
export const together = (index) => sets.get(photos[index].set);

/** What all photos share is no reason to look at this one: it is said once, above the strips. */
export const shared = photos.length < 4 ? []
  : photos[0].flags.filter((word) => photos.every((photo) => photo.flags.includes(word)));
export const flagsOf = (index) => photos[index].flags.filter((word) => !shared.includes(word));

/** How many wrong rings and missed fruit are to be expected: each candidate may be either. */
const doubtOf = (index) => photos[index].candidates
  .reduce((sum, { confidence }) => sum + confidence * (1 - confidence), 0);

/** Whether a photo deserves a closer look: of the worst third, or with a fault of its own. */
export const doubtful = (index) => photos[index].doubtful;
const worst = [...photos.keys()].filter(doubtful);
const sum = (list) => list.reduce((all, index) => all + doubtOf(index), 0);
export const worstMany = worst.length;
export const worstShare = sum(worst) / (sum([...photos.keys()]) || 1);

/** Make an element: text is always text, never markup. */
export function make(tag, options = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(options)) {
    if (name === 'class') element.className = value;
    else if (name === 'text') element.textContent = value;
    else if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, '');
    else if (value !== false && value !== null) element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

export const gridSource = (index) => (
  live ? `${live.base}grid/${photos[index].photo}.jpg`
    : `data:image/jpeg;base64,${photos[index].grid}`
);

/** Review prints in use, newest last: few, so that 500 photos do not fill a phone's memory. */
const opened = new Map();
const MOST_OPENED = 6;
const MOST_FETCHED = 16; // ten ahead and a few behind, about 4 MB

/** The review print's address. From the desk it is fetched once and then at hand without it; in a
    file it may still be loading when it is asked for. */
export async function photoSource(index, again = false) {
  const known = opened.get(index);
  if (known && !again) {
    opened.delete(index);
    opened.set(index, known);
    return known;
  }
  const bytes = live ? await fetched(index, again) : new Blob([
    Uint8Array.from(atob(await printText(index)), (letter) => letter.charCodeAt(0)),
  ], { type: 'image/jpeg' });
  const address = URL.createObjectURL(bytes);
  opened.set(index, address);
  if (opened.size > (live ? MOST_FETCHED : MOST_OPENED)) {
    const [oldest, gone] = opened.entries().next().value;
    opened.delete(oldest);
    URL.revokeObjectURL(gone);
  }
  return address;
}

async function fetched(index, again) {
  const reply = await fetch(`${live.base}photo/${photos[index].photo}.jpg`, { cache: again ? 'reload' : 'default' });
  if (!reply.ok) throw new Error(`photo not there: ${reply.status}`);
  return reply.blob();
}

/** A print's data; it is whole only once the parser has gone on to the element after it. */
async function printText(index) {
  const whole = () => {
    const element = $(`photo-${index}`);
    return element && (element.nextSibling || document.readyState !== 'loading') ? element : null;
  };
  let element = whole();
  while (!element) {
    if (document.readyState !== 'loading') throw new Error('the file is not whole');
    await new Promise((done) => { setTimeout(done, 40); });
    element = whole();
  }
  return element.textContent;
}

let sayTimer = 0;
/** Tell a screen reader something. */
export function say(text) {
  clearTimeout(sayTimer);
  $('say').textContent = '';
  sayTimer = setTimeout(() => { $('say').textContent = text; }, 30);
}

const troubles = new Map();

/** Say what is wrong, where it cannot be missed; empty takes it away. `source` tells apart who
    says it, `acts` are buttons: words to what they do. */
export function trouble(text, source = 'page', acts = {}) {
  const before = troubles.get(source);
  if (text) troubles.set(source, { text, acts });
  else troubles.delete(source);
  if (!text && !before) return;
  const shown = [...troubles.values()].pop();
  const buttons = shown ? Object.entries(shown.acts).map(([words, act]) => make('button', {
    type: 'button', class: 'press', onclick: act,
  }, words)) : [];
  $('trouble').replaceChildren(make('span', { text: shown ? shown.text : '' }), ...buttons);
  $('trouble').hidden = !shown;
  document.documentElement.style.setProperty('--trouble', `${$('trouble').offsetHeight}px`);
}
