/** The request behind an answer, to be copied: as an address, for curl, and for Python. */

import { node } from "./nodes.js";

const COPIED_MS = 2_000;

/** @param {string} address absolute @param {Record<string, string>} values of the question */
export function requestTexts(address, values) {
  const quoted = `'${address.replaceAll("'", "'\\''")}'`;
  const named = Object.entries(values).filter(([, value]) => value !== "");
  const pairs = named.map(([name, value]) => `    ${JSON.stringify(name)}: ${pythonText(value)},`).join("\n");
  const [path] = address.split("?");
  return {
    url: address,
    curl: `curl -fsS ${quoted}`,
    python: [
      "import json", "from urllib.parse import urlencode", "from urllib.request import urlopen", "",
      "query = {", pairs, "}", `with urlopen(${pythonText(path)} + "?" + urlencode(query)) as answer:`,
      '    rows = json.load(answer)["exposures"]',
    ].join("\n"),
  };
}

/** A text as Python writes it. */
function pythonText(text) {
  return JSON.stringify(String(text)).replace(/[\u007f-\uffff]/g, (letter) => `\\u${letter.charCodeAt(0).toString(16).padStart(4, "0")}`);
}

/** @param {HTMLElement} element @param {Record<string, string>} texts @param {Function} words */
export function showRequests(element, texts, words) {
  element.replaceChildren(...Object.entries(texts).map(([kind, text]) => {
    const button = node("button", {
      type: "button", class: "quiet",
      on: { click: async () => {
        try {
          await navigator.clipboard.writeText(text);
          button.textContent = words("board.copied");
        } catch {
          button.textContent = words("board.not_copied");
        }
        setTimeout(() => { button.textContent = words("board.copy"); }, COPIED_MS);
      } },
    }, words("board.copy"));
    return node("div", { class: "request" },
      node("h3", {}, words(`board.as_${kind}`)), node("pre", { tabindex: "0" }, node("code", {}, text)), button);
  }));
}
