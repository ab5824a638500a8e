/**
 * Cells onto pixels, without a graphics card.
 *
 * A still picture asks for the cell of every pixel. A moving one looks colours up in a cube about
 * the sky, whose squares are a fifth of a degree: no trigonometry for a pixel, so that a globe
 * 1,000 pixels across takes a few milliseconds.
 */

import { cellOf } from "./healpix.js";

const CUBE = 512; // squares along an edge
const NEARLY_HALF = (CUBE / 2) * (1 - 1e-7); // so that the last place falls into the last square
const MOST_PIXELS = 4_500_000; // of a picture; larger canvases get fewer, enlarged
const MOST_MOVING_PIXELS = 1_300_000;
const BUDGET_MS = 14; // of a still picture, at a time

export class Raster {
  constructor() {
    this.order = 0;
    this.colours = new Uint32Array(12); // by cell
    this.outside = 0;
    this.cubeCells = null;
    this.cubeColours = new Uint32Array(6 * CUBE * CUBE);
    this.cubeIsOld = true;
    this.canvas = document.createElement("canvas");
    this.image = null;
    this.row = 0;
  }

  /** Give each cell its colour (32 bits as pixels have them). */
  setColours(order, colours) {
    if (order !== this.order) this.cubeCells = null;
    this.order = order;
    this.colours = colours;
    this.cubeIsOld = true;
  }

  /**
   * Draw a moving picture at once.
   * @param {(aim, width, height) => object} viewFor makes the view for so many pixels
   * @param {number} width @param {number} height of the canvas it goes onto
   */
  paintQuickly(viewFor, width, height) {
    this._freshenCube();
    const share = Math.min(1, Math.sqrt(MOST_MOVING_PIXELS / (width * height)));
    this._prepare(Math.round(width * share), Math.round(height * share));
    const view = viewFor(this.image.width, this.image.height);
    this._rows(view, 0, this.image.height, true);
    this._finish();
  }

  /** Begin a still picture; `paintOn` carries it on. */
  begin(viewFor, width, height) {
    const share = Math.min(1, Math.sqrt(MOST_PIXELS / (width * height)));
    this._prepare(Math.round(width * share), Math.round(height * share));
    this.view = viewFor(this.image.width, this.image.height);
    this.row = 0;
  }

  /** Draw some rows more; whether the picture is whole now. */
  paintOn() {
    const until = performance.now() + BUDGET_MS;
    while (this.row < this.image.height) {
      const next = Math.min(this.row + 8, this.image.height);
      this._rows(this.view, this.row, next, false);
      this.row = next;
      if (performance.now() > until && this.row < this.image.height) return false;
    }
    this._finish();
    return true;
  }

  _prepare(width, height) {
    if (!this.image || this.image.width !== width || this.image.height !== height) {
      this.image = new ImageData(Math.max(1, width), Math.max(1, height));
      this.pixels = new Uint32Array(this.image.data.buffer);
    }
  }

  _finish() {
    if (this.canvas.width !== this.image.width || this.canvas.height !== this.image.height) {
      this.canvas.width = this.image.width;
      this.canvas.height = this.image.height;
    }
    this.canvas.getContext("2d").putImageData(this.image, 0, 0);
  }

  _rows(view, from, to, quickly) {
    this.pixels.fill(0, from * this.image.width, to * this.image.width);
    if (view.kind === "globe") this._globeRows(view, from, to, quickly);
    else this._wholeRows(view, from, to, quickly);
  }

  _globeRows(view, from, to, quickly) {
    const { pixels, order, colours, cubeColours } = this;
    const { width } = this.image;
    const { radius, middleX, middleY } = view;
    const [l0, l1, l2] = view.left;
    const [u0, u1, u2] = view.up;
    const [n0, n1, n2] = view.near;
    for (let row = from; row < to; row += 1) {
      const b = (middleY - row - 0.5) / radius;
      const half = 1 - b * b;
      if (half <= 0) continue;
      const reach = radius * Math.sqrt(half);
      const first = Math.max(0, Math.ceil(middleX - reach - 0.5));
      const last = Math.min(width - 1, Math.floor(middleX + reach - 0.5));
      for (let column = first; column <= last; column += 1) {
        const a = (middleX - column - 0.5) / radius;
        const rest = half - a * a;
        const c = rest > 0 ? Math.sqrt(rest) : 0;
        const x = a * l0 + b * u0 + c * n0;
        const y = a * l1 + b * u1 + c * n1;
        const z = a * l2 + b * u2 + c * n2;
        pixels[row * width + column] = quickly
          ? cubeColours[squareOf(x, y, z)]
          : colours[cellOf(order, x, y, z)];
      }
    }
  }

