/**
 * The scenes that follow one another while nobody touches the screen. Each is a function of a
 * `play`, and ends by itself or is called off by the play's signal.
 *
 * @typedef {object} Play
 * @property {import("./stage.js").Stage} stage
 * @property {object} sky
 * @property {import("../words.js").Words} words
 * @property {object} facts what /page/foyer answers
 * @property {import("./questions.js").Questions} questions
 * @property {(seconds: number) => Promise<void>} wait
 * @property {AbortSignal} signal
 * @property {boolean} still nothing may move
 * @property {number} tempo
 * @property {number} round how many rounds went before
 */

import { turn } from "./pace.js";
import { outlinesOf, plateLine } from "./telling.js";

const READ_S = 9; // two sentences, read aloud
const FRAMES = 45; // steps in which the years pass, at most
const FRAME_S = 0.6;
const STILL_STEP_YEARS = 10; // where nothing may move, years pass in decades
const STILL_FRAME_S = 3;
const SPIN_DEG_PER_S = 5;
const TURN_S = 3;
const ATTEMPTS = 6; // constellations that are tried until one has plates
const PLACE_ZOOM = 1.5; // the globe still round, or nearly
const MAPS_A_ROUND = 2;
const MAPS = ["plates", "years", "last", "unscanned"];
const START = { ra: 300, dec: 20, zoom: 1 };
// Well-known ones first to last; IAU abbreviations.
const CONSTELLATIONS = [
  "Ori", "Cyg", "UMa", "Sco", "Cas", "Tau", "Sgr", "Lyr", "Leo", "And",
  "Cru", "Gem", "Per", "Aql", "Cen", "Peg", "Vir", "CMa", "Boo", "Car",
];

/** What a plate is. @param {Play} play */
export async function plate({ stage, words, facts, wait }) {
  const head = words("foyer.plate.head");
  stage.show({ scene: "plate", head, lines: [words("foyer.plate.glass")] });
  await wait(READ_S);
  stage.showLines([words("foyer.plate.dark")]);
  await wait(READ_S);
  stage.showLines([words("foyer.plate.once"), words("foyer.plate.count", { count: facts.plates })]);
  await wait(READ_S);
}

/** The globe turns while the years pass and the coverage grows. @param {Play} play */
export async function years({ stage, sky, words, facts, questions, wait, still }) {
  const { years: counted } = facts;
  if (counted.length < 2 || !facts.quantities.includes("exposures")) return;
  const [first, last] = [counted[0][0], counted.at(-1)[0]];
  const step = still ? STILL_STEP_YEARS : Math.max(1, Math.ceil((last - first + 1) / FRAMES));
  const whole = await questions.cells("exposures");
  const range = [1, whole.reduce((top, value) => (value > top ? value : top), 2)];
  clear(sky);
  stage.show({ scene: "sky", head: words("foyer.years.head"), lines: [words("foyer.years.before")] });
  sky.setView({ projection: "globe", ...START });
  if (!still) sky.spin(SPIN_DEG_PER_S);
  let next = ahead(questions, first + step - 1);
  for (let year = first; year <= last; year += step) {
    const shown = Math.min(year + step - 1, last);
    const values = await next;
    next = year + step <= last ? ahead(questions, year + 2 * step - 1) : null;
    sky.showCells({ values, quantity: "exposures", steps: "log", range });
    stage.showFigure(String(shown));
    const count = counted.reduce((sum, [of, number]) => sum + (of <= shown ? number : 0), 0);
    stage.showLines([words("foyer.years.before"), words("foyer.years.sofar", { count })]);
    await wait(still ? STILL_FRAME_S : FRAME_S);
  }
  sky.showCells({ values: whole, quantity: "exposures", steps: "log", range });
  stage.showLines([words("foyer.years.end")]);
  await wait(READ_S);
  sky.rest();
}

/** One constellation, its first plate and its last. @param {Play} play */
export async function place({ stage, sky, words, facts, questions, wait, signal, still, tempo, round }) {
  if (!facts.years.length) return;
  const middles = new Map((await questions.lines()).constellations.map(([short, , ra, dec]) => [short, { ra, dec }]));
  for (let attempt = 0; attempt < ATTEMPTS; attempt += 1) {
    const short = CONSTELLATIONS[(round + attempt * 7) % CONSTELLATIONS.length];
    const story = await questions.story({ region: `constellation ${short}` });
    if (!story.first || !middles.has(short)) continue;
    const values = await questions.cells("exposures");
    clear(sky);
    sky.showCells({ values, quantity: "exposures", steps: "log" });
    sky.setView({ projection: "globe", ...START });
    sky.setRegion({ kind: "constellation", name: short });
    const head = story.constellation;
    stage.show({ scene: "sky", head, lines: [words("foyer.place.plates", { count: story.plates })] });
    const there = { ...middles.get(short), zoom: PLACE_ZOOM };
    if (still) sky.setView(there);
    else await turn(sky, START, there, (1000 * TURN_S) / tempo, signal);
    await wait(READ_S / 2);
    for (const which of ["first", "last"]) {
      const { plate: id, outline: corners, date } = story[which];
      sky.setOutlines([{ id, corners }], id);
      stage.show({ head, figure: date.slice(0, 4), lines: [plateLine(words, which, story[which])] });
      await wait(READ_S);
    }
    sky.setOutlines(outlinesOf(story), null);
    return;
  }
}

/** The whole sky by one quantity and another. @param {Play} play */
export async function maps({ stage, sky, words, facts, questions, wait, round }) {
  const known = MAPS.filter((name) => facts.quantities.includes(name));
  for (let at = 0; at < Math.min(MAPS_A_ROUND, known.length); at += 1) {
    const quantity = known[(MAPS_A_ROUND * round + at) % known.length];
    const values = await questions.cells(quantity);
    clear(sky);
    sky.showCells({ values, quantity });
    sky.setView({ projection: "whole", ra: 0, dec: 0, zoom: 1 });
    stage.show({
      scene: "map", head: words(`foyer.map.${quantity}.head`), lines: [words(`foyer.map.${quantity}.text`)],
    });
    await wait(READ_S);
  }
}

export const SCENES = [plate, years, place, maps];

/** Cells of a year, asked for before they are waited for: a failure is told when they are. */
function ahead(questions, until) {
  const asked = questions.cells("exposures", until);
  asked.catch(() => {});
  return asked;
}

/** Take away what an earlier scene or visitor left on the sky. */
export function clear(sky) {
  sky.rest();
  sky.setOutlines([], null);
  sky.setRegion(null);
}
