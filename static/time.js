/**
 * The years under the sky: exposures stacked by series; a span of years can be dragged, moved by
 * keys, or let pass.
 */

import { drawn, node } from "./nodes.js";

const HEIGHT = 150; // of the drawing, in its own units
const FOOT = 22; // under the bars, for the years
const LEAST_BAR = 3; // CSS pixels; narrower ones are put together
const WIDTHS = [1, 2, 5, 10, 20];
const MARKS = [1, 2, 5, 10, 20, 50, 100];
const LEAST_MARK = 52; // CSS pixels from year to year on the axis

/**
 * @param {HTMLElement} element
 * @param {{words: Function, colours: Record<string, string>, onSpan: (span: [number, number] | null, isDone: boolean) => void}} options
 */
export function createTime(element, { words, colours, onSpan }) {
  return new Time(element, words, colours, onSpan);
}

class Time {
  constructor(element, words, colours, onSpan) {
    Object.assign(this, { element, words, colours, onSpan });
    this.span = null;
    this.now = null;
    this.bins = [];
    this.picture = drawn("svg", { class: "years", role: "img", "aria-label": words("time.none"), preserveAspectRatio: "none" });
    this.from = this._handle("from");
    this.to = this._handle("to");
    this.frame = node("div", { class: "years-frame" }, this.picture, this.from, this.to);
    this.key = node("ul", { class: "years-key" });
    this.said = node("p", { class: "years-said" });
    element.replaceChildren(this.frame, this.key, this.said);
    this._listen();
    this.observer = new ResizeObserver(() => this._draw());
    this.observer.observe(this.frame);
  }

  /** Show what /api/epochs answers with bins of a year. */
  show(answer) {
    this.answer = answer;
    this.bins = answer.bins;
    this.first = this.bins.length ? this.bins[0].from : 0;
    this.last = this.bins.length ? this.bins.at(-1).from : 0; // both inclusive
    this._say();
    this._draw();
  }

  /** Mark a span of years, both inclusive; null for all. */
  setSpan(span) {
    this.span = span;
    this._place();
  }

  /** Mark the year that passes just now; null for none. */
  setNow(year) {
    this.now = year;
    this._place();
  }

  _say() {
    const { first, last, undated, longest_gap: gap, bins } = this.answer;
    const count = bins.reduce((sum, bin) => sum + bin.exposures, 0);
    const parts = [first === null ? this.words("time.none") : this.words("time.said", {
      count, first: first.toFixed(1), last: last.toFixed(1),
    })];
    if (gap) parts.push(this.words("time.gap", { from: gap.from.toFixed(1), to: gap.to.toFixed(1) }));
    if (undated) parts.push(this.words("time.undated", { count: undated }));
    this.said.textContent = parts.join(" ");
    this.picture.setAttribute("aria-label", parts.join(" "));
    const sums = new Map();
    for (const bin of bins) for (const [code, n] of Object.entries(bin.series)) sums.set(code, (sums.get(code) ?? 0) + n);
    this.codes = Object.keys(this.colours).filter((code) => sums.has(code));
    this.key.replaceChildren(...this.codes.map((code) => {
      const item = node("li", {}, node("span", { class: "swatch" }), `${code} `, node("small", {}, this.words.number(sums.get(code))));
      item.firstChild.style.setProperty("--colour", this.colours[code]);
      return item;
    }));
  }

  _draw() {
    const width = Math.max(1, this.frame.clientWidth);
    this.picture.setAttribute("viewBox", `0 0 ${width} ${HEIGHT + FOOT}`);
    this.picture.replaceChildren();
    if (!this.bins.length) {
      this._place();
      return;
    }
    const years = this.last - this.first + 1;
    const together = WIDTHS.find((each) => (width / years) * each >= LEAST_BAR) ?? WIDTHS.at(-1);
    const bars = grouped(this.bins, together);
    const most = Math.max(1, ...bars.map((bar) => bar.exposures));
    const scale = width / years;
    for (const bar of bars) {
      let top = HEIGHT;
      for (const code of this.codes) {
        const height = ((bar.series.get(code) ?? 0) / most) * (HEIGHT - 14);
        if (!height) continue;
        top -= height;
        const rect = drawn("rect", {
          x: (bar.from - this.first) * scale, y: top, height,
          width: Math.max(0.5, (bar.to - bar.from) * scale - (scale * together > 6 ? 1 : 0)),
        });
        rect.style.setProperty("fill", this.colours[code]);
        this.picture.append(rect);
      }
    }
    const most_text = drawn("text", { x: 2, y: 10, class: "years-most" }, this.words("time.most", { count: most }));
    this.picture.append(drawn("line", { x1: 0, x2: width, y1: HEIGHT, y2: HEIGHT, class: "years-axis" }), most_text);
    const step = MARKS.find((each) => each * scale >= LEAST_MARK) ?? MARKS.at(-1);
    for (let year = Math.ceil(this.first / step) * step; year <= this.last; year += step) {
      const x = (year - this.first) * scale;
      if (x > width - 30) break;
      this.picture.append(
        drawn("line", { x1: x, x2: x, y1: HEIGHT, y2: HEIGHT + 4, class: "years-axis" }),
        drawn("text", { x: x + 2, y: HEIGHT + 17 }, String(year)),
      );
    }
    this.shade = [drawn("rect", { class: "years-out" }), drawn("rect", { class: "years-out" })];
    this.mark = drawn("line", { class: "years-now", y1: 0, y2: HEIGHT });
    this.picture.append(...this.shade, this.mark);
    this._place();
  }

