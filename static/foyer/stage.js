/** What stands on the screen beside the sky: the same few elements for days, only their text changes. */

const LINES = 4; // paragraphs at most

export class Stage {
  /** @param {HTMLElement} main the element with data-scene */
  constructor(main) {
    this.main = main;
    this.head = main.querySelector("#foyer-head");
    this.figure = main.querySelector("#foyer-figure");
    this.text = main.querySelector("#foyer-text");
    this.lines = Array.from({ length: LINES }, () => document.createElement("p"));
    this.text.replaceChildren(...this.lines);
  }

  /**
   * @param {{scene?: "plate"|"sky"|"map"|"visit", head: string, figure?: string, lines?: string[]}} what
   */
  show({ scene = this.main.dataset.scene, head, figure = "", lines = [] }) {
    this.main.dataset.scene = scene;
    setText(this.head, head);
    this.showFigure(figure);
    this.showLines(lines);
  }

  showFigure(figure) {
    setText(this.figure, figure);
    this.figure.hidden = !figure;
  }

  showLines(lines) {
    this.lines.forEach((line, at) => {
      setText(line, lines[at] ?? "");
      line.hidden = !lines[at];
    });
  }

  /** Whether changes are read out: to a visitor who asks, not while it runs by itself. */
  speak(aloud) {
    this.text.setAttribute("aria-live", aloud ? "polite" : "off");
  }
}

/** Change a text node's words rather than the node. */
function setText(element, text) {
  if (element.firstChild?.nodeType === Node.TEXT_NODE && element.childNodes.length === 1) {
    element.firstChild.data = text;
  } else {
    element.textContent = text;
    if (!text) element.append(document.createTextNode(""));
  }
}
