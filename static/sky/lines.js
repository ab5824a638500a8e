/** Lines that stand on the sky, as polylines of unit vectors: grid, ecliptic, galaxy, constellations. */

import { greatCircle, smallCircle, vectorOf } from "./directions.js";

const HOUR = 15; // degrees
const GRID_HOURS = 2;
const GRID_DEGREES = 30;
const STEP = 3; // degrees from point to point of a curved line
// Pole of the ecliptic of J2000: obliquity 84381.406 arcsec (IAU 2006, Capitaine et al. 2003).
const ECLIPTIC_POLE = [270, 90 - 84381.406 / 3600];
// Pole of the galaxy in ICRS (ESA 1997, The Hipparcos Catalogue, volume 1, equation 1.5.11).
const GALACTIC_POLE = [192.85948, 27.12825];

/** Meridians every two hours and parallels every thirty degrees. */
export function gridLines() {
  const lines = [];
  for (let hour = 0; hour < 24; hour += GRID_HOURS) {
    const [low, high] = [-90 + GRID_DEGREES / 3, 90 - GRID_DEGREES / 3];
    lines.push(steps(low, high).map((dec) => vectorOf(hour * HOUR, dec)));
  }
  for (let dec = -90 + GRID_DEGREES; dec < 90; dec += GRID_DEGREES) {
    lines.push(steps(0, 360).map((ra) => vectorOf(ra, dec)));
  }
  return lines;
}

export function eclipticLine() {
  return smallCircle(...ECLIPTIC_POLE, 90, 360 / STEP);
}

export function galacticLine() {
  return smallCircle(...GALACTIC_POLE, 90, 360 / STEP);
}

/** Polyline of RA, Dec, RA, Dec, ... */
export function lineOf(flat) {
  const line = [];
  for (let at = 0; at + 1 < flat.length; at += 2) line.push(vectorOf(flat[at], flat[at + 1]));
  return line;
}

/** Closed outline of corners [[ra, dec], ...] along great circles. */
export function outlineOf(corners) {
  const vectors = corners.map(([ra, dec]) => vectorOf(ra, dec));
  return vectors.flatMap((from, at) => greatCircle(from, vectors[(at + 1) % vectors.length], STEP));
}

/** Lines around a region; none for what has no outline of its own. */
export function regionLines(region, boundaries, constellations) {
  if (!region) return [];
  if (region.kind === "circle") return [smallCircle(region.ra, region.dec, Math.max(region.radius, 0))];
  if (region.kind === "lines") return region.lines.map(lineOf);
  if (region.kind === "polygon") return [outlineOf(region.corners)];
  if (region.kind === "constellation") {
    const named = region.name.toLowerCase();
    const at = constellations.findIndex((each) => each.short.toLowerCase() === named || each.name.toLowerCase() === named);
    return boundaries.filter((each) => each.between.includes(at)).map((each) => each.line);
  }
  return [];
}

function steps(from, to) {
  const count = Math.round((to - from) / STEP);
  return Array.from({ length: count + 1 }, (_, at) => from + ((to - from) * at) / count);
}
