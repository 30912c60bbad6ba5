// A table of events, dropped or chosen, is taken into the diary.
import { sendsFiles, say } from './send.js';

const drop = document.querySelector('#drop');
const told = document.querySelector('#told');

sendsFiles(drop, told, drop.dataset.sheet, () => {
  const again = document.createElement('a');
  again.href = location.pathname;
  again.textContent = 'Show them in the diary';
  say(told, '', 'told').append(again);
});
