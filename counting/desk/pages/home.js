// A copy of a trial, dropped or chosen, is brought back into a folder of its own.
import { takesDrops } from './drop.js';

const drop = document.querySelector('#drop');
const told = document.querySelector('#told');

const say = (text, kind) => {
  const paragraph = document.createElement('p');
  paragraph.className = kind;
  paragraph.textContent = text;
  told.append(paragraph);
};

const send = async (file) => {
  told.replaceChildren();
  say(`${file.name}: being brought back …`, 'quiet');
  const reply = await fetch(`${drop.dataset.back}?name=${encodeURIComponent(file.name)}`, {
    method: 'POST',
    headers: { 'Content-Type': 'application/octet-stream' },
    body: file,
  });
  told.replaceChildren();
  if (!reply.ok) {
    say(`Not brought back: ${await reply.text()}`, 'fault');
    return;
  }
  const { said = [], refused } = await reply.json();
  if (refused) {
    say(refused, 'fault');
    return;
  }
  said.forEach((line) => say(line, 'told'));
  setTimeout(() => location.reload(), 2500);
};

takesDrops(drop, (transfer) => {
  if (transfer.files[0]) send(transfer.files[0]);
});
document.querySelector('#files').addEventListener('change', (event) => {
  if (event.target.files[0]) send(event.target.files[0]);
  event.target.value = '';
});
