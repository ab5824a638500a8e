/** Lets the years pass: the map of all until a year, year after year, fetched some years ahead. */

const YEARS_A_SECOND = 6;
const AHEAD = 4;
const REST_MS = 1_500; // at the end, before all is shown again

/**
 * @param {{fetchYear: (year: number, signal: AbortSignal) => Promise<Float32Array>,
 *   showYear: (year: number, values: Float32Array) => void, ended: () => void, stepping: () => boolean}} options
 *   `stepping`: whether the years wait for the visitor, for whom nothing should move by itself
 */
export function createPlay({ fetchYear, showYear, ended, stepping }) {
  let run = null;

  const stop = () => {
    if (!run) return;
    run.off.abort();
    clearTimeout(run.timer);
    run = null;
    ended();
  };

  async function next() {
    const mine = run;
    if (!mine) return;
    if (mine.year > mine.last) {
      mine.timer = setTimeout(stop, stepping() ? 0 : REST_MS);
      return;
    }
    for (let year = mine.year; year <= Math.min(mine.last, mine.year + AHEAD); year += 1) {
      if (!mine.frames.has(year)) {
        const frame = fetchYear(year, mine.off.signal);
        frame.catch(() => {});
        mine.frames.set(year, frame);
      }
    }
    const due = performance.now() + 1000 / YEARS_A_SECOND;
    let values;
    try {
      values = await mine.frames.get(mine.year);
    } catch {
      if (run === mine) stop();
      return;
    }
    if (run !== mine) return;
    mine.frames.delete(mine.year);
    showYear(mine.year, values);
    mine.year += 1;
    if (!stepping()) mine.timer = setTimeout(next, Math.max(0, due - performance.now()));
  }

  return {
    stop,
    isRunning: () => run !== null,
    /** Begin at a year, or, where nothing moves by itself, go on to the next. */
    go(first, last) {
      if (!run) run = { year: first, last, frames: new Map(), off: new AbortController(), timer: 0 };
      return next();
    },
  };
}
