/** What is drawn over the cells: lines, names, stars, outlines; with the look given by the page's CSS. */

import { vectorOf } from "./directions.js";
import { eclipticLine, galacticLine, gridLines } from "./lines.js";

const NAMES_IN_FULL = 2.2; // zoom from which constellations are named in full
const STAR_NAMES = 3; // zoom from which stars are named
const NAMED_STARS = 1.6; // magnitude, at that zoom; fainter ones follow
const FAINTEST = 4.5;
const RING = 9; // pixels, of the ring about a region too small to be seen

export class Overlay {
  constructor() {
    this.fixed = [
      { lines: gridLines(), style: "grid" },
      { lines: [eclipticLine()], style: "ecliptic", dash: [6, 4] },
      { lines: [galacticLine()], style: "galaxy", dash: [1, 4] },
    ];
    this.sky = { boundaries: [], constellations: [], stars: [] };
    this.outlines = [];
    this.chosen = null;
    this.region = { lines: [], place: null };
    this.sketch = [];
    this.cross = null;
  }

  /** @param {CanvasRenderingContext2D} context @param view @param {object} look colours by name @param {number} unit pixels of a CSS pixel */
  draw(context, view, look, unit) {
    this.taken = [];
    context.lineJoin = "round";
    context.save();
    view.traceEdge(context);
    context.clip();
    context.lineWidth = unit * 0.8;
    for (const { lines, style, dash } of this.fixed) {
      context.setLineDash((dash ?? []).map((length) => length * unit));
      this._stroke(context, view, lines, look[style]);
    }
    context.setLineDash([]);
    this._stroke(context, view, this.sky.boundaries.map((each) => each.line), look.boundary);
    this._stars(context, view, look, unit);
    this._outlines(context, view, look, unit);
    context.restore();
    context.lineWidth = unit * 1.2;
    context.strokeStyle = look.rim;
    view.traceEdge(context);
    context.stroke();
    this._region(context, view, look, unit);
    this._sketch(context, view, look, unit);
    this._names(context, view, look, unit);
    this._gridNames(context, view, look, unit);
    this._cross(context, view, look, unit);
  }

  _stroke(context, view, lines, colour) {
    context.strokeStyle = colour;
    context.beginPath();
    for (const line of lines) trace(context, view, line);
    context.stroke();
  }

  _outlines(context, view, look, unit) {
    const others = [];
    let chosen = null;
    for (const each of this.outlines) {
      if (each.id === this.chosen) chosen = each;
      else others.push(each.line);
    }
    context.lineWidth = unit;
    context.globalAlpha = Math.max(0.1, Math.min(0.8, 25 / (others.length + 1)));
    this._stroke(context, view, others, look.outline);
    context.globalAlpha = 1;
    if (chosen) {
      context.lineWidth = unit * 5;
      this._stroke(context, view, [chosen.line], look.halo);
      context.lineWidth = unit * 2.5;
      this._stroke(context, view, [chosen.line], look.chosen);
    }
  }

  _region(context, view, look, unit) {
    const { lines, place, radius } = this.region;
    const middle = place && view.toScreen(vectorOf(place.ra, place.dec));
    for (const [width, colour] of [[4, look.halo], [2, look.region]]) {
      context.lineWidth = unit * width;
      this._stroke(context, view, lines, colour);
      if (middle && radius / view.pixelDegrees < RING * unit) {
        context.beginPath();
        context.arc(...middle, RING * unit, 0, 2 * Math.PI);
        context.stroke();
      }
    }
  }

  _sketch(context, view, look, unit) {
    if (!this.sketch.length) return;
    context.lineWidth = unit * 2;
    context.setLineDash([5 * unit, 4 * unit]);
    this._stroke(context, view, [this.sketch], look.region);
    context.setLineDash([]);
    context.fillStyle = look.region;
    for (const corner of this.sketch) {
      const at = view.toScreen(corner);
      if (at) dot(context, at, 3.5 * unit);
    }
  }

