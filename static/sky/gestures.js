/**
 * Hands and keys on the sky: drag, pinch and wheel move the view; a tap or click is a place.
 * Keyboard: arrows move, + and - zoom, Home shows everything, Enter asks about the middle.
 */

import { tidied } from "./projection.js";

const SLACK = 5; // CSS pixels that a click may slip
const WHEEL = 0.0016; // zoom a pixel of the wheel, as an exponent
const KEY_ZOOM = 1.3;
const KEY_STEP = 0.12; // of the view's width

/**
 * @param {HTMLElement} element takes the focus and the pointer
 * @param {{view: () => object, ratio: () => number, aim: (aim) => void, moving: (is: boolean) => void,
 *   tapped: (at: [number, number]) => void, hovered: (at: [number, number] | null) => void,
 *   key: (event: KeyboardEvent) => boolean}} sky
 * @returns {() => void} lets go of the element
 */
export function listen(element, sky) {
  const held = new Map(); // pointers that are down, by number
  let start = null; // of what might be a tap
  const off = new AbortController();
  const on = (kind, act, options = {}) => element.addEventListener(kind, act, { signal: off.signal, ...options });

  const placeOf = (event) => {
    const box = element.getBoundingClientRect();
    return [(event.clientX - box.left) * sky.ratio(), (event.clientY - box.top) * sky.ratio()];
  };
  const spread = () => {
    const [a, b] = [...held.values()];
    return Math.hypot(a[0] - b[0], a[1] - b[1]);
  };

  on("pointerdown", (event) => {
    if (event.button > 0) return;
    element.setPointerCapture(event.pointerId);
    held.set(event.pointerId, placeOf(event));
    start = held.size === 1 ? placeOf(event) : null;
    element.focus({ preventScroll: true });
  });
  on("pointermove", (event) => {
    const at = placeOf(event);
    if (!held.has(event.pointerId)) {
      if (event.pointerType === "mouse") sky.hovered(at);
      return;
    }
    if (start && Math.hypot(at[0] - start[0], at[1] - start[1]) < SLACK * sky.ratio()) return;
    start = null;
    const before = held.get(event.pointerId);
    const wide = held.size === 2 ? spread() : 0;
    held.set(event.pointerId, at);
    sky.moving(true);
    if (held.size === 1) {
      sky.aim(sky.view().dragged(at[0] - before[0], at[1] - before[1]));
    } else if (held.size === 2 && wide > 0) {
      const { aim } = sky.view();
      sky.aim(tidied({ ...aim, zoom: (aim.zoom * spread()) / wide }));
    }
  });
  const up = (event) => {
    if (!held.delete(event.pointerId)) return;
    if (start && event.type === "pointerup") sky.tapped(placeOf(event));
    start = null;
    if (!held.size) sky.moving(false);
  };
  on("pointerup", up);
  on("pointercancel", up);
  on("pointerleave", () => sky.hovered(null));
  on("wheel", (event) => {
    event.preventDefault();
    const { aim } = sky.view();
    const pixels = event.deltaMode === 1 ? event.deltaY * 16 : event.deltaY;
    zoomAbout(sky, placeOf(event), aim.zoom * Math.exp(-pixels * WHEEL));
  }, { passive: false });
  on("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (sky.key(event) || moved(event, sky)) event.preventDefault();
  });
  return () => off.abort();
}

/** Zoom so that what is under a place stays near it. */
function zoomAbout(sky, at, zoom) {
  const view = sky.view();
  const next = tidied({ ...view.aim, zoom });
  if (next.zoom === view.aim.zoom) return;
  const shift = next.zoom > view.aim.zoom ? 1 - view.aim.zoom / next.zoom : 0;
  const nearer = view.dragged((view.middleX - at[0]) * shift, (view.height / 2 - at[1]) * shift);
  sky.aim(tidied({ ...nearer, zoom }));
}

/** Move by a key; whether it was one that moves. */
function moved(event, sky) {
  const view = sky.view();
  const step = KEY_STEP * Math.min(view.width, view.height);
  const shifts = { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] };
  if (event.key in shifts) sky.aim(view.dragged(...shifts[event.key]));
  else if (event.key === "+" || event.key === "=") sky.aim(tidied({ ...view.aim, zoom: view.aim.zoom * KEY_ZOOM }));
  else if (event.key === "-") sky.aim(tidied({ ...view.aim, zoom: view.aim.zoom / KEY_ZOOM }));
  else if (event.key === "Home") sky.aim(tidied({ ...view.aim, zoom: 1 }));
  else return false;
  return true;
}