  /** Put span, handles and the passing year where they belong. */
  _place() {
    const width = Math.max(1, this.frame.clientWidth);
    const years = this.last - this.first + 1;
    const [from, to] = this._whole();
    const share = (year) => Math.max(0, Math.min(1, (year - this.first) / years));
    this.frame.classList.toggle("is-empty", !this.bins.length);
    for (const [handle, year, at] of [[this.from, from, share(from)], [this.to, to, share(to + 1)]]) {
      handle.style.setProperty("--at", `${100 * at}%`);
      handle.setAttribute("aria-valuemin", String(this.first));
      handle.setAttribute("aria-valuemax", String(this.last));
      handle.setAttribute("aria-valuenow", String(year));
    }
    if (!this.shade || !this.bins.length) return;
    const [left, right] = [share(from) * width, share(to + 1) * width];
    set(this.shade[0], { x: 0, y: 0, width: left, height: HEIGHT });
    set(this.shade[1], { x: right, y: 0, width: Math.max(0, width - right), height: HEIGHT });
    const now = this.now === null ? -10 : share(this.now + 1) * width;
    set(this.mark, { x1: now, x2: now });
  }

  _whole() {
    const [from, to] = this.span ?? [this.first, this.last];
    return [Math.max(this.first, from), Math.min(this.last, to)];
  }

  _handle(side) {
    const handle = node("button", {
      type: "button", class: `years-handle is-${side}`, role: "slider", "aria-orientation": "horizontal",
      "aria-label": this.words(`time.${side}`),
    });
    handle.addEventListener("keydown", (event) => {
      const steps = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10, Home: -1e4, End: 1e4 };
      if (!(event.key in steps)) return;
      event.preventDefault();
      const span = this._whole();
      span[side === "from" ? 0 : 1] += steps[event.key];
      this._change(span, true, side);
    });
    return handle;
  }

  _listen() {
    let start = null;
    let side = null;
    const yearAt = (event) => {
      const box = this.frame.getBoundingClientRect();
      const share = Math.max(0, Math.min(0.99999, (event.clientX - box.left) / box.width));
      return this.first + Math.floor(share * (this.last - this.first + 1));
    };
    this.frame.addEventListener("pointerdown", (event) => {
      if (!this.bins.length || event.button > 0) return;
      side = event.target === this.from ? "from" : event.target === this.to ? "to" : null;
      this.frame.setPointerCapture(event.pointerId);
      const [from, to] = this._whole();
      start = side === "from" ? to : side === "to" ? from : yearAt(event);
      this.moved = false;
    });
    this.frame.addEventListener("pointermove", (event) => {
      if (start === null) return;
      const year = yearAt(event);
      if (!this.moved && year === start && !side) return;
      this.moved = true;
      this._change([Math.min(start, year), Math.max(start, year)], false);
    });
    const up = (event) => {
      if (start === null) return;
      const isTap = !this.moved && event.type === "pointerup";
      start = null;
      if (this.moved) this._change(this._whole(), true);
      else if (isTap && !side) this._change(this.span ? null : [yearAt(event), yearAt(event)], true);
    };
    this.frame.addEventListener("pointerup", up);
    this.frame.addEventListener("pointercancel", up);
  }

  /** A span as the visitor wants it; all years are no span. */
  _change(span, isDone, kept = "") {
    let wanted = span && [Math.max(this.first, span[0]), Math.min(this.last, span[1])];
    if (wanted && wanted[0] > wanted[1]) wanted = kept === "from" ? [wanted[1], wanted[1]] : [wanted[0], wanted[0]];
    if (wanted && wanted[0] <= this.first && wanted[1] >= this.last) wanted = null;
    this.setSpan(wanted);
    this.onSpan(wanted, isDone);
  }
}

/** Bins put together by so many years, beginning at multiples of that. */
function grouped(bins, together) {
  const bars = new Map();
  for (const bin of bins) {
    const from = Math.floor(bin.from / together) * together;
    const bar = bars.get(from) ?? { from: Math.max(from, bins[0].from), to: 0, exposures: 0, series: new Map() };
    bar.to = bin.to;
    bar.exposures += bin.exposures;
    for (const [code, count] of Object.entries(bin.series)) bar.series.set(code, (bar.series.get(code) ?? 0) + count);
    bars.set(from, bar);
  }
  return [...bars.values()];
}

function set(element, values) {
  for (const [name, value] of Object.entries(values)) element.setAttribute(name, String(value));
}
