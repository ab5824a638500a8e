/** Waiting that can be called off, and movements that take their time. */

/**
 * Wait; a call-off rejects with the signal's reason.
 * @param {number} ms
 * @param {AbortSignal} signal
 */
export function pause(ms, signal) {
  return new Promise((resolve, reject) => {
    signal.throwIfAborted();
    const calledOff = () => {
      clearTimeout(timer);
      reject(signal.reason);
    };
    const timer = setTimeout(() => {
      signal.removeEventListener("abort", calledOff); // else a long-lived signal gathers them
      resolve();
    }, ms);
    signal.addEventListener("abort", calledOff, { once: true });
  });
}

/**
 * Turn the sky from one view to another, gently at both ends.
 * @param {{setView: (view: object) => void}} sky
 * @param {{ra: number, dec: number, zoom: number}} from
 * @param {{ra: number, dec: number, zoom: number}} to
 */
export async function turn(sky, from, to, ms, signal) {
  const across = ((((to.ra - from.ra) % 360) + 540) % 360) - 180; // the shorter way round
  const start = performance.now();
  for (let share = 0; share < 1; ) {
    await nextFrame(signal);
    share = Math.min(1, (performance.now() - start) / ms);
    const done = share * share * (3 - 2 * share);
    sky.setView({
      ra: from.ra + across * done,
      dec: from.dec + (to.dec - from.dec) * done,
      zoom: from.zoom * (to.zoom / from.zoom) ** done,
    });
  }
}

function nextFrame(signal) {
  return new Promise((resolve, reject) => {
    signal.throwIfAborted();
    // a hidden page draws no frames; then a timer goes on in their place
    const timer = setTimeout(done, 250);
    const frame = requestAnimationFrame(done);
    function done() {
      clearTimeout(timer);
      cancelAnimationFrame(frame);
      if (signal.aborted) reject(signal.reason);
      else resolve();
    }
  });
}
