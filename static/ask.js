/**
 * Questions to the server: with a time limit, and asked again until they are answered when the
 * server is slow, down or starting anew. One watch over all of them says so, and that it is over.
 */

const PATIENCE_MS = 20_000; // for one answer
const WAITS_MS = [700, 1_500, 3_000, 6_000, 10_000]; // before asking again; the last goes on
const EDITION = "Platecover-Edition";

/** An answer that says what is wrong with the question. */
export class Refusal extends Error {}

/**
 * @param {{root?: string, onTrouble?: (is: boolean) => void, onEdition?: (edition: string) => void}} options
 *   `onTrouble` is told when answers fail to come and when they come again; `onEdition` when answers
 *   are of another edition than before.
 */
export function createAsk({ root = "", onTrouble = () => {}, onEdition = () => {} } = {}) {
  let edition = null;
  let waiting = 0; // questions that have failed at least once and are not answered yet

  /**
   * @param {string} path @param {Record<string, string|number>} values '' is left out
   * @param {{signal?: AbortSignal, kind?: "json"|"bytes"}} [options]
   */
  async function ask(path, values = {}, { signal, kind = "json" } = {}) {
    const address = addressOf(path, values);
    let failures = 0;
    try {
      for (;;) {
        const answer = await attempt(address, signal, kind);
        if (answer) {
          seeEdition(answer.edition);
          if (answer.refused) throw new Refusal(answer.refused);
          return answer.body;
        }
        failures += 1;
        if (failures === 1 && (waiting += 1) === 1) onTrouble(true);
        await pause(WAITS_MS[Math.min(failures, WAITS_MS.length) - 1], signal);
      }
    } finally {
      if (failures > 0 && (waiting -= 1) === 0) onTrouble(false);
    }
  }

  /** Address of a question. */
  function addressOf(path, values = {}) {
    const given = Object.entries(values).filter(([, value]) => value !== "" && value !== null && value !== undefined);
    const query = new URLSearchParams(given.map(([name, value]) => [name, String(value)])).toString();
    return `${root}${path}${query ? `?${query}` : ""}`;
  }

  function seeEdition(seen) {
    if (!seen) return;
    const before = edition;
    edition = seen;
    if (before && before !== seen) onEdition(seen);
  }

  return Object.assign(ask, { addressOf });
}

/** One attempt; null if it is worth another. */
async function attempt(address, signal, kind) {
  const limit = AbortSignal.timeout(PATIENCE_MS);
  try {
    const answer = await fetch(address, { signal: signal ? AbortSignal.any([signal, limit]) : limit });
    if (answer.status >= 500 || answer.status === 429) return null;
    const edition = answer.headers.get(EDITION);
    if (!answer.ok) return { edition, refused: await reasonOf(answer) };
    return { edition, body: kind === "bytes" ? await answer.arrayBuffer() : await answer.json() };
  } catch (fault) {
    if (signal?.aborted) throw fault;
    return null; // no connection, cut off, or too slow
  }
}

/** Why a question was refused, in the server's words. */
async function reasonOf(answer) {
  const text = await answer.text();
  try {
    return JSON.parse(text).error.message;
  } catch {
    return text.trim().slice(0, 500) || String(answer.status);
  }
}

function pause(milliseconds, signal) {
  return new Promise((resolve, reject) => {
    const broken = () => {
      clearTimeout(timer);
      reject(signal.reason);
    };
    const timer = setTimeout(() => {
      signal?.removeEventListener("abort", broken);
      resolve();
    }, milliseconds);
    signal?.addEventListener("abort", broken, { once: true });
  });
}

/** Runs the newest of a kind of work only: what was begun before is broken off. */
export function onlyNewest(work) {
  let running = null;
  return async (...given) => {
    running?.abort();
    const mine = new AbortController();
    running = mine;
    try {
      return await work(mine.signal, ...given);
    } catch (fault) {
      if (mine.signal.aborted) return undefined;
      throw fault;
    }
  };
}
