/** One plate beside the list: the page that the server draws of it, taken in whole. */

import { node } from "./nodes.js";

/**
 * @param {HTMLElement} element
 * @param {{words: Function, root: string, onClose: () => void}} options
 */
export function createPlate(element, { words, root, onClose }) {
  return {
    /** @param {string} designation @param {AbortSignal} signal */
    async show(designation, signal) {
      const address = `${root}/plates/${encodeURIComponent(designation)}`;
      element.setAttribute("aria-busy", "true");
      let answer;
      try {
        answer = await fetch(address, { signal });
      } catch (fault) {
        if (signal.aborted) return;
        this.fill(designation, address, [node("p", { class: "fault" }, words("board.plate_failed"))]);
        return;
      }
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const parts = [...(page.querySelector("#answer")?.children ?? [])].map((part) => document.importNode(part, true));
      this.fill(designation, address, parts);
    },

    fill(designation, address, parts) {
      const title = node("h2", { tabindex: "-1", id: "plate-head" }, node("a", { href: address }, designation));
      const close = node("button", { type: "button", class: "quiet", on: { click: onClose } }, words("board.close_plate"));
      for (const part of parts) {
        for (const heading of part.querySelectorAll("h2")) heading.replaceWith(node("h3", { id: heading.id }, heading.textContent));
      }
      element.replaceChildren(node("div", { class: "plate-bar" }, title, close), ...parts);
      element.removeAttribute("aria-busy");
      element.hidden = false;
    },

    hide() {
      element.hidden = true;
      element.replaceChildren();
    },
  };
}