  _cross(context, view, look, unit) {
    const at = this.cross && view.toScreen(this.cross);
    if (!at) return;
    const [x, y] = at;
    for (const [width, colour] of [[4, look.halo], [1.8, look.region]]) {
      context.lineWidth = unit * width;
      context.strokeStyle = colour;
      context.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        context.moveTo(x + 4 * dx * unit, y + 4 * dy * unit);
        context.lineTo(x + 14 * dx * unit, y + 14 * dy * unit);
      }
      context.stroke();
    }
  }

  _stars(context, view, look, unit) {
    const grow = Math.min(2, 0.8 + 0.2 * view.aim.zoom);
    for (const star of this.sky.stars) {
      const at = view.toScreen(star.vector);
      if (!at || !within(view, at)) continue;
      const size = unit * grow * Math.max(0.7, 0.55 * (FAINTEST - star.magnitude));
      context.fillStyle = look.halo;
      dot(context, at, size + unit * 0.8);
      context.fillStyle = look.star;
      dot(context, at, size);
    }
  }

  _names(context, view, look, unit) {
    const small = Math.min(view.width, view.height) / unit < 330 && view.aim.zoom < 1.6;
    const inFull = view.aim.zoom >= NAMES_IN_FULL;
    const size = Math.round(unit * (inFull ? 13 : 10.5));
    if (!small) {
      context.font = `${inFull ? "" : "500 "}${size}px ${look.font}`;
      for (const each of this.sky.constellations) {
        this._write(context, view, look, each.vector, inFull ? each.name : each.short, size, look.name);
      }
    }
    if (view.aim.zoom >= STAR_NAMES) {
      context.font = `italic ${Math.round(unit * 11)}px ${look.font}`;
      const faintest = NAMED_STARS + Math.log2(view.aim.zoom / STAR_NAMES) * 2;
      for (const star of this.sky.stars) {
        if (star.magnitude > faintest) continue;
        this._write(context, view, look, star.vector, star.name, 11 * unit, look.starName, 13 * unit);
      }
    }
  }

  _gridNames(context, view, look, unit) {
    const size = Math.round(unit * 11);
    context.font = `${size}px ${look.font}`;
    const row = view.kind === "globe" ? Math.max(-60, Math.min(60, Math.round(view.aim.dec / 30) * 30)) : 0;
    const every = view.width / unit < 560 && view.kind === "whole" ? 4 : 2;
    for (let hour = 0; hour < 24; hour += every) {
      this._write(context, view, look, vectorOf(hour * 15, row), `${hour}h`, size, look.gridName);
    }
    const column = Math.round(view.aim.ra / 30) * 30 + 15;
    for (const dec of [-60, -30, 30, 60]) {
      const text = `${dec < 0 ? "\u2212" : "+"}${Math.abs(dec)}\u00b0`;
      this._write(context, view, look, vectorOf(column, dec), text, size, look.gridName);
    }
  }

  /** Write a name unless another is in the way. */
  _write(context, view, look, vector, text, size, colour, below = 0) {
    const at = view.toScreen(vector);
    if (!at || !within(view, at)) return;
    const half = context.measureText(text).width / 2 + size * 0.25;
    const [x, y] = [at[0], at[1] + below];
    const box = [x - half, y - size * 0.6, x + half, y + size * 0.6];
    if (box[0] < 2 || box[2] > view.width - 2 || box[1] < 0 || box[3] > view.height) return;
    if (this.taken.some((other) => box[0] < other[2] && box[2] > other[0] && box[1] < other[3] && box[3] > other[1])) return;
    this.taken.push(box);
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.lineWidth = size * 0.25;
    context.strokeStyle = look.nameHalo;
    context.strokeText(text, x, y);
    context.fillStyle = colour;
    context.fillText(text, x, y);
  }
}

/** Add a polyline to the path, broken where the view does not join it. */
function trace(context, view, line) {
  let last = null;
  for (const vector of line) {
    const at = view.toScreen(vector);
    if (at && last && view.joins(last, at)) context.lineTo(at[0], at[1]);
    else if (at) context.moveTo(at[0], at[1]);
    last = at;
  }
}

function dot(context, [x, y], radius) {
  context.beginPath();
  context.arc(x, y, radius, 0, 2 * Math.PI);
  context.fill();
}

function within(view, [x, y]) {
  return x >= 0 && y >= 0 && x <= view.width && y <= view.height;
}
