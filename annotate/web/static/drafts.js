// Drawings that were left without being kept, or that the logbook is not yet known to have. They outlive a reload of this tab, and
// no more: what was kept is sent by the outbox.

const MOST = 50; // outlines; the oldest go first

// `mark` tells logbooks apart that are served at the same address.
export function makeDrafts(mark) {
  const key = `leafshade-drafts:${mark}`;
  let kept = new Map();
  try {
    kept = new Map(JSON.parse(sessionStorage.getItem(key) ?? "[]"));
  } catch {
    // Storage is closed or broken; drafts then live as long as the page.
  }

  function write() {
    try {
      if (kept.size) sessionStorage.setItem(key, JSON.stringify([...kept].slice(-MOST)));
      else sessionStorage.removeItem(key);
    } catch {
      // As above.
    }
  }

  return {
    get: (name) => kept.get(name),
    names: () => [...kept.keys()],
    set(name, points) {
      kept.delete(name);
      kept.set(name, points);
      write();
    },
    delete(name) {
      if (kept.delete(name)) write();
    },
  };
}
