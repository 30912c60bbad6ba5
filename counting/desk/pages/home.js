// A copy of a trial, dropped or chosen, is brought back into a folder of its own.
import { sendsFiles, say } from './send.js';

const drop = document.querySelector('#drop');
const told = document.querySelector('#told');

// what came in, and what is lost, stays to be read: the page is not loaded anew by itself
sendsFiles(drop, told, drop.dataset.back, ({ trial }) => {
  const there = document.createElement('a');
  there.href = trial;
  there.textContent = 'Open the trial';
  say(told, '', 'told').append(there);
});
