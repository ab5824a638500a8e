/** The plates that show a place: sorted by any column, narrowed by any text, some hundred at a time. */

import { startOf } from "./dates.js";
import { node } from "./nodes.js";

const PAGE = 200; // rows that are put into the document at a time

/** Columns: what is shown of a row, and what it is sorted by. */
const COLUMNS = [
  { key: "exposure_id", show: (row) => row.exposure_id },
  { key: "t_min", show: startOf, sort: (row) => row.t_min },
  { key: "t_exptime", number: true, show: (row) => minutesOf(row.t_exptime), sort: (row) => row.t_exptime },
  { key: "certainty", show: (row, words) => certaintyOf(row, words), sort: (row) => (row.certainty === "sure" ? 0 : 1) },
  { key: "centre_distance", number: true, show: (row) => degreesOf(row.centre_distance), sort: (row) => row.centre_distance },
  { key: "edge_distance", number: true, show: (row) => degreesOf(row.edge_distance), sort: (row) => row.edge_distance },
  { key: "series", show: (row) => row.series },
  { key: "telescope", show: (row) => row.telescope },
  { key: "observer", show: (row) => row.observer },
  { key: "object", show: (row) => row.object },
  { key: "shelf", show: (row) => row.shelf },
  { key: "status", show: (row) => row.status },
  { key: "scanned", show: (row, words) => scanOf(row, words) },
];

/**
 * @param {HTMLElement} element
 * @param {{words: Function, onChoose: (row: object | null) => void, hrefOf: (row: object) => string}} options
 */
