/**
 * The sky of the page: cells in colour under lines, names and outlines, on a canvas that is drawn by
 * the processor alone. `createSky` gives the object by which the rest of the page speaks to it.
 */

import { greatCircle, placeOf, placeText, vectorOf } from "./directions.js";
import { listen } from "./gestures.js";
import { cellOf, orderOf } from "./healpix.js";
import { Legend } from "./legend.js";
import { lineOf, outlineOf, regionLines } from "./lines.js";
import { Overlay } from "./overlay.js";
import { PIXELS, pixelOf } from "./palette.js";
import { tidied, viewOf } from "./projection.js";
import { Raster } from "./raster.js";
import { makeScale, shortNumber } from "./scale.js";

const STILL_AFTER_MS = 160; // without a movement, the picture is drawn in full
const MOST_RATIO = 2; // device pixels a CSS pixel that are used
const USUAL_LETTERS = 16; // CSS pixels of a letter's height
const FRAMES_KEPT = 600;
const FIT = 1.6; // how much more than a region is shown about it
const LEAST_FIT_DEGREES = 36; // so that the plates of the place are seen, not the place alone
const SAID_AFTER_MS = 500; // keys at rest, before the middle of the view is said aloud

/**
 * @param {HTMLElement} element empty; takes the size that CSS gives it
 * @param {{words: (key: string, values?: object) => string, reduceMotion?: boolean,
 *   lines?: object | null, aim?: object}} options `lines`: what /page/lines answers
 */
export function createSky(element, options) {
  return new Sky(element, options);
}

class Sky {
  constructor(element, { words, reduceMotion = false, lines = null, aim = {} }) {
    this.words = words;
    this.element = element;
    this.reduceMotion = reduceMotion;
    this.listeners = new Map();
    this.raster = new Raster();
    this.overlay = new Overlay();
    this.legendOf = new Legend(words);
    this.legend = this.legendOf.element;
    this.cells = null;
    this.aim = tidied({ projection: "whole", ra: 0, dec: 0, zoom: 1, ...aim });
    this.drawing = false;
    this.spinning = 0;
    this.times = [];
    this.lastMove = Number.NEGATIVE_INFINITY;
    this.isMoving = false;
    this._make();
    if (lines) this.setLines(lines);
    this._resized();
  }

  // ---- what is shown -------------------------------------------------------------------------

  /** @param {{order?: number, values: Float32Array, quantity: string, steps?: string, range?: number[]}} cells */
  showCells({ values, quantity, steps, range }) {
    const order = orderOf(values.length);
    if (Number.isNaN(order)) throw new RangeError(`${values.length} values are no map of the sky`);
    const scale = makeScale(quantity, values, steps, range);
    this.cells = { order, values, quantity, scale };
    this.legendOf.show(scale);
    this._colour();
    this._describe();
  }

  /** Constellations and stars, as /page/lines has them. */
  setLines({ boundaries = [], constellations = [], stars = [] }) {
    this.overlay.sky = {
      boundaries: boundaries.map(([one, other, ...flat]) => ({ between: [one, other], line: lineOf(flat) })),
      constellations: constellations.map(([short, name, ra, dec]) => ({ short, name, vector: vectorOf(ra, dec) })),
      stars: stars.map(([name, ra, dec, magnitude]) => ({ name, magnitude, vector: vectorOf(ra, dec) })),
    };
    if (this.regionShown) this.setRegion(this.regionShown);
    this._need();
  }

  /** @param {{id: string, corners: number[][]}[]} outlines @param {string | null} chosen */
  setOutlines(outlines, chosen = null) {
    this.overlay.outlines = outlines.map(({ id, corners }) => ({ id, line: outlineOf(corners) }));
    this.overlay.chosen = chosen;
    this._need();
  }

  choose(id) {
    this.overlay.chosen = id;
    this._need();
  }

  setRegion(region) {
    this.regionShown = region;
    const { boundaries, constellations } = this.overlay.sky;
    const isCircle = region?.kind === "circle";
    this.overlay.region = {
      lines: regionLines(region, boundaries, constellations),
      place: isCircle ? region : null,
      radius: isCircle ? region.radius : 0,
    };
    this._need();
  }

