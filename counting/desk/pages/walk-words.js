/* The walk page's data and its words in the reader's language. */

import { speech } from './words.js';

export const data = JSON.parse(document.querySelector('#data').textContent);
const spoken = speech(data.texts);
export const t = spoken.t;
export const language = spoken.language;
export const fillTexts = spoken.fillTexts;

/** Read the page again in the other language. */
export const speakOther = () => spoken.speak(spoken.languages.find((each) => each !== spoken.language));