export function createList(element, { words, onChoose, hrefOf }) {
  let rows = [];
  let found = [];
  let shown = 0;
  let chosen = null;
  let order = { key: "t_min", down: false };

  const narrow = node("input", { type: "search", id: "list-narrow", autocomplete: "off", on: { input: () => arrange() } });
  const said = node("p", { class: "note", "aria-live": "polite" });
  const head = node("tr");
  const body = node("tbody");
  const table = node("table", {}, node("caption", { class: "unseen" }, words("list.caption")), node("thead", {}, head), body);
  const scroll = node("div", { class: "scroll list-scroll", tabindex: "0", role: "region", "aria-label": words("list.caption") }, table);
  const more = node("button", { type: "button", class: "quiet", hidden: true, on: { click: () => extend() } });
  element.replaceChildren(
    node("p", { class: "list-narrow" }, node("label", { for: "list-narrow" }, words("list.narrow")), narrow),
    said, scroll, more,
  );
  scroll.hidden = more.hidden = narrow.parentElement.hidden = true; // until there are rows

  body.addEventListener("click", (event) => {
    const line = event.target.closest("tr");
    if (!line || event.target.closest("a[target]")) return;
    if (event.ctrlKey || event.metaKey || event.shiftKey) return; // the link itself
    event.preventDefault();
    const row = found[Number(line.dataset.at)];
    onChoose(row.plate === chosen ? null : row);
  });

  function columns() {
    return COLUMNS.filter(({ key }) => rows.some((row) => row[key] !== null && row[key] !== undefined));
  }

  function arrange() {
    const wanted = narrow.value.trim().toLowerCase();
    const each = COLUMNS.find(({ key }) => key === order.key) ?? COLUMNS[0];
    const valueOf = each.sort ?? ((row) => each.show(row, words));
    found = wanted ? rows.filter((row) => textOf(row).includes(wanted)) : [...rows];
    found.sort((a, b) => compared(valueOf(a), valueOf(b), order.down));
    head.replaceChildren(...columns().map(headOf));
    body.replaceChildren();
    shown = 0;
    said.textContent = wanted ? words("list.narrowed", { count: found.length, total: rows.length }) : "";
    extend();
  }

  function textOf(row) {
    row.text ??= COLUMNS.map(({ show }) => show(row, words) ?? "").join("\n").toLowerCase();
    return row.text;
  }

  function headOf({ key, number }) {
    const isOrder = order.key === key;
    const sorting = isOrder ? (order.down ? "descending" : "ascending") : "none";
    const button = node("button", {
      type: "button", class: "sorts",
      on: { click: () => {
        order = { key, down: isOrder && !order.down };
        arrange();
        head.querySelector(`[data-key="${key}"]`).focus();
      } },
      "data-key": key,
    }, words(`list.${key}`), node("span", { "aria-hidden": "true" }, isOrder ? (order.down ? " \u2193" : " \u2191") : ""));
    return node("th", { scope: "col", "aria-sort": sorting, class: number ? "n" : null }, button);
  }

  function extend() {
    const upTo = Math.min(found.length, shown + PAGE);
    const listed = columns();
    const lines = document.createDocumentFragment();
    for (let at = shown; at < upTo; at += 1) lines.append(lineOf(found[at], at, listed));
    body.append(lines);
    shown = upTo;
    const left = found.length - shown;
    more.hidden = left === 0;
    more.textContent = words("list.more", { count: Math.min(left, PAGE), left });
  }

  function lineOf(row, at, listed) {
    const cells = listed.map(({ key, number, show }) => {
      const text = show(row, words) ?? "";
      if (key === "exposure_id") {
        return node("th", { scope: "row" }, row.plate ? node("a", { href: hrefOf(row) }, text) : text);
      }
      const scan = key === "scanned" && webAddress(row.access_url);
      const content = scan
        ? node("a", { href: scan, target: "_blank", rel: "noopener noreferrer nofollow" }, words("list.scan"),
          node("span", { class: "unseen" }, ` ${row.exposure_id}`))
        : text;
      return node("td", { class: number ? "n" : key === "t_min" || key === "certainty" ? "d" : null }, content);
    });
    return node("tr", { "data-at": at, class: chosen !== null && row.plate === chosen ? "is-chosen" : null }, ...cells);
  }

  return {
    /** Show rows of /api/exposures. */
    show(given) {
      rows = given;
      scroll.hidden = rows.length === 0;
      narrow.parentElement.hidden = rows.length < 2;
      arrange();
    },
    /** Stress the rows of a plate. */
    choose(plate) {
      chosen = plate || null;
      for (const line of body.children) {
        line.classList.toggle("is-chosen", chosen !== null && found[Number(line.dataset.at)].plate === chosen);
      }
    },
    rows: () => found,
  };
}

function compared(a, b, down) {
  const [noA, noB] = [a === null || a === undefined || a === "", b === null || b === undefined || b === ""];
  if (noA || noB) return Number(noA) - Number(noB); // what is not known comes last, either way
  const order = typeof a === "number" ? a - b : String(a).localeCompare(String(b), undefined, { numeric: true });
  return down ? -order : order;
}

function minutesOf(seconds) {
  return seconds === null || seconds === undefined ? "" : String(Number((seconds / 60).toPrecision(4)));
}

function degreesOf(degrees) {
  return degrees === null || degrees === undefined ? "" : degrees.toFixed(2).replace("-", "\u2212");
}

function certaintyOf(row, words) {
  if (!row.certainty) return "";
  if (row.certainty === "sure") return words("list.sure");
  const margin = row.margin ? ` (\u00b1${Number(row.margin.toPrecision(2))}\u00b0)` : "";
  return `${words("list.marginal")}${margin}`;
}

function scanOf(row, words) {
  if (webAddress(row.access_url)) return words("list.scan");
  if (row.scanned === "yes") return words("list.scanned_yes");
  return row.scanned === "no" ? words("list.not_scanned") : "";
}

/** The text if it is an address on the web; null for anything else a log may hold. */
export function webAddress(text) {
  try {
    const address = new URL(String(text ?? "").trim());
    return ["http:", "https:"].includes(address.protocol) && address.hostname ? address.href : null;
  } catch {
    return null;
  }
}