  // ---- where it is looked at -----------------------------------------------------------------

  getView() {
    return { ...this.aim };
  }

  setView(view, { quiet = true } = {}) {
    const next = tidied({ ...this.aim, ...view });
    if (["projection", "ra", "dec", "zoom"].every((name) => next[name] === this.aim[name])) return;
    this.aim = next;
    this.lastMove = performance.now();
    if (!quiet) this._tell("view", this.getView());
    this._need();
  }

  /** Turn and zoom to a region. */
  fit(region) {
    const lines = regionLines(region, this.overlay.sky.boundaries, this.overlay.sky.constellations).flat();
    if (!lines.length) return;
    const sum = lines.reduce(([a, b, c], [x, y, z]) => [a + x, b + y, c + z], [0, 0, 0]);
    const middle = region.kind === "circle" ? region : placeOf(sum);
    const at = vectorOf(middle.ra, middle.dec);
    const cosine = Math.min(...lines.map((v) => v[0] * at[0] + v[1] * at[1] + v[2] * at[2]));
    const across = Math.max(LEAST_FIT_DEGREES, (2 * FIT * 180 * Math.acos(Math.max(-1, Math.min(1, cosine)))) / Math.PI);
    const everything = this.aim.projection === "globe" ? 115 : 180;
    this.setView({ ra: middle.ra, dec: middle.dec, zoom: everything / across }, { quiet: false });
  }

  /** Turn by itself, so many degrees a second. */
  spin(degreesPerSecond) {
    this.spinning = degreesPerSecond;
    this.spunAt = performance.now();
    this._need();
  }

  rest() {
    this.spinning = 0;
    this._need();
  }

  /** Milliseconds between the last pictures drawn one after another. */
  frameTimes() {
    return [...this.times];
  }

  // ---- what the visitor does -----------------------------------------------------------------

  /** @param {"place"|"polygon"|"view"|"hover"|"touch"|"sketch"} kind */
  on(kind, act) {
    if (!this.listeners.has(kind)) this.listeners.set(kind, new Set());
    this.listeners.get(kind).add(act);
    return () => this.listeners.get(kind).delete(act);
  }

  /** Let the visitor draw: "polygon", or null to stop. */
  draw(what) {
    this.drawing = what === "polygon";
    this.overlay.sketch = [];
    this.canvas.classList.toggle("is-drawing", this.drawing);
    this._tell("sketch", { drawing: this.drawing, corners: 0 });
    this._need();
  }

  /** Number of cells, value and place at a vector. */
  valueAt(vector) {
    if (!this.cells) return null;
    const value = this.cells.values[cellOf(this.cells.order, ...vector)];
    return Number.isNaN(value) ? null : value;
  }

  destroy() {
    this.letGo();
    this.observer.disconnect();
    this.dark.removeEventListener("change", this.restyle);
    cancelAnimationFrame(this.frame);
    clearTimeout(this.sayLater);
    this.element.replaceChildren();
    this.listeners.clear();
  }

  // ---- inside --------------------------------------------------------------------------------

