/* The words in the reader's language: one file per language in `texts`, English where one lacks. */

import { data, flagsOf } from './data.js';

const KEPT = 'counting|language';
export const languages = Object.keys(data.texts);

function chosen() {
  let kept = '';
  try {
    kept = localStorage.getItem(KEPT) || '';
  } catch (error) {
    // only a convenience
  }
  const wanted = [kept, data.language, ...(navigator.languages || [])];
  const short = wanted.filter(Boolean).map((each) => each.toLowerCase().split('-')[0]);
  return short.find((each) => languages.includes(each)) || 'en';
}

export const language = chosen();
const plural = new Intl.PluralRules(language);

/** The text of a key; `{name}` stands for a value, `n` decides between one and many. */
export function t(key, values = {}) {
  const found = data.texts[language][key] ?? data.texts.en[key] ?? key;
  const text = typeof found === 'string' ? found : found[plural.select(values.n)] ?? found.other;
  return text.replace(/\{(\w+)\}/g, (whole, name) => String(values[name] ?? whole));
}

/** What a flag says, and the word for it under a frame. */
export const sentence = (word) => data.texts[language][`flag ${word}`] || data.sentences[word] || word;
export const flagWord = (word) => data.texts[language][`word ${word}`] || word;
export const sentencesOf = (index) => flagsOf(index).map(sentence);

/** Keep another language for all sheets of this browser, and read the page again in it. */
export function speak(other) {
  try {
    localStorage.setItem(KEPT, other);
  } catch (error) {
    return;
  }
  window.location.reload();
}

/** Put the words into what the file itself holds. */
export function fillTexts() {
  document.documentElement.lang = language;
  for (const element of document.querySelectorAll('[data-text]')) {
    element.textContent = t(element.dataset.text);
  }
  for (const element of document.querySelectorAll('[data-label]')) {
    element.setAttribute('aria-label', t(element.dataset.label));
  }
}
