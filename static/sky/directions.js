/** Directions as unit vectors [x, y, z]: x towards RA 0h, z towards the north pole; degrees, ICRS. */

const DEGREE = Math.PI / 180;

/** Unit vector of a place. */
export function vectorOf(ra, dec) {
  const c = Math.cos(dec * DEGREE);
  return [c * Math.cos(ra * DEGREE), c * Math.sin(ra * DEGREE), Math.sin(dec * DEGREE)];
}

/** Place of a vector of any length: right ascension in [0, 360), declination. */
export function placeOf([x, y, z]) {
  const ra = Math.atan2(y, x) / DEGREE;
  return { ra: ra < 0 ? ra + 360 : ra, dec: Math.atan2(z, Math.hypot(x, y)) / DEGREE };
}

/** Angle between two unit vectors, degrees. */
export function separation(a, b) {
  const cross = Math.hypot(
    a[1] * b[2] - a[2] * b[1],
    a[2] * b[0] - a[0] * b[2],
    a[0] * b[1] - a[1] * b[0],
  );
  return Math.atan2(cross, a[0] * b[0] + a[1] * b[1] + a[2] * b[2]) / DEGREE;
}

/** Points of the shorter great circle from a to b, at most `step` degrees apart, both included. */
export function greatCircle(a, b, step) {
  const angle = separation(a, b) * DEGREE;
  const parts = Math.max(1, Math.ceil(angle / (step * DEGREE)));
  if (angle < 1e-9) return [a, b];
  return Array.from({ length: parts + 1 }, (_, at) => {
    const s = Math.sin((1 - at / parts) * angle) / Math.sin(angle);
    const t = Math.sin((at / parts) * angle) / Math.sin(angle);
    return [s * a[0] + t * b[0], s * a[1] + t * b[1], s * a[2] + t * b[2]];
  });
}

/** Points of the circle of so many degrees about a place, closed. */
export function smallCircle(ra, dec, radius, count = 96) {
  const pole = vectorOf(ra, dec);
  const east = [-Math.sin(ra * DEGREE), Math.cos(ra * DEGREE), 0];
  const north = [
    pole[1] * east[2] - pole[2] * east[1],
    pole[2] * east[0] - pole[0] * east[2],
    pole[0] * east[1] - pole[1] * east[0],
  ];
  const c = Math.cos(radius * DEGREE);
  const s = Math.sin(radius * DEGREE);
  return Array.from({ length: count + 1 }, (_, at) => {
    const turn = (2 * Math.PI * at) / count;
    return [0, 1, 2].map(
      (axis) => c * pole[axis] + s * (Math.cos(turn) * north[axis] + Math.sin(turn) * east[axis]),
    );
  });
}

/** Text of a place: 05h33.4m −05°23'. */
export function placeText({ ra, dec }) {
  const minutes = Math.round(ra * 4 * 10) / 10; // of time, to a tenth
  const hours = Math.floor(minutes / 60) % 24;
  const rest = (minutes - 60 * Math.floor(minutes / 60)).toFixed(1).padStart(4, "0");
  const arcminutes = Math.round(Math.abs(dec) * 60);
  const sign = dec < 0 && arcminutes > 0 ? "\u2212" : "+";
  const degrees = String(Math.floor(arcminutes / 60)).padStart(2, "0");
  const left = String(arcminutes % 60).padStart(2, "0");
  return `${String(hours).padStart(2, "0")}h${rest}m ${sign}${degrees}\u00b0${left}\u2032`;
}
