/**
 * HEALPix cells, NESTED, of directions given as unit vectors.
 * Gorski et al. 2005, ApJ 622, 759, sections 4 and 5; the face by diagonals as in Calabretta and
 * Roukema 2007, MNRAS 381, 865.
 */

const EQUATORIAL_Z = 2 / 3; // |z| up to which cells lie in the equatorial belt
const BASE_CELLS = 12;

/** Number of cells of an order. */
export function cellCount(order) {
  return BASE_CELLS * 4 ** order;
}

/** Order of a map of so many cells; NaN if no order has that many. */
export function orderOf(count) {
  const order = Math.log(count / BASE_CELLS) / Math.log(4);
  return Number.isInteger(Math.round(order)) && cellCount(Math.round(order)) === count
    ? Math.round(order)
    : Number.NaN;
}

/** Every second bit of a number below 2**13, with gaps between them for another's. */
const SPREAD = Uint32Array.from({ length: 1 << 13 }, (_, number) => {
  let spread = 0;
  for (let bit = 0; bit < 13; bit += 1) spread |= ((number >> bit) & 1) << (2 * bit);
  return spread;
});

/**
 * Cell of a direction.
 * @param {number} order 0 to 13
 * @param {number} x @param {number} y @param {number} z unit vector, ICRS
 * @returns {number}
 */
export function cellOf(order, x, y, z) {
  const side = 1 << order;
  const height = Math.abs(z);
  let quarter = Math.atan2(y, x) / (Math.PI / 2);
  if (quarter < 0) quarter += 4;
  if (quarter >= 4) quarter = 0;
  let face;
  let column;
  let row;
  if (height <= EQUATORIAL_Z) {
    const along = side * (0.5 + quarter);
    const up = side * z * 0.75;
    const rising = Math.floor(along - up); // diagonals that the direction lies between
    const falling = Math.floor(along + up);
    const faceRising = rising >> order;
    const faceFalling = falling >> order;
    if (faceRising === faceFalling) face = (faceRising & 3) | 4;
    else if (faceRising < faceFalling) face = faceRising & 3;
    else face = (faceFalling & 3) + 8;
    column = falling & (side - 1);
    row = side - (rising & (side - 1)) - 1;
  } else {
    const base = Math.min(3, Math.floor(quarter));
    const within = quarter - base;
    // sqrt(3 (1 - |z|)), without losing digits near the pole
    const fromPole = side * Math.sqrt((3 * (x * x + y * y)) / (1 + height));
    const rising = Math.min(side - 1, Math.floor(within * fromPole));
    const falling = Math.min(side - 1, Math.floor((1 - within) * fromPole));
    if (z >= 0) {
      face = base;
      column = side - falling - 1;
      row = side - rising - 1;
    } else {
      face = base + 8;
      column = rising;
      row = falling;
    }
  }
  return face * side * side + (SPREAD[column] | (SPREAD[row] << 1));
}
