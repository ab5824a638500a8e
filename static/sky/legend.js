/** The legend under the sky: a strip of colours with marks, what it counts, and what bare sky means. */

import { SHADES, rgbOf } from "./palette.js";
import { shortNumber } from "./scale.js";

export class Legend {
  /** @param {(key: string, values?: object) => string} words */
  constructor(words) {
    this.words = words;
    this.element = node("div", "sky-legend");
    this.caption = node("p", "sky-legend-caption");
    this.strip = node("canvas", "sky-legend-strip");
    this.strip.width = SHADES;
    this.strip.height = 1;
    this.strip.setAttribute("aria-hidden", "true");
    this.marks = node("div", "sky-legend-marks");
    this.marks.setAttribute("aria-hidden", "true");
    this.bare = node("p", "sky-legend-bare");
    this.element.append(this.caption, this.strip, this.marks, this.bare);
    const context = this.strip.getContext("2d");
    for (let shade = 0; shade < SHADES; shade += 1) {
      context.fillStyle = `rgb(${rgbOf(shade).join(" ")})`;
      context.fillRect(shade, 0, 1, 1);
    }
  }

  /** Show a scale. */
  show(scale) {
    const { quantity, low, high, log, empty } = scale;
    const name = this.words(`sky.quantity.${quantity}`);
    this.caption.textContent = empty
      ? this.words("sky.legend.empty", { name })
      : this.words(log ? "sky.legend.log" : "sky.legend.even", {
        name, low: shortNumber(low, quantity), high: shortNumber(high, quantity),
      });
    this.strip.hidden = empty;
    this.marks.replaceChildren();
    for (const mark of scale.marks) {
      const share = scale.share(mark);
      if (share < -0.001 || share > 1.001) continue;
      const label = node("span");
      label.textContent = shortNumber(mark, quantity);
      label.style.setProperty("--at", `${100 * share}%`);
      this.marks.append(label);
    }
    this.bare.textContent = this.words(`sky.bare.${quantity === "gap" ? "gap" : "any"}`);
  }
}

function node(tag, name = "") {
  const made = document.createElement(tag);
  if (name) made.className = name;
  return made;
}
