/* The sheet's words: one file per language in `texts`; a flag's sentence and its short word. */

import { data, flagsOf } from './data.js';
import { speech } from './words.js';

const spoken = speech(data.texts, data.language);
export const languages = spoken.languages;
export const language = spoken.language;
export const t = spoken.t;
export const speak = spoken.speak;
export const fillTexts = spoken.fillTexts;

/** What a flag says, and the word for it under a frame. */
export const sentence = (word) => data.texts[language][`flag ${word}`] || data.sentences[word] || word;
export const flagWord = (word) => data.texts[language][`word ${word}`] || word;
export const sentencesOf = (index) => flagsOf(index).map(sentence);
