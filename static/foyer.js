/**
 * The page for a foyer. Scenes follow one another by themselves; a touch, click or key hands the sky
 * to the visitor; after a quiet minute the scenes go on. While the server cannot be reached a calm
 * screen stands before all else; each round begins with the edition that is then in use.
 */

import { createAsk } from "./ask.js";
import { clear, SCENES } from "./foyer/scenes.js";
import { pause } from "./foyer/pace.js";
import { Questions } from "./foyer/questions.js";
import { Stage } from "./foyer/stage.js";
import { outlinesOf, storyLines } from "./foyer/telling.js";
import { createSky } from "./sky/sky.js";
import { chooseLanguage, LANGUAGES, loadWords } from "./words.js";

const QUIET_S = 60; // without a touch, after which it runs by itself again
const CALM_AFTER_S = 2; // without an answer that is due
const CALM_S = 10; // after a fault, before the scenes begin anew
const FASTEST = 1000;
const STILL_TOUCHING_MS = 500; // the touch that wakes asks for no place
const TOUCHES = ["pointerdown", "wheel", "keydown", "touchstart"];
const NAMES = { en: "English", de: "Deutsch" }; // of the languages, in themselves
const PIECES = ["foyer", "sky"];

class Foyer {
  constructor() {
    this.stage = new Stage(document.getElementById("foyer"));
    this.calmed = document.getElementById("foyer-calm");
    this.box = document.getElementById("foyer-sky");
    this.motion = matchMedia("(prefers-reduced-motion: reduce)");
    const tempo = Number(new URLSearchParams(location.search).get("tempo") ?? 1);
    this.tempo = tempo >= 1 && tempo <= FASTEST ? tempo : 1;
    this.play = new AbortController();
    const ask = createAsk({
      root: document.documentElement.dataset.root,
      onTrouble: (is) => this.trouble(is),
    });
    this.questions = new Questions(ask, () => this.play.signal);
    this.round = 0;
    this.isVisited = false;
    this.touchedAt = Number.NEGATIVE_INFINITY;
    this.wokenAt = Number.NEGATIVE_INFINITY;
  }

  async start() {
    this.showButtons();
    for (const kind of TOUCHES) addEventListener(kind, (event) => this.touched(event), { capture: true, passive: true });
    this.language = chooseLanguage();
    for (;;) {
      this.play = new AbortController();
      const { signal } = this.play;
      try {
        await this.speak(this.language);
        await (this.isVisited ? this.visit(signal) : this.runRound(signal));
      } catch (fault) {
        if (signal.aborted) continue; // woken, or another language
        console.warn("foyer:", fault);
        this.sky?.rest();
        this.calmed.hidden = false;
        await pause((1000 * CALM_S) / this.tempo, signal).catch(() => {});
        this.calmed.hidden = true;
      }
    }
  }

  /** All scenes once. */
  async runRound(signal) {
    this.facts = await this.questions.facts(); // of a new edition, if there is one
    this.stage.speak(false);
    for (const scene of SCENES) {
      await scene({
        stage: this.stage, sky: this.sky, words: this.words, facts: this.facts, questions: this.questions,
        signal, still: this.motion.matches, tempo: this.tempo, round: this.round,
        wait: (seconds) => pause((1000 * seconds) / this.tempo, signal),
      });
    }
    this.round += 1;
    document.body.dataset.rounds = String(this.round);
  }

  /** The visitor's turn, until the screen was left alone for a while. */
  async visit(signal) {
    clear(this.sky);
    this.stage.speak(true);
    this.stage.show({ scene: "visit", head: this.words("foyer.visit.head"), lines: [this.words("foyer.visit.turn")] });
    this.sky.setView({ projection: "globe", zoom: 1 });
    this.sky.showCells({ values: await this.questions.cells("exposures"), quantity: "exposures" });
    for (let quiet = 0; quiet < 1000 * QUIET_S; quiet = (performance.now() - this.touchedAt) * this.tempo) {
      await pause((1000 * QUIET_S - quiet) / this.tempo, signal);
    }
    this.isVisited = false;
  }

