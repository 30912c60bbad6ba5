/* A page's words in the reader's language: one file per language, English where one lacks. */

const KEPT = 'counting|language';
const LEFTWARD = ['ar', 'fa', 'he', 'ur'];

/**
 * Choose a language and return how the page speaks it.
 * `texts`: the words by language, then by key. `first`: the language of whoever the page is for.
 */
export function speech(texts, first = '') {
  const languages = Object.keys(texts);
  let kept = '';
  try {
    kept = localStorage.getItem(KEPT) || '';
  } catch (error) {
    // only a convenience
  }
  const wanted = [kept, first, ...(navigator.languages || [])].filter(Boolean);
  const short = wanted.map((each) => each.toLowerCase().split('-')[0]);
  const language = short.find((each) => languages.includes(each)) || 'en';
  const plural = new Intl.PluralRules(language);

  /** The text of a key; `{name}` stands for a value, `n` decides between one and many. */
  function t(key, values = {}) {
    const found = texts[language][key] ?? texts.en[key] ?? key;
    const text = typeof found === 'string' ? found : found[plural.select(values.n)] ?? found.other;
    return text.replace(/\{(\w+)\}/g, (whole, name) => String(values[name] ?? whole));
  }

  /** Keep another language for all pages of this browser, and read the page again in it. */
  function speak(other) {
    try {
      localStorage.setItem(KEPT, other);
    } catch (error) {
      return;
    }
    window.location.reload();
  }

  /** Put the words into what the file itself holds. */
  function fillTexts() {
    document.documentElement.lang = language;
    document.documentElement.dir = LEFTWARD.includes(language) ? 'rtl' : 'ltr';
    for (const element of document.querySelectorAll('[data-text]')) {
      element.textContent = t(element.dataset.text);
    }
    for (const element of document.querySelectorAll('[data-label]')) {
      element.setAttribute('aria-label', t(element.dataset.label));
    }
  }

  return { language, languages, t, speak, fillTexts };
}
