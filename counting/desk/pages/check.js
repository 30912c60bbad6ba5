// Saved corrections, dropped or chosen, go to the desk; it says what it took and what it refused.
import { takesDrops } from './drop.js';

const drop = document.querySelector('#drop');
const told = document.querySelector('#told');

const line = (text, kind) => {
  const paragraph = document.createElement('p');
  paragraph.className = kind;
  paragraph.textContent = text;
  told.append(paragraph);
};

const take = async (files) => {
  told.replaceChildren();
  const listed = await Promise.all(
    [...files].map(async (file) => ({ name: file.name, text: await file.text() })),
  );
  const reply = await fetch(drop.dataset.confirm, {
    method: 'POST',
    headers: { 'Content-Type': 'application/json' },
    body: JSON.stringify({ files: listed }),
  });
  if (!reply.ok) {
    line(`Not taken in: ${await reply.text()}`, 'fault');
    return;
  }
  const { said, refused } = await reply.json();
  said.forEach((text) => line(text, 'told'));
  refused.forEach((text) => line(text, 'fault'));
};

takesDrops(drop, (transfer) => {
  take(transfer.files);
});
document.querySelector('#files').addEventListener('change', (event) => {
  take(event.target.files);
  event.target.value = '';
});
