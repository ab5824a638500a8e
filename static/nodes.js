/** Elements in one line each; text is always text. */

const SVG = "http://www.w3.org/2000/svg";

/** @param {string} tag @param {Record<string, unknown>} [given] attributes; null or false leaves one out */
export function node(tag, given = {}, ...children) {
  return filled(document.createElement(tag), given, children);
}

/** The same of SVG. */
export function drawn(tag, given = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), given, children);
}

function filled(made, given, children) {
  for (const [name, value] of Object.entries(given)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "on") for (const [kind, act] of Object.entries(value)) made.addEventListener(kind, act);
    else made.setAttribute(name, value === true ? "" : String(value));
  }
  made.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
  return made;
}
