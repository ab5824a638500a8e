/**
 * All text that JavaScript shows, in the reader's language.
 *
 * Words live in `words/<language>.<piece>.json`: flat keys, each a text or, where a count decides
 * its form, one text for each plural form ({"one": ..., "other": ...}, the names of
 * Intl.PluralRules). `{name}` stands for a value; a number is written as the language writes
 * numbers, so that a year, which has no thousands, is handed over as text.
 *
 * A piece of the page that has words of its own adds its name to PIECES.
 */

export const LANGUAGES = ["en", "de"];
const LOCALES = { en: "en-GB", de: "de-DE" }; // how dates, numbers and lists are written
export const PIECES = ["board", "foyer", "sky"];
const ENGLISH = "en"; // has every key

const kept = new Map(); // promises of files by name: each is fetched once

/**
 * The language of the address (`?language=de`), else the browser's first that we have, else English.
 * @param {string} [search] the address from its question mark on
 * @param {readonly string[]} [preferred] language tags, the dearest first
 */
export function chooseLanguage(search = location.search, preferred = navigator.languages) {
  const asked = [new URLSearchParams(search).get("language") ?? "", ...preferred];
  const plain = asked.map((tag) => tag.trim().toLowerCase().split("-")[0]);
  return plain.find((tag) => LANGUAGES.includes(tag)) ?? ENGLISH;
}

/**
 * @typedef {((key: string, values?: Record<string, string|number>) => string)
 *   & {language: string, locale: string, number: (value: number) => string}} Words
 * @param {string} [language]
 * @param {string[]} [pieces]
 * @returns {Promise<Words>} of texts by key; a key that the language lacks is answered in English,
 *   one that English lacks by the key itself
 */
export async function loadWords(language = chooseLanguage(), pieces = PIECES) {
  const chosen = LANGUAGES.includes(language) ? language : ENGLISH;
  const [english, own] = await Promise.all([textsOf(ENGLISH, pieces), textsOf(chosen, pieces)]);
  const texts = { ...english, ...own };
  const locale = LOCALES[chosen];
  const plural = { [ENGLISH]: new Intl.PluralRules(ENGLISH), [chosen]: new Intl.PluralRules(chosen) };
  const numbers = new Intl.NumberFormat(locale);

  const words = (key, values = {}) => {
    const found = Object.hasOwn(texts, key) ? texts[key] : key;
    const rules = plural[Object.hasOwn(own, key) ? chosen : ENGLISH];
    const text = typeof found === "string" ? found : found[rules.select(values.count)] ?? found.other;
    return text.replace(/\{(\w+)\}/g, (whole, name) => {
      const value = values[name];
      if (value === undefined || value === null) return whole;
      return typeof value === "number" ? numbers.format(value) : String(value);
    });
  };
  return Object.assign(words, { language: chosen, locale, number: (value) => numbers.format(value) });
}

async function textsOf(language, pieces) {
  const parts = await Promise.all(pieces.map((piece) => fileOf(`${language}.${piece}.json`)));
  return Object.assign({}, ...parts);
}

/** A file of words; one that cannot be had now is asked for again the next time. */
function fileOf(name) {
  if (!kept.has(name)) {
    const asked = fetch(new URL(`words/${name}`, import.meta.url)).then((answer) => {
      if (!answer.ok) throw new Error(`${name}: ${answer.status}`);
      return answer.json();
    });
    kept.set(name, asked);
    asked.catch(() => kept.delete(name));
  }
  return kept.get(name);
}