  _make() {
    this.canvas = document.createElement("canvas");
    this.canvas.className = "sky-canvas";
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "application");
    this.canvas.setAttribute("aria-roledescription", this.words("sky.kind"));
    this.canvas.setAttribute("aria-label", this.words("sky.label"));
    this.spoken = document.createElement("p");
    this.spoken.className = "sky-spoken";
    this.spoken.setAttribute("aria-live", "polite");
    this.element.replaceChildren(this.canvas, this.spoken);
    this.context = this.canvas.getContext("2d");
    this.observer = new ResizeObserver(() => this._resized());
    this.observer.observe(this.element);
    this.dark = matchMedia("(prefers-color-scheme: dark)");
    this.restyle = () => this._restyled();
    this.dark.addEventListener("change", this.restyle);
    this._restyled();
    this.letGo = listen(this.canvas, {
      view: () => this._view(),
      ratio: () => this.ratio,
      aim: (aim) => this._moved(aim),
      moving: (is) => this._moving(is),
      tapped: (at) => this._tapped(at),
      hovered: (at) => this._hovered(at),
      key: (event) => this._key(event),
    });
    this.canvas.addEventListener("focus", () => this._need());
    this.canvas.addEventListener("blur", () => this._need());
  }

  /** Colours of lines and names, as the CSS of the page has them. */
  _restyled() {
    const style = getComputedStyle(this.element);
    const read = (name) => style.getPropertyValue(`--sky-${name}`).trim();
    this.look = { font: style.fontFamily || "sans-serif" };
    for (const name of ["grid", "ecliptic", "galaxy", "boundary", "rim", "name", "name-halo", "grid-name",
      "star", "star-name", "halo", "outline", "chosen", "region", "bare"]) {
      this.look[name.replace(/-(.)/g, (_, letter) => letter.toUpperCase())] = read(name) || "#808080";
    }
    this._colour();
  }

  _colour() {
    if (this.cells) {
      const { values, order, scale } = this.cells;
      const bare = pixelOf(rgbOfCss(this.look.bare));
      const colours = new Uint32Array(values.length);
      for (let cell = 0; cell < values.length; cell += 1) {
        colours[cell] = Number.isNaN(values[cell]) ? bare : PIXELS[scale.shadeOf(values[cell])];
      }
      this.raster.setColours(order, colours);
    }
    this._need();
  }

  _resized() {
    const box = this.element.getBoundingClientRect();
    this.ratio = Math.min(MOST_RATIO, window.devicePixelRatio || 1);
    // letters and lines grow with the page's own letters, which are larger on large screens
    this.unit = (this.ratio * Number.parseFloat(getComputedStyle(document.documentElement).fontSize)) / USUAL_LETTERS;
    this.canvas.width = Math.max(1, Math.round(box.width * this.ratio));
    this.canvas.height = Math.max(1, Math.round(box.height * this.ratio));
    if (this.cells) { // a canvas of another size is empty: it is filled at once, and well soon
      this.raster.paintQuickly((w, h) => viewOf(this.aim, w, h), this.canvas.width, this.canvas.height);
      this._compose(this.canvas.width, this.canvas.height);
    }
    this._need();
  }

  _view() {
    return viewOf(this.aim, this.canvas.width, this.canvas.height);
  }

  _moved(aim) {
    this.aim = aim;
    this.lastMove = performance.now();
    this._tell("touch");
    this._tell("view", this.getView());
    this._sayMiddle();
    this._need();
  }

  _moving(is) {
    this.isMoving = is;
    this.lastMove = performance.now();
    this._need();
  }

  _tapped(at) {
    this._tell("touch");
    const vector = this._view().toSky(...at);
    if (vector) this._pointed(vector);
  }

  /** A place was pointed at, by hand or key. */
  _pointed(vector) {
    if (!this.drawing) {
      this._tell("place", placeOf(vector));
      return;
    }
    const [first] = this.overlay.sketch;
    const corners = this._corners;
    if (corners.length >= 3 && first && this._near(first, vector)) {
      this._finishSketch();
      return;
    }
    corners.push(vector);
    this._sketched();
  }

  get _corners() {
    if (!this.overlay.sketch.length) this.corners = [];
    return this.corners;
  }

  _sketched() {
    const { corners } = this;
    this.overlay.sketch = corners.flatMap((corner, at) => (at ? greatCircle(corners[at - 1], corner, 3).slice(1) : [corner]));
    this._tell("sketch", { drawing: true, corners: corners.length });
    this._need();
  }

  _finishSketch() {
    const corners = (this.corners ?? []).map(placeOf).map(({ ra, dec }) => [ra, dec]);
    this.draw(null);
    if (corners.length >= 3) this._tell("polygon", corners);
  }

  _near(a, b) {
    const view = this._view();
    const [p, q] = [view.toScreen(a), view.toScreen(b)];
    return p && q && Math.hypot(p[0] - q[0], p[1] - q[1]) < 12 * this.ratio;
  }

  _key(event) {
    const middle = vectorOf(this.aim.ra, this.aim.dec);
    if (event.key === "Enter" || event.key === " ") {
      if (this.drawing && event.key === "Enter" && (this.corners?.length ?? 0) >= 3) this._finishSketch();
      else this._pointed(this._crossVector() ?? middle);
      return true;
    }
    if (!this.drawing) return false;
    if (event.key === "Escape") this.draw(null);
    else if (event.key === "Backspace") {
      this.corners?.pop();
      this._sketched();
    } else return false;
    return true;
  }

  _hovered(at) {
    const vector = at && this._view().toSky(...at);
    if (!vector) {
      this._tell("hover", null);
      return;
    }
    const value = this.valueAt(vector);
    this._tell("hover", {
      ...placeOf(vector), value,
      text: placeText(placeOf(vector)),
      said: value === null || !this.cells ? "" : shortNumber(value, this.cells.quantity),
    });
  }

  /** The vector that keys point at: the middle of what is seen. */
  _crossVector() {
    const view = this._view();
    return view.toSky(view.width / 2, view.height / 2);
  }

  _describe() {
    const { scale, quantity, values } = this.cells;
    const covered = values.reduce((sum, value) => sum + !Number.isNaN(value), 0);
    const share = Math.round((100 * covered) / values.length);
    const name = this.words(`sky.quantity.${quantity}`);
    this.canvas.setAttribute("aria-label", scale.empty
      ? this.words("sky.described.empty", { name })
      : this.words("sky.described", {
        name, share, low: shortNumber(scale.low, quantity), high: shortNumber(scale.high, quantity),
      }));
  }

  /** Say the middle of the view to those who move it by keys, once they rest. */
  _sayMiddle() {
    clearTimeout(this.sayLater);
    if (document.activeElement !== this.canvas) return;
    this.sayLater = setTimeout(() => {
      const vector = this._crossVector();
      if (!vector) return;
      const value = this.valueAt(vector);
      const place = placeText(placeOf(vector));
      this.spoken.textContent = value === null || !this.cells
        ? this.words("sky.said.bare", { place })
        : this.words("sky.said", {
          place, value: shortNumber(value, this.cells.quantity), name: this.words(`sky.quantity.${this.cells.quantity}`),
        });
    }, SAID_AFTER_MS);
  }

  _tell(kind, what) {
    for (const act of this.listeners.get(kind) ?? []) act(what);
  }

  _need() {
    this.isWhole = false;
    this.raster.row = 0;
    this.begun = false;
    if (!this.frame) this.frame = requestAnimationFrame((now) => this._draw(now));
  }

  _draw(now) {
    this.frame = 0;
    const { width, height } = this.canvas;
    if (this.spinning && !this.isMoving) {
      const seconds = Math.min(0.2, Math.max(0, (now - this.spunAt) / 1000));
      this.aim = tidied({ ...this.aim, ra: this.aim.ra + this.spinning * seconds });
      this.lastMove = now;
    }
    this.spunAt = now;
    const isStill = !this.isMoving && !this.spinning && now - this.lastMove > STILL_AFTER_MS;
    const viewFor = (w, h) => viewOf(this.aim, w, h);
    let isWhole = true;
    if (!isStill) {
      this.raster.paintQuickly(viewFor, width, height);
      this.begun = false;
    } else {
      if (!this.begun) this.raster.begin(viewFor, width, height);
      this.begun = true;
      isWhole = this.raster.paintOn();
    }
    if (isWhole) this._compose(width, height);
    if (!isStill) this._remember(now);
    else this.drawnAt = 0;
    if (!isStill || !isWhole) this.frame = requestAnimationFrame((next) => this._draw(next));
  }

  _compose(width, height) {
    this.context.clearRect(0, 0, width, height);
    this.context.imageSmoothingEnabled = true;
    this.context.drawImage(this.raster.canvas, 0, 0, width, height);
    this.overlay.cross = document.activeElement === this.canvas && this.canvas.matches(":focus-visible")
      ? this._crossVector() : null;
    this.overlay.draw(this.context, this._view(), this.look, this.unit);
  }

  _remember(now) {
    if (this.drawnAt) {
      this.times.push(now - this.drawnAt);
      if (this.times.length > FRAMES_KEPT) this.times.shift();
    }
    this.drawnAt = now;
  }
}

function rgbOfCss(colour) {
  const context = document.createElement("canvas").getContext("2d");
  context.fillStyle = colour;
  context.fillRect(0, 0, 1, 1);
  return [...context.getImageData(0, 0, 1, 1).data.slice(0, 3)];
}