  /** Tell of a place that was tapped. */
  async tell({ ra, dec }) {
    if (!this.isVisited || performance.now() - this.wokenAt < STILL_TOUCHING_MS) return;
    const { words, stage, play } = this;
    const asked = (this.asked = {});
    this.sky.setRegion({ kind: "circle", ra, dec, radius: 0 });
    stage.showLines([words("foyer.visit.wait")]);
    try {
      const story = await this.questions.story({ ra: ra.toFixed(4), dec: dec.toFixed(4), radius: "0" });
      if (this.asked !== asked || play.signal.aborted) return; // another place since
      this.sky.setOutlines(outlinesOf(story), story.first?.plate ?? null);
      const head = words("foyer.visit.here", { constellation: story.constellation });
      stage.show({ head, lines: storyLines(words, story) });
    } catch {
      if (this.asked === asked && !play.signal.aborted) stage.showLines([words("foyer.visit.failed")]);
    }
  }

  touched(event) {
    this.touchedAt = performance.now();
    document.body.dataset.touched = event.type === "keydown" ? "key" : "hand";
    const isButton = event.target instanceof Element && event.target.closest("#foyer-buttons");
    if (this.isVisited || isButton || (event.type === "keydown" && event.key === "Tab")) return;
    this.isVisited = true;
    this.wokenAt = performance.now();
    this.play.abort();
  }

  /** Words in a language, on all that stands; the sky is made anew, since it speaks too. */
  async speak(language) {
    if (this.words?.language === language) return;
    this.words = await loadWords(language, PIECES);
    const lines = await this.questions.lines();
    this.sky?.destroy();
    this.sky = createSky(this.box, { words: this.words, reduceMotion: this.motion.matches, lines });
    this.sky.legend.classList.add("foyer-legend");
    this.stage.main.querySelector(".foyer-legend")?.remove();
    this.stage.main.append(this.sky.legend);
    this.sky.on("place", (at) => this.tell(at));
    document.documentElement.lang = language;
    for (const each of document.querySelectorAll("[data-words]")) each.textContent = this.words(each.dataset.words);
    for (const each of document.querySelectorAll("[data-label]")) each.setAttribute("aria-label", this.words(each.dataset.label));
    for (const each of document.querySelectorAll("[data-alt]")) each.setAttribute("alt", this.words(each.dataset.alt));
    for (const each of document.querySelectorAll("[data-language]")) {
      each.setAttribute("aria-pressed", String(each.dataset.language === language));
    }
    document.querySelector(".foyer-hint").hidden = false;
  }

  /** Buttons of the languages and, where the browser can, of the whole screen. */
  showButtons() {
    const buttons = document.getElementById("foyer-buttons");
    for (const tag of LANGUAGES) {
      const button = buttonOf(NAMES[tag] ?? tag, () => this.choose(tag));
      button.dataset.language = tag;
      button.lang = tag;
      buttons.append(button);
    }
    if (!document.fullscreenEnabled) return;
    const whole = buttonOf("", () => {
      const change = document.fullscreenElement ? document.exitFullscreen() : document.documentElement.requestFullscreen();
      change.catch(() => {}); // the browser may refuse; then all stays as it is
    });
    whole.dataset.words = "foyer.whole_screen";
    buttons.append(whole);
  }

  choose(language) {
    if (this.language === language) return;
    this.language = language;
    const address = new URL(location.href);
    address.searchParams.set("language", language);
    history.replaceState(null, "", address);
    this.play.abort();
  }

  /** Answers do not come, or come again. */
  trouble(is) {
    clearTimeout(this.troubled);
    if (!is) this.calmed.hidden = true;
    else this.troubled = setTimeout(() => (this.calmed.hidden = false), (1000 * CALM_AFTER_S) / this.tempo);
  }
}

function buttonOf(text, act) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = text;
  button.addEventListener("click", act);
  return button;
}

new Foyer().start();