  _wholeRows(view, from, to, quickly) {
    const { pixels, order, colours, cubeColours } = this;
    const { width } = this.image;
    const { halfWidth, halfHeight, middleX, middleY, aim } = view;
    for (let row = from; row < to; row += 1) {
      const sine = (middleY - row - 0.5) / halfHeight;
      if (Math.abs(sine) >= 1) continue;
      const theta = Math.asin(sine);
      const z = (2 * theta + Math.sin(2 * theta)) / Math.PI;
      const flat = Math.sqrt(Math.max(0, 1 - z * z));
      const reach = halfWidth * Math.cos(theta);
      const first = Math.max(0, Math.ceil(middleX - reach - 0.5));
      const last = Math.min(width - 1, Math.floor(middleX + reach - 0.5));
      // the longitude falls by the same angle from pixel to pixel: turn by it, no sines
      const step = -Math.PI / reach;
      const start = ((middleX - first - 0.5) / reach) * Math.PI + (aim.ra * Math.PI) / 180;
      const c = Math.cos(step);
      const s = Math.sin(step);
      let x = flat * Math.cos(start);
      let y = flat * Math.sin(start);
      for (let column = first; column <= last; column += 1) {
        pixels[row * width + column] = quickly
          ? cubeColours[squareOf(x, y, z)]
          : colours[cellOf(order, x, y, z)];
        const turned = x * c - y * s;
        y = x * s + y * c;
        x = turned;
      }
    }
  }

  _freshenCube() {
    if (!this.cubeCells) {
      this.cubeCells = cubeOfCells(this.order);
      this.cubeIsOld = true;
    }
    if (!this.cubeIsOld) return;
    const { cubeCells, cubeColours, colours } = this;
    for (let at = 0; at < cubeCells.length; at += 1) cubeColours[at] = colours[cubeCells[at]];
    this.cubeIsOld = false;
  }
}

/** Place in the cube of the square that a direction meets. */
function squareOf(x, y, z) {
  const ax = Math.abs(x);
  const ay = Math.abs(y);
  const az = Math.abs(z);
  let face;
  let u;
  let v;
  if (ax >= ay && ax >= az) {
    face = x > 0 ? 0 : 1;
    u = y / ax;
    v = z / ax;
  } else if (ay >= az) {
    face = y > 0 ? 2 : 3;
    u = x / ay;
    v = z / ay;
  } else {
    face = z > 0 ? 4 : 5;
    u = x / az;
    v = y / az;
  }
  const row = ((v + 1) * NEARLY_HALF) | 0;
  const column = ((u + 1) * NEARLY_HALF) | 0;
  return (face * CUBE + row) * CUBE + column;
}

/** Cell of the middle of each square of the cube. */
function cubeOfCells(order) {
  const cells = new Int32Array(6 * CUBE * CUBE);
  let at = 0;
  for (let face = 0; face < 6; face += 1) {
    const side = face % 2 === 0 ? 1 : -1;
    for (let row = 0; row < CUBE; row += 1) {
      const v = (2 * row + 1) / CUBE - 1;
      for (let column = 0; column < CUBE; column += 1) {
        const u = (2 * column + 1) / CUBE - 1;
        const length = Math.sqrt(1 + u * u + v * v);
        const [p, q, r] = [side / length, u / length, v / length];
        if (face < 2) cells[at] = cellOf(order, p, q, r);
        else if (face < 4) cells[at] = cellOf(order, q, p, r);
        else cells[at] = cellOf(order, q, r, p);
        at += 1;
      }
    }
  }
  return cells;
}
