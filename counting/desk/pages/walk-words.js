/* The walk page's data and its words in the reader's language. */

export const data = JSON.parse(document.querySelector('#data').textContent);
const KEPT = 'counting|language';
const known = Object.keys(data.texts);

function chosen() {
  let kept = '';
  try {
    kept = localStorage.getItem(KEPT) || '';
  } catch (error) {
    // only a convenience
  }
  const wanted = [kept, ...(navigator.languages || [])].filter(Boolean);
  const short = wanted.map((each) => each.toLowerCase().split('-')[0]);
  return short.find((each) => known.includes(each)) || 'en';
}

export const language = chosen();
const plural = new Intl.PluralRules(language);

/** The text of a key; `{name}` stands for a value, `n` decides between one and many. */
export function t(key, values = {}) {
  const found = data.texts[language][key] ?? data.texts.en[key] ?? key;
  const text = typeof found === 'string' ? found : (found[plural.select(values.n)] ?? found.other);
  return text.replace(/\{(\w+)\}/g, (whole, name) => String(values[name] ?? whole));
}

/** Read the page again in the other language. */
export function speakOther() {
  const other = known.find((each) => each !== language);
  try {
    localStorage.setItem(KEPT, other);
  } catch (error) {
    return;
  }
  location.reload();
}
