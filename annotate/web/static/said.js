// What was said in this tab, newest last, so that it can be taken back even after the page was loaded again. What was drawn in is
// remembered as such: it was never at hand as a candidate, and taking it back leads nowhere. A group of candidates that were
// dismissed together stands here once, by its name.

const MOST = 200;

export function makeSaid(mark) {
  const key = `leafshade-said:${mark}`;
  const drawnKey = `leafshade-drawn:${mark}`;
  const groupsKey = `leafshade-groups:${mark}`;
  const ids = read(key);
  const drawn = new Set(read(drawnKey));
  const groups = new Map(read(groupsKey)); // name -> ids

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
      sessionStorage.setItem(groupsKey, JSON.stringify([...groups].slice(-MOST)));
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
    addGroup(name, members) {
      groups.set(name, members);
      ids.push(name);
      write();
    },
    // Of a group that came to nothing there is nothing to take back.
    forget(name) {
      const place = ids.indexOf(name);
      if (place >= 0) ids.splice(place, 1);
      write();
    },
    takeLast() {
      const id = ids.pop();
      write();
      return id;
    },
    has: (id) => ids.includes(id),
    isDrawn: (id) => drawn.has(id),
    // The ids of a group, undefined for a single candidate.
    members: (name) => groups.get(name),
  };
}
