/** Plates in plain words: when, by whom, with what. */

const PARTS = [{ year: "numeric" }, { year: "numeric", month: "long" }, { dateStyle: "long" }];

/**
 * A day, month or year as the language writes it.
 * @param {string} date 1898-03-04, 1898-03 or 1898
 */
export function dateText(date, locale) {
  const known = date.split("-").length - 1;
  const moment = new Date(`${date}${"-01".repeat(2 - known)}T00:00:00Z`);
  if (Number.isNaN(moment.getTime())) return date;
  return new Intl.DateTimeFormat(locale, { ...PARTS[known], timeZone: "UTC" }).format(moment);
}

/**
 * One sentence of the first or the last plate of a place.
 * @param {import("../words.js").Words} words
 * @param {"first"|"last"} which
 * @param {{date: string, observer: ?string, telescope: ?string}} plate
 */
export function plateLine(words, which, plate) {
  const date = dateText(plate.date, words.locale);
  const parts = [which === "first" ? words("foyer.place.first", { date }) : words("foyer.place.last", { date })];
  if (plate.observer) parts.push(words("foyer.place.by", { observer: plate.observer }));
  if (plate.telescope) parts.push(words("foyer.place.with", { telescope: plate.telescope }));
  return parts.join(", ");
}

/** The sentences of what a visitor tapped. */
export function storyLines(words, story) {
  if (!story.plates) {
    return [story.perhaps ? words("foyer.visit.perhaps", { count: story.perhaps }) : words("foyer.visit.none")];
  }
  const lines = [words("foyer.visit.plates", { count: story.plates })];
  if (story.first) lines.push(plateLine(words, "first", story.first));
  if (story.last && story.exposures > 1) lines.push(plateLine(words, "last", story.last));
  if (story.observers.length > 1) {
    const list = new Intl.ListFormat(words.locale, { type: "conjunction" });
    lines.push(words("foyer.visit.people", { people: list.format(story.observers) }));
  }
  return lines;
}

/** Outlines of the first and the last plate, as the sky takes them. */
export function outlinesOf(story) {
  return [story.first, story.last]
    .filter((plate, at, both) => plate && plate.plate !== both[at - 1]?.plate)
    .map((plate) => ({ id: plate.plate, corners: plate.outline }));
}
