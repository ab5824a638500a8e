/**
 * Two views of the sky as one sees it, right ascension growing to the left: the whole sky in the
 * equal-area projection of Mollweide, and a globe seen from outside its far side, orthographic.
 * Calabretta and Greisen 2002, A&A 395, 1077, sections 5.3.3 (MOL) and 5.1.5 (SIN).
 *
 * A view is made anew whenever anything of it changes; it never changes itself.
 */

const DEGREE = Math.PI / 180;
const NEWTON_STEPS = 12;
const ROOM = 0.94; // of the canvas, that the whole sky or globe fills
export const MOST_ZOOM = 40;

/**
 * @typedef {{projection: "whole"|"globe", ra: number, dec: number, zoom: number}} Aim
 * Middle of the view in degrees; zoom 1 shows everything.
 */

/** The same aim with numbers that can be. */
export function tidied({ projection, ra, dec, zoom }) {
  const number = (value, instead) => (Number.isFinite(Number(value)) ? Number(value) : instead);
  return {
    projection: projection === "globe" ? "globe" : "whole",
    ra: ((number(ra, 0) % 360) + 360) % 360,
    dec: Math.max(-90, Math.min(90, number(dec, 0))),
    zoom: Math.max(1, Math.min(MOST_ZOOM, number(zoom, 1))),
  };
}

/**
 * @param {Aim} aim
 * @param {number} width @param {number} height pixels
 */
export function viewOf(aim, width, height) {
  return aim.projection === "globe" ? new Globe(aim, width, height) : new Whole(aim, width, height);
}

class Globe {
  constructor(aim, width, height) {
    Object.assign(this, { aim, width, height });
    this.kind = "globe";
    this.radius = 0.5 * Math.min(width, height) * ROOM * aim.zoom;
    this.middleX = width / 2;
    this.middleY = height / 2;
    const [ra, dec] = [aim.ra * DEGREE, aim.dec * DEGREE];
    // east is to the left, north up, the middle of the view towards us
    this.left = [-Math.sin(ra), Math.cos(ra), 0];
    this.up = [-Math.sin(dec) * Math.cos(ra), -Math.sin(dec) * Math.sin(ra), Math.cos(dec)];
    this.near = [Math.cos(dec) * Math.cos(ra), Math.cos(dec) * Math.sin(ra), Math.sin(dec)];
    this.pixelDegrees = 1 / (this.radius * DEGREE); // at the middle
  }

  /** Screen place of a vector, [x, y], or null on the far side. */
  toScreen(v) {
    if (dot(v, this.near) < 0) return null;
    return [
      this.middleX - this.radius * dot(v, this.left),
      this.middleY - this.radius * dot(v, this.up),
    ];
  }

  /** Vector of a screen place; null beside the globe. */
  toSky(x, y) {
    const a = (this.middleX - x) / this.radius;
    const b = (this.middleY - y) / this.radius;
    const c = 1 - a * a - b * b;
    if (!(c >= 0)) return null;
    return along(a, this.left, b, this.up, Math.sqrt(c), this.near);
  }

  /** Whether a line between two vectors may be drawn straight from one to the other. */
  joins() {
    return true;
  }

  /** Outline of the sky on a canvas. */
  traceEdge(context) {
    context.beginPath();
    context.arc(this.middleX, this.middleY, this.radius, 0, 2 * Math.PI);
  }

  /** The aim after the picture has been dragged by so many pixels. */
  dragged(dx, dy) {
    const shift = this.pixelDegrees;
    const narrow = Math.max(0.2, Math.cos(this.aim.dec * DEGREE));
    return tidied({ ...this.aim, ra: this.aim.ra + (dx * shift) / narrow, dec: this.aim.dec + dy * shift });
  }
}

class Whole {
  constructor(aim, width, height) {
    Object.assign(this, { aim, width, height });
    this.kind = "whole";
    this.halfWidth = Math.min(0.5 * width, height) * ROOM * aim.zoom;
    this.halfHeight = this.halfWidth / 2;
    this.middleX = width / 2;
    // zoomed in, the middle goes to the declination asked for, but never beyond the sky's edge
    const room = Math.max(0, this.halfHeight - (0.5 * height * ROOM));
    const wanted = this.halfHeight * Math.sin(auxiliaryAngle(aim.dec * DEGREE));
    this.middleY = height / 2 + Math.max(-room, Math.min(room, wanted));
    this.pixelDegrees = (2 * Math.SQRT2) / this.halfWidth / DEGREE / Math.SQRT2;
  }

  toScreen(v) {
    const longitude = wrapped(Math.atan2(v[1], v[0]) - this.aim.ra * DEGREE);
    const theta = auxiliaryAngle(Math.asin(Math.max(-1, Math.min(1, v[2]))));
    return [
      this.middleX - this.halfWidth * (longitude / Math.PI) * Math.cos(theta),
      this.middleY - this.halfHeight * Math.sin(theta),
    ];
  }

  toSky(x, y) {
    const sine = (this.middleY - y) / this.halfHeight;
    if (!(Math.abs(sine) < 1)) return null;
    const theta = Math.asin(sine);
    const share = (this.middleX - x) / (this.halfWidth * Math.cos(theta));
    if (!(Math.abs(share) <= 1)) return null;
    const z = (2 * theta + Math.sin(2 * theta)) / Math.PI;
    const longitude = share * Math.PI + this.aim.ra * DEGREE;
    const c = Math.sqrt(Math.max(0, 1 - z * z));
    return [c * Math.cos(longitude), c * Math.sin(longitude), z];
  }

  joins(from, to) {
    return Math.abs(from[0] - to[0]) < this.halfWidth; // else the line leaves by one edge, comes in by the other
  }

  traceEdge(context) {
    context.beginPath();
    context.ellipse(this.middleX, this.middleY, this.halfWidth, this.halfHeight, 0, 0, 2 * Math.PI);
  }

  dragged(dx, dy) {
    const degrees = 180 / this.halfWidth;
    return tidied({ ...this.aim, ra: this.aim.ra + dx * degrees, dec: this.aim.dec + dy * degrees });
  }
}

/** Mollweide's angle of a latitude, both in radians: 2 t + sin 2 t = pi sin(latitude). */
export function auxiliaryAngle(latitude) {
  const aim = Math.PI * Math.sin(latitude);
  if (Math.abs(latitude) > (89.9999 * Math.PI) / 180) return Math.sign(latitude) * (Math.PI / 2);
  let twice = 2 * latitude;
  for (let step = 0; step < NEWTON_STEPS; step += 1) {
    const change = (twice + Math.sin(twice) - aim) / (1 + Math.cos(twice));
    twice = Math.max(-Math.PI, Math.min(Math.PI, twice - change));
    if (Math.abs(change) < 1e-9) break;
  }
  return twice / 2;
}

function wrapped(angle) {
  const turn = 2 * Math.PI;
  return angle - turn * Math.floor((angle + Math.PI) / turn);
}

function dot(a, b) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

function along(a, u, b, v, c, w) {
  return [0, 1, 2].map((at) => a * u[at] + b * v[at] + c * w[at]);
}
