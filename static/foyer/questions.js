/** What the foyer asks the server, through the page's one way to ask. */

import { ask } from "../ask.js";

export class Questions {
  /** @param {() => AbortSignal} signal of whatever plays now */
  constructor(signal) {
    this.signal = signal;
    this.kept = null; // lines of the sky, which never change
  }

  /** The archive in a few numbers. */
  facts() {
    return ask("/page/foyer", { signal: this.signal() });
  }

  /**
   * A map as the sky takes it.
   * @param {string} show quantity
   * @param {number} [until] last year of mid-exposures
   * @returns {Promise<Float32Array>}
   */
  async cells(show, until) {
    const query = new URLSearchParams({ show, ...(until === undefined ? {} : { to: String(until) }) });
    const bytes = await ask(`/page/cells?${query}`, { signal: this.signal(), kind: "bytes" });
    return new Float32Array(bytes);
  }

  /** First and last plate of a place, and how many there are. */
  story(place) {
    return ask(`/page/story?${new URLSearchParams(place)}`, { signal: this.signal() });
  }

  /** Constellations and stars. */
  async lines() {
    this.kept ??= await ask("/page/lines", { signal: this.signal() });
    return this.kept;
  }
}
