/** What the foyer asks the server, through the page's one way to ask. */

export class Questions {
  /**
   * @param {ReturnType<typeof import("../ask.js").createAsk>} ask
   * @param {() => AbortSignal} signal of whatever plays now
   */
  constructor(ask, signal) {
    this.ask = ask;
    this.signal = signal;
    this.kept = null; // lines of the sky, which never change
  }

  /** The archive in a few numbers. */
  facts() {
    return this.ask("/page/foyer", {}, { signal: this.signal() });
  }

  /**
   * A map as the sky takes it.
   * @param {string} show quantity
   * @param {number} [until] last year of mid-exposures
   * @returns {Promise<Float32Array>}
   */
  async cells(show, until) {
    const bytes = await this.ask("/page/cells", { show, to: until }, { signal: this.signal(), kind: "bytes" });
    return new Float32Array(bytes);
  }

  /** First and last plate of a place, and how many there are. */
  story(place) {
    return this.ask("/page/story", place, { signal: this.signal() });
  }

  /** Constellations and stars. */
  async lines() {
    this.kept ??= await this.ask("/page/lines", {}, { signal: this.signal() });
    return this.kept;
  }
}
