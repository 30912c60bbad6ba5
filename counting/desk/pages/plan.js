// The map of the beds and what the blocks can show, redrawn while the form is filled in.
const form = document.querySelector('#plan');
const map = document.querySelector('#map');
const shows = document.querySelector('#shows');
const blocks = document.querySelector('#blocks');
const slide = document.querySelector('#slide');
let waiting = 0;
let asked = 0;

const draw = async () => {
  const mine = (asked += 1);
  const query = new URLSearchParams(new FormData(form));
  const [picture, told] = await Promise.all([
    fetch(`${form.dataset.map}?${query}`),
    fetch(`${form.dataset.show}?${query}`),
  ]);
  if (mine !== asked) return;
  shows.textContent = told.ok ? (await told.json()).sentence : '';
  if (picture.status !== 200) {
    map.hidden = true;
    return;
  }
  const before = map.src;
  map.src = URL.createObjectURL(await picture.blob());
  map.hidden = false;
  if (before.startsWith('blob:')) URL.revokeObjectURL(before);
};

const soon = () => {
  clearTimeout(waiting);
  waiting = setTimeout(draw, 250);
};

slide.addEventListener('input', () => {
  blocks.value = slide.value;
  soon();
});
blocks.addEventListener('input', () => {
  slide.value = blocks.value;
});
form.addEventListener('input', soon);
document.querySelector('[aria-invalid]')?.focus();
draw();
