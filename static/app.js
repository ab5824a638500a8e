/**
 * The page, alive: it takes over what the server has drawn, and asks only for what has changed.
 * The address holds what is shown; everything here follows it.
 */

import { Refusal, createAsk, onlyNewest } from "./ask.js";
import { createList } from "./list.js";
import { node } from "./nodes.js";
import { createPlate } from "./plate.js";
import { createPlay } from "./play.js";
import { requestTexts, showRequests } from "./requests.js";
import { createSky } from "./sky/sky.js";
import { canBeLog } from "./sky/scale.js";
import { VIEW, createStore } from "./state.js";
import { createTime } from "./time.js";
import { loadWords } from "./words.js";

const ROWS = 5_000; // in the list; more are in the files
const OUTLINES = 400; // on the sky
const FINER_ZOOM = 2.5; // from which the finer map is fetched
const REST_MS = 250; // after a movement of the sky, before it is noted in the address
const DRAG_MS = 90; // between questions while a span is dragged
const FOLLOWS = ["show", "steps"];

const facts = JSON.parse(document.getElementById("facts").textContent);
const root = document.documentElement.dataset.root ?? "";
const byId = (id) => document.getElementById(id);
const still = matchMedia("(prefers-reduced-motion: reduce)");

async function start() {
  const store = createStore(["place", "radius", "show", ...facts.filters, ...VIEW]);
  const ask = createAsk({ root, onTrouble: trouble, onEdition: newEdition });
  const [words, lines] = await Promise.all([loadWords(store.get().language || undefined), ask("/page/lines")]);
  document.documentElement.classList.add("is-live");
  for (const each of document.querySelectorAll("[data-live]")) each.hidden = false;
  for (const each of document.querySelectorAll("[data-still]")) each.hidden = true;

  const sky = createSky(byId("sky"), { words, lines, reduceMotion: still.matches, aim: aimOf(store.get()) });
  byId("sky-legend").replaceChildren(sky.legend);
  const time = createTime(byId("time"), { words, colours: facts.colours, onSpan: spanned });
  const list = createList(byId("list"), {
    words, onChoose: (row) => store.set({ plate: row?.plate ?? "" }, { push: true }),
    hrefOf: (row) => `${root}/plates/${encodeURIComponent(row.plate)}`,
  });
  const plate = createPlate(byId("plate"), { words, root, onClose: () => store.set({ plate: "" }, { push: true }) });
  let place = null; // what the place was taken for
  let wholeScale = null; // ends of the legend while years pass

  // ---- questions -----------------------------------------------------------------------------

  const filtersOf = (state, without = []) => Object.fromEntries(
    facts.filters.filter((name) => !without.includes(name)).map((name) => [name, state[name]]),
  );
  const shownOf = (state) => (facts.quantities.includes(state.show) ? state.show : facts.quantities[0]);
  const orderOf = (state) => (Number(state.zoom || 1) >= FINER_ZOOM ? 7 : 6);
  const cellsOf = async (state, more, signal) => {
    const asked = { show: shownOf(state), order: orderOf(state), ...filtersOf(state, ["certainty"]), ...more };
    return new Float32Array(await ask("/page/cells", asked, { signal, kind: "bytes" }));
  };

  const drawCells = onlyNewest(async (signal) => {
    const state = store.get();
    const values = await cellsOf(state, {}, signal);
    sky.showCells({ values, quantity: shownOf(state), steps: state.steps || undefined });
    byId("steps").disabled = !canBeLog(shownOf(state));
    byId("sky").removeAttribute("aria-busy");
  });

  const findPlace = onlyNewest(async (signal) => {
    const { place: text, radius } = store.get();
    if (!text) place = null;
    else place = await ask("/page/place", { place: text, radius }, { signal });
    sky.setRegion(place && place.kind !== "none" ? place : null);
    if (place && place.kind !== "none") sky.fit(place);
    posters(store.get());
    note();
    await Promise.all([drawYears(), drawList()]);
  });

  const drawYears = onlyNewest(async (signal) => {
    const answer = await ask("/api/epochs", { ...regionOf(), ...filtersOf(store.get(), ["from", "to"]) }, { signal });
    time.show(answer);
    time.setSpan(spanOf(store.get()));
  });

  const drawList = onlyNewest(async (signal) => {
    const state = store.get();
    const isAsked = Boolean(place) || facts.filters.some((name) => state[name]);
    byId("list-part").hidden = !isAsked;
    byId("series-part")?.toggleAttribute("hidden", isAsked);
    if (!isAsked) {
      sky.setOutlines([]);
      say(null);
      return;
    }
    byId("list").setAttribute("aria-busy", "true");
    const asked = { ...regionOf(), ...filtersOf(state) };
    const [answer, drawn] = await Promise.all([
      ask("/api/exposures", { ...asked, maxrec: ROWS }, { signal }),
      place ? ask("/page/outlines", { place: state.place, radius: state.radius, ...filtersOf(state), most: OUTLINES }, { signal }) : null,
    ]);
    say(answer, drawn?.total);
    list.show(answer.exposures);
    list.choose(state.plate);
    sky.setOutlines(drawn?.outlines ?? [], outlineOfPlate(state.plate));
    byId("list").removeAttribute("aria-busy");
    requests(asked);
  });

  const drawPlate = onlyNewest(async (signal) => {
    const { plate: designation } = store.get();
    list.choose(designation);
    sky.choose(outlineOfPlate(designation));
    if (!designation) plate.hide();
    else await plate.show(designation, signal);
  });

  /** The exposure whose outline stands for a plate. */
  function outlineOfPlate(designation) {
    return designation ? list.rows().find((row) => row.plate === designation)?.exposure_id ?? null : null;
  }

  const regionOf = () => (place ? { region: place.region } : { region: "all" });

  // ---- words ---------------------------------------------------------------------------------

  function note() {
    byId("named").textContent = place?.named ? words("board.taken_for", { name: place.named }) : "";
  }

  function say(answer, total) {
    const sum = byId("sum");
    if (!answer) {
      sum.textContent = sum.dataset.whole;
      return;
    }
    const count = total ?? answer.count;
    const where = place?.words ?? words("board.the_sky");
    const sure = answer.exposures.filter((row) => row.certainty === "sure").length;
    const parts = [count ? words("board.found", { count, place: where }) : words("board.none", { place: where })];
    if (count && place && !answer.truncated && facts.hasCertainty) parts.push(words("board.sureness", { sure, rest: count - sure }));
    if (answer.truncated) parts.push(words("board.truncated", { count: answer.count }));
    sum.textContent = parts.join(" ");
  }

  function requests(asked) {
    const absolute = new URL(ask.addressOf("/api/exposures", asked), location.href).href;
    const downloads = byId("downloads");
    downloads.replaceChildren(words("board.download"), " ", ...["csv", "votable", "ecsv"].flatMap((form) => [
      node("a", { href: ask.addressOf("/api/exposures", { ...asked, maxrec: facts.maxrec, format: form }) }, words(`board.form_${form}`)), " ",
    ]));
    showRequests(byId("requests"), requestTexts(absolute, asked), words);
  }

  // ---- what the visitor does -----------------------------------------------------------------

  sky.on("place", ({ ra, dec }) => {
    store.set({ place: `${ra.toFixed(3)} ${dec.toFixed(3)}`, plate: "" }, { push: true });
  });
  sky.on("polygon", (corners) => {
    const text = corners.map(([ra, dec]) => `${ra.toFixed(3)} ${dec.toFixed(3)}`).join(" ");
    store.set({ place: `polygon ${text}`, radius: "", plate: "" }, { push: true });
  });
  sky.on("sketch", ({ drawing, corners }) => {
    byId("draw").setAttribute("aria-pressed", String(drawing));
    byId("sky-said").textContent = drawing ? words("board.drawing", { count: corners }) : "";
  });
  sky.on("hover", (at) => {
    if (byId("draw").getAttribute("aria-pressed") === "true") return;
    byId("sky-said").textContent = at ? `${at.text}${at.said ? `: ${at.said}` : ""}` : "";
  });
  let noted = 0;
  sky.on("view", (view) => {
    clearTimeout(noted);
    noted = setTimeout(() => store.set({
      sky: view.projection === "globe" ? "globe" : "", ra: view.ra.toFixed(2), dec: view.dec.toFixed(2),
      zoom: view.zoom === 1 ? "" : view.zoom.toFixed(2),
    }), REST_MS);
  });
  byId("draw").addEventListener("click", () => sky.draw(byId("draw").getAttribute("aria-pressed") === "true" ? null : "polygon"));
  byId("globe").addEventListener("click", () => {
    store.set({ sky: store.get().sky === "globe" ? "" : "globe", zoom: "" }, { push: true });
  });
  byId("steps").addEventListener("change", () => store.set({ steps: byId("steps").value }, { push: true }));

  const form = byId("ask");
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    store.set({ ...Object.fromEntries(new FormData(form)), plate: "" }, { push: true });
  });
  form.addEventListener("change", (event) => {
    const { name, value } = event.target;
    if (name && name !== "place" && name !== "radius") store.set({ [name]: value }, { push: true });
  });

  let lastDrag = 0;
  function spanned(span, isDone) {
    play.stop();
    const now = performance.now();
    if (!isDone && now - lastDrag < DRAG_MS) return;
    lastDrag = now;
    store.set(span ? { from: span[0], to: span[1] } : { from: "", to: "" }, { push: isDone });
  }

  const play = createPlay({
    fetchYear: (year, signal) => cellsOf(store.get(), { to: year, order: 6 }, signal),
    showYear: (year, values) => {
      const state = store.get();
      sky.showCells({ values, quantity: shownOf(state), steps: state.steps || undefined, range: wholeScale });
      time.setNow(year);
      byId("sky-said").textContent = words("board.until", { year: String(year) });
    },
    ended: () => {
      time.setNow(null);
      byId("play").setAttribute("aria-pressed", "false");
      byId("sky-said").textContent = "";
      run(drawCells);
    },
    stepping: () => still.matches,
  });
  byId("play").addEventListener("click", () => {
    if (play.isRunning() && !still.matches) {
      play.stop();
      return;
    }
    if (!time.bins.length) return;
    const [first, last] = spanOf(store.get()) ?? [time.first, time.last];
    if (!play.isRunning()) {
      const { scale } = sky.cells;
      wholeScale = [scale.low, scale.high];
      byId("play").setAttribute("aria-pressed", "true");
    }
    play.go(first, last);
  });

  // ---- following the address -----------------------------------------------------------------

  function run(work) {
    byId("fault").hidden = true;
    work().catch((fault) => {
      if (!(fault instanceof Refusal)) throw fault;
      byId("fault").textContent = fault.message;
      byId("fault").hidden = false;
    });
  }

  function fillForm(state) {
    for (const field of form.elements) {
      if (!field.name || document.activeElement === field) continue;
      const value = field.name === "show" ? shownOf(state) : state[field.name] ?? "";
      if (field.tagName === "SELECT" && value && ![...field.options].some((option) => option.value === value)) {
        field.append(new Option(value, value));
      }
      field.value = value;
    }
    byId("steps").value = state.steps;
    posters(state);
    byId("globe").setAttribute("aria-pressed", String(state.sky === "globe"));
    byId("sky").dataset.projection = state.sky === "globe" ? "globe" : "whole";
  }

  /** Posters of what is shown. */
  function posters(state) {
    const asked = { paper: "a3", format: "pdf", ...filtersOf(state, ["certainty"]) };
    byId("poster-map").href = ask.addressOf("/api/poster", { show: shownOf(state), ...asked });
    byId("poster-years").href = ask.addressOf("/api/poster", { show: "epochs", ...asked, ...(place ? { region: place.region } : {}) });
  }

  store.on(null, fillForm);
  store.on([...FOLLOWS, ...facts.filters], (_, changed) => {
    if ([...changed].every((name) => name === "certainty")) return;
    play.stop();
    run(drawCells);
  });
  store.on(["place", "radius"], () => run(findPlace));
  store.on(facts.filters, (_, changed) => {
    if (changed.has("place") || changed.has("radius")) return;
    if ([...changed].some((name) => name !== "from" && name !== "to")) run(drawYears);
    else time.setSpan(spanOf(store.get()));
    run(drawList);
  });
  store.on(["plate"], () => run(drawPlate));
  store.on(["sky", "ra", "dec", "zoom"], (state, changed) => {
    sky.setView(aimOf(state));
    if (changed.has("zoom") && sky.cells && sky.cells.order !== orderOf(state)) run(drawCells);
  });

  let fresh = "";
  function newEdition(edition) {
    fresh = words("board.new_edition", { edition });
    byId("trouble").textContent = fresh;
    byId("trouble").hidden = false;
    play.stop();
    for (const work of [drawCells, findPlace]) run(work);
  }

  function trouble(is) {
    byId("trouble").textContent = is ? words("board.trouble") : fresh;
    byId("trouble").hidden = !is && !fresh;
    byId("trouble").classList.toggle("is-over", !is);
  }

  fillForm(store.get());
  run(drawCells);
  run(findPlace);
  if (store.get().plate) run(drawPlate);
  document.documentElement.dataset.ready = "yes";
}

function aimOf(state) {
  return {
    projection: state.sky === "globe" ? "globe" : "whole",
    ra: Number(state.ra || 0), dec: Number(state.dec || 0), zoom: Number(state.zoom || 1),
  };
}

/** Whole years of a span in the address; null where there is none, or it is not of years alone. */
function spanOf({ from, to }) {
  if (!from && !to) return null;
  const [first, last] = [from || facts.years[0], to || facts.years[1]].map((text) => Number(String(text).slice(0, 4)));
  return Number.isInteger(first) && Number.isInteger(last) && first <= last ? [first, last] : null;
}

start();
