// What a phone that was let in may do, in the reader's language: the same switch as on its other pages.
import { speech } from './words.js';

const spoken = speech(JSON.parse(document.querySelector('#data').textContent));
spoken.fillTexts();
document.title = document.querySelector('h1').textContent;
const other = document.querySelector('#language');
other.hidden = false;
other.addEventListener('click', () => {
  spoken.speak(spoken.languages.find((each) => each !== spoken.language));
});
