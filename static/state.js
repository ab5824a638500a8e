/**
 * What the page shows, kept in the address: a view can be shared, and back and forward work.
 * Every value is a text, '' where nothing is asked; names are those of the form.
 */

/** Names of the view, besides place, radius, show and the filters. */
export const VIEW = ["sky", "ra", "dec", "zoom", "steps", "plate", "language", "foyer"];

/**
 * @param {string[]} names all that may stand in the address; others are left as they are
 * @param {Window} [page]
 */
export function createStore(names, page = window) {
  let state = read(page.location.search, names);
  const listeners = [];

  const tell = (before) => {
    const changed = new Set(names.filter((name) => before[name] !== state[name]));
    if (!changed.size) return;
    for (const { of, act } of listeners) {
      if (!of || of.some((name) => changed.has(name))) act(state, changed);
    }
  };
  page.addEventListener("popstate", () => {
    const before = state;
    state = read(page.location.search, names);
    tell(before);
  });

  return {
    get: () => ({ ...state }),

    /** Change some values; `push` makes a step that the back button takes back. */
    set(changes, { push = false } = {}) {
      const before = state;
      state = { ...state };
      for (const [name, value] of Object.entries(changes)) state[name] = String(value ?? "").trim();
      if (names.every((name) => before[name] === state[name])) return;
      const address = `${page.location.pathname}${write(page.location.search, names, state)}${page.location.hash}`;
      if (push) page.history.pushState(null, "", address);
      else page.history.replaceState(null, "", address);
      tell(before);
    },

    /** Call `act(state, changed names)` when any of `of` changes (null: whatever does). */
    on(of, act) {
      const listener = { of, act };
      listeners.push(listener);
      return () => listeners.splice(listeners.indexOf(listener), 1);
    },
  };
}

/** Values in an address; of a repeated name all, parted by commas, as the API takes them. */
export function read(search, names) {
  const given = new URLSearchParams(search);
  return Object.fromEntries(names.map((name) => [name, given.getAll(name).map((text) => text.trim())
    .filter(Boolean).join(",")]));
}

function write(search, names, state) {
  const kept = new URLSearchParams(search);
  for (const name of names) {
    kept.delete(name);
    if (state[name]) kept.set(name, state[name]);
  }
  const text = kept.toString();
  return text ? `?${text}` : "";
}
