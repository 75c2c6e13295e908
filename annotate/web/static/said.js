// What was said in this tab, newest last, so that it can be taken back even after the page was loaded again. What was drawn in is
// remembered as such: it was never at hand as a candidate, and taking it back leads nowhere.

const MOST = 200;

export function makeSaid(mark) {
  const key = `leafshade-said:${mark}`;
  const drawnKey = `leafshade-drawn:${mark}`;
  const ids = read(key);
  const drawn = new Set(read(drawnKey));

  function read(name) {
    try {
      return JSON.parse(sessionStorage.getItem(name) ?? "[]");
    } catch {
      return [];
    }
  }

  function write() {
    try {
      sessionStorage.setItem(key, JSON.stringify(ids.slice(-MOST)));
      sessionStorage.setItem(drawnKey, JSON.stringify([...drawn].slice(-MOST)));
    } catch {
      // Undo then works until the page is left.
    }
  }

  return {
    add(id, { isDrawn = false } = {}) {
      const place = ids.indexOf(id);
      if (place >= 0) ids.splice(place, 1);
      ids.push(id);
      if (isDrawn) drawn.add(id);
      write();
    },
    takeLast() {
      const id = ids.pop();
      write();
      return id;
    },
    has: (id) => ids.includes(id),
    isDrawn: (id) => drawn.has(id),
  };
}
