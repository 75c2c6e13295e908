// What was said and not yet known to be in the logbook. Each entry is kept in the browser's storage until the server has
// answered for it, so that a lost connection, a closed tab or a restarted server loses nothing. Entries go one by one, in
// the order given, each under a key of its own: the server takes a repeated key once.

const FINAL = new Set([400, 404, 413, 422]); // what can never be taken as it is; everything else may be, later or elsewhere
const ANSWER_MS = 30000; // a phone that walked out of reach would otherwise wait for minutes before trying again
const WAITS_MS = [1000, 2000, 4000, 8000, 15000]; // doubling, then steady: quick after a hiccup, sparing in a long outage

let storage = null;
try {
  storage = window.localStorage;
} catch {
  storage = null; // Storage is closed to this page; entries then live as long as the page.
}

// `mark` tells logbooks apart: what was said of one must never be sent to another that is served at the same address.
// `box` keeps the pages apart that answer for their entries in ways of their own.
export function makeOutbox({ mark, box = "out", onAnswer, onRefused, onTrouble, onCalm }) {
  const prefix = `leafshade-${box}:${mark}:`;
  const entries = readKept();
  let busy = false;
  let failures = 0;
  let timer = 0;

  function readKept() {
    if (!storage) return [];
    return Object.keys(storage)
      .filter((key) => key.startsWith(prefix))
      .sort()
      .flatMap((key) => {
        try {
          return [JSON.parse(storage.getItem(key))];
        } catch {
          return []; // Not written here; left as it is.
        }
      });
  }

  function add(address, body) {
    const key = `${String(Date.now()).padStart(15, "0")}-${Math.random().toString(36).slice(2, 12)}`;
    const entry = { key, address, body: { ...body, key, logbook: mark } };
    entries.push(entry);
    try {
      storage?.setItem(prefix + key, JSON.stringify(entry));
    } catch {
      // The storage is full; the entry then lives as long as the page.
    }
    void flush();
    return entry;
  }

  function drop(entry) {
    const place = entries.indexOf(entry);
    if (place >= 0) entries.splice(place, 1);
    storage?.removeItem(prefix + entry.key);
  }

  async function flush() {
    if (busy) return;
    busy = true;
    clearTimeout(timer);
    try {
      while (entries.length) {
        const entry = entries[0];
        const reply = await post(entry.address, entry.body);
        if (reply.ok) {
          drop(entry);
          onAnswer(entry, reply.data);
        } else if (reply.final) {
          drop(entry);
          onRefused(entry, reply.sentence);
        } else {
          failures += 1;
          const wait = WAITS_MS[Math.min(failures, WAITS_MS.length) - 1];
          timer = setTimeout(flush, wait);
          onTrouble(entries.length, reply.sentence);
          return;
        }
        if (failures) onCalm();
        failures = 0;
      }
    } finally {
      busy = false;
    }
  }

  addEventListener("online", () => void flush());
  return { add, flush, holds: (test) => entries.some(test), count: () => entries.length, list: () => [...entries] };
}

export async function post(address, body) {
  let response;
  try {
    response = await fetch(address, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout?.(ANSWER_MS),
    });
  } catch {
    return { ok: false, final: false, sentence: "The server does not answer." };
  }
  let data = {};
  try {
    data = await response.json();
  } catch {
    data = {};
  }
  if (response.ok) return { ok: true, data };
  const sentence = data.sentence ?? `The server could not take it (answer ${response.status}).`;
  return { ok: false, final: FINAL.has(response.status), sentence };
}
