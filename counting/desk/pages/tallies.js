// The grid of tallies: keys that move, blocks that paste, and what the desk says to them.
import { takesDrops } from './drop.js';
import { showReading } from './reading.js';

const grid = document.querySelector('#grid');
const which = document.querySelector('#which');
const told = document.querySelector('#told');
const drop = document.querySelector('#drop');
const by = document.querySelector('#by');

const cellAt = (row, column) => grid.tBodies[0].rows[row]?.cells[column + 1]?.firstChild;
const placeOf = (input) => [input.closest('tr').sectionRowIndex, input.closest('td').cellIndex - 1];

const say = (lines, kind) => {
  for (const text of lines) {
    for (const part of String(text).split('\n')) {
      const paragraph = document.createElement('p');
      paragraph.className = kind;
      paragraph.textContent = part;
      told.append(paragraph);
    }
  }
  told.lastChild?.scrollIntoView({ block: 'nearest' });
};

/** Say what the desk says; return its reply, or null where it refused. */
const answer = async (reply) => {
  told.replaceChildren();
  if (!reply?.ok) {
    const why = reply ? await reply.text() : 'the desk does not answer. Is it still running?';
    say([`Not taken in: ${why}`], 'fault');
    return null;
  }
  const found = await reply.json();
  say(found.said ?? [], 'told');
  if (found.refused) say([found.refused], 'fault');
  return found.refused ? null : found;
};

// what is typed and not taken in yet stays in this window, by what each cell is called
const kept = () => `counting-typed|${location.pathname}|${which.elements.survey.value}`;
const unsaved = new Map();
let held = kept();
const cells = () => [...grid.querySelectorAll('input')];

const keep = () => {
  for (const cell of cells()) {
    if (cell.value.trim() === cell.dataset.held) unsaved.delete(cell.ariaLabel);
    else unsaved.set(cell.ariaLabel, cell.value.trim());
  }
  document.querySelector('#open').textContent = unsaved.size
    ? `${unsaved.size} ${unsaved.size === 1 ? 'cell is' : 'cells are'} typed and not taken in yet.`
    : '';
  try {
    if (held !== kept()) sessionStorage.removeItem(held); // taken along to another survey
    held = kept();
    sessionStorage.setItem(held, JSON.stringify([...unsaved]));
  } catch {
    // no storage: what is typed stays as long as the page
  }
};

const putBack = () => {
  for (const cell of cells()) cell.value = unsaved.get(cell.ariaLabel) ?? cell.value;
  keep();
};

grid.addEventListener('input', keep);

/** Whether an arrow to the side leaves a cell: the caret stands at that end of what is typed. */
const leaves = ({ selectionStart: from, selectionEnd: to, value }, right) => {
  if (from !== to) return to - from === value.length;
  return right ? to === value.length : from === 0;
};

grid.addEventListener('keydown', (event) => {
  const steps = {
    ArrowDown: [1, 0],
    Enter: [1, 0],
    ArrowUp: [-1, 0],
    ArrowRight: [0, 1],
    ArrowLeft: [0, -1],
  };
  const step = steps[event.key];
  if (!step || !(event.target instanceof HTMLInputElement)) return;
  if (step[1] && !leaves(event.target, step[1] > 0)) return;
  const [row, column] = placeOf(event.target);
  const next =
    cellAt(row + step[0], column + step[1]) ??
    (event.key === 'Enter' ? cellAt(0, column + 1) : null);
  if (!(next instanceof HTMLInputElement)) return; // beside the first column stand the plants
  event.preventDefault();
  next.focus();
  next.select();
});

grid.addEventListener('paste', (event) => {
  const text = event.clipboardData.getData('text/plain').replace(/\r/g, '').replace(/\n$/, '');
  if (!/[\t\n]/.test(text)) return;
  event.preventDefault();
  const [row, column] = placeOf(event.target);
  text.split('\n').forEach((line, down) =>
    line.split('\t').forEach((value, right) => {
      const cell = cellAt(row + down, column + right);
      if (cell) cell.value = value.trim();
    }),
  );
  keep();
});

// the grid alone is drawn anew: the field in hand keeps the keys, and what is typed stays
let asked = 0;
which.addEventListener('change', async (event) => {
  if (event.target === by || !which.elements.survey.value) return;
  const mine = (asked += 1);
  const measures = [...which.querySelectorAll('[type=checkbox]:checked')].map((box) => box.value);
  const query = new URLSearchParams({
    survey: which.elements.survey.value,
    measures: measures.join(','),
  });
  const there = `${location.pathname}?${query}`;
  const reply = await fetch(there);
  if (mine !== asked) return;
  if (!reply.ok) {
    say(['The desk does not answer. Is it still running?'], 'fault');
    return;
  }
  const shown = new DOMParser().parseFromString(await reply.text(), 'text/html');
  grid.replaceChildren(...shown.querySelector('#grid').children);
  document.querySelector('.same').replaceWith(shown.querySelector('.same'));
  history.replaceState(null, '', there);
  putBack();
});
which.addEventListener('submit', (event) => event.preventDefault());

let taking = false;
document.querySelector('#take').addEventListener('click', async () => {
  if (taking) return; // of a second click the desk would say that nothing is new
  const names = [...grid.tHead.querySelectorAll('[data-measure]')].map(
    (cell) => cell.dataset.measure,
  );
  const rows = [...grid.tBodies[0].rows].map((line) => {
    const row = { plant: line.cells[0].textContent };
    names.forEach((name, place) => {
      const input = line.cells[place + 1].firstChild;
      if (input.value.trim() !== input.dataset.held) row[name] = input.value.trim();
    });
    return row;
  });
  taking = true;
  try {
    const taken = await read(
      {
        survey: which.elements.survey.value,
        by: by.value,
        rows: rows.filter((row) => Object.keys(row).length > 1),
      },
      grid.dataset.typed,
    );
    if (taken) {
      for (const input of cells()) input.dataset.held = input.value.trim();
      keep();
    }
  } finally {
    taking = false;
  }
});

const send = async (file) => {
  const query = new URLSearchParams({ name: file.name, survey: which.elements.survey.value });
  const reply = await fetch(`${drop.dataset.sheet}?${query}`, {
    method: 'POST',
    headers: { 'Content-Type': 'application/octet-stream' },
    body: file,
  }).catch(() => null);
  const shown = await answer(reply);
  if (shown?.columns) {
    showReading(shown, {
      read,
      survey: () => which.elements.survey.value,
      by: () => by.value,
    });
  }
};

const read = async (words, address = drop.dataset.read) =>
  answer(
    await fetch(address, {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify(words),
    }).catch(() => null),
  );

takesDrops(drop, (transfer) => {
  if (transfer.files[0]) send(transfer.files[0]);
});
document.querySelector('#files').addEventListener('change', (event) => {
  if (event.target.files[0]) send(event.target.files[0]);
  event.target.value = '';
});
try {
  for (const [cell, text] of JSON.parse(sessionStorage.getItem(kept()) ?? '[]')) {
    unsaved.set(cell, text);
  }
} catch {
  // nothing was kept
}
putBack();
try {
  by.value = localStorage.getItem('counting-by') ?? '';
  by.addEventListener('change', () => localStorage.setItem('counting-by', by.value));
} catch {
  // no storage: the name is typed again
}
