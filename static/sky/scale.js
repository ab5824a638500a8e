/** From a cell's value to its shade, and the legend's marks: even steps or steps by factors. */

import { SHADES } from "./palette.js";

const COUNTS = new Set(["exposures", "plates", "years", "unscanned"]);
const MARKS = 5; // about so many on a legend
const WIDE = 30; // largest count over the middle one from which steps by factors are the default

/** Whether a quantity is a count, of which 1 is the least there is. */
export function isCount(quantity) {
  return COUNTS.has(quantity);
}

/** Whether a quantity can be shown by factors: epochs and shares cannot. */
export function canBeLog(quantity) {
  return isCount(quantity) || quantity === "gap";
}

/**
 * @param {string} quantity
 * @param {Float32Array} values NaN = nothing
 * @param {"even"|"log"|undefined} steps undefined: whatever shows more
 * @param {[number, number]} [range] fixed ends, so that pictures can be compared
 */
export function makeScale(quantity, values, steps, range) {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (const value of values) {
    if (value < low) low = value;
    if (value > high) high = value;
  }
  const empty = !(high >= low);
  if (range) [low, high] = range;
  else if (quantity === "scanned_share") [low, high] = [0, 1];
  else if (quantity === "gap") low = 0;
  const wanted = steps ?? (isCount(quantity) && high / middleOf(values) > WIDE ? "log" : "even");
  const log = !empty && wanted === "log" && canBeLog(quantity);
  if (log && quantity === "gap" && !range) low = Math.max(1 / 365, Math.min(0.1, high / 10));
  if (!(high > low)) high = low + (isCount(quantity) ? 1 : 1e-3);
  const share = log
    ? (value) => Math.log(value / low) / Math.log(high / low)
    : (value) => (value - low) / (high - low);
  return {
    quantity, low, high, log, empty, share,
    shadeOf: (value) => Math.max(0, Math.min(SHADES - 1, Math.floor(share(value) * SHADES))),
    marks: empty ? [] : (log ? logMarks(low, high) : evenMarks(low, high, isCount(quantity))),
  };
}

function middleOf(values) {
  const known = values.filter((value) => value > 0).sort();
  return known.length ? known[known.length >> 1] : 1;
}

function evenMarks(low, high, whole) {
  const rough = (high - low) / MARKS;
  const power = 10 ** Math.floor(Math.log10(rough));
  let step = power * [1, 2, 5, 10].find((factor) => factor * power >= rough * 0.999);
  if (whole) step = Math.max(1, Math.round(step));
  const marks = [];
  for (let at = Math.ceil(low / step - 1e-9); at * step <= high * (1 + 1e-9); at += 1) {
    marks.push(Number((at * step).toPrecision(12)));
  }
  return marks;
}

function logMarks(low, high) {
  const marks = [];
  const factors = high / low > 1000 ? [1] : high / low > 40 ? [1, 3] : [1, 2, 5];
  for (let power = Math.floor(Math.log10(low)); 10 ** power <= high; power += 1) {
    for (const factor of factors) {
      const mark = Number((factor * 10 ** power).toPrecision(6));
      if (mark >= low * 0.999 && mark <= high * 1.001) marks.push(mark);
    }
  }
  return marks.length > 1 ? marks : [low, high].map((value) => Number(value.toPrecision(2)));
}

/** A mark or value in short: 1890, 0.25, 12000. */
export function shortNumber(value, quantity) {
  if (quantity === "scanned_share") return `${Math.round(100 * value)} %`;
  if (quantity === "first" || quantity === "last") return value.toFixed(Number.isInteger(value) ? 0 : 1);
  if (Math.abs(value) >= 100 || Number.isInteger(value)) return String(Math.round(value));
  return String(Number(value.toPrecision(2)));
}
