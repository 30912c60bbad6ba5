// A file that was dropped or chosen goes to the desk; what it says of it stands on the page.
import { takesDrops } from './drop.js';

/** Put a line of the desk's into `told`; `kind` is told, fault or quiet. */
export function say(told, text, kind) {
  const paragraph = document.createElement('p');
  paragraph.className = kind;
  paragraph.textContent = text;
  told.append(paragraph);
  return paragraph;
}

/**
 * Send each file that comes into `zone` to `address`, and say in `told` what became of it.
 * `done` is called with the desk's reply where it took the file.
 */
export function sendsFiles(zone, told, address, done) {
  const send = async (file) => {
    told.replaceChildren();
    say(told, `${file.name}: being read …`, 'quiet');
    let reply;
    try {
      reply = await fetch(`${address}?name=${encodeURIComponent(file.name)}`, {
        method: 'POST',
        headers: { 'Content-Type': 'application/octet-stream' },
        body: file,
      });
    } catch {
      reply = null;
    }
    told.replaceChildren();
    if (!reply?.ok) {
      const why = reply ? await reply.text() : 'the desk did not answer. Is it still running?';
      say(told, `Not taken in: ${why}`, 'fault');
      return;
    }
    const found = await reply.json();
    for (const line of found.said ?? []) say(told, line, 'told');
    if (found.refused) say(told, found.refused, 'fault');
    else done(found);
  };
  takesDrops(zone, (transfer) => {
    if (transfer.files[0]) send(transfer.files[0]);
  });
  zone.querySelector('[type=file]').addEventListener('change', (event) => {
    if (event.target.files[0]) send(event.target.files[0]);
    event.target.value = '';
  });
}
