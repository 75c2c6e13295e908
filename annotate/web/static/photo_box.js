// Photos that wait to be sent, in the browser's database: too large for the storage that keeps the entries. Each stands under the key
// of its entry. Where the database is closed to the page, photos live as long as the page.

const NAME = "leafshade-photos";
const STORE = "photos";

function openBase() {
  return new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE);
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
    asked.onblocked = () => reject(new Error("blocked"));
  });
}

export function makePhotoBox(mark) {
  const loose = new Map();
  let base = null;
  try {
    base = openBase().catch(() => null);
  } catch {
    base = Promise.resolve(null);
  }

  // Bytes, not the file: a file that its owner deletes or changes meanwhile could not be read any more.
  async function keep(key, file) {
    const photo = { key: `${mark}:${key}`, bytes: await file.arrayBuffer(), name: file.name, type: file.type };
    loose.set(photo.key, photo);
    if (await run("readwrite", (store) => store.put(photo, photo.key))) loose.delete(photo.key);
  }

  async function run(mode, act) {
    const opened = await base;
    if (!opened) return null;
    return new Promise((resolve) => {
      let asked = null;
      try {
        const turn = opened.transaction(STORE, mode);
        asked = act(turn.objectStore(STORE));
        turn.oncomplete = () => resolve({ result: asked.result });
        turn.onabort = turn.onerror = () => resolve(null);
      } catch {
        resolve(null);
      }
    });
  }

  return {
    keep,
    async read(key) {
      const name = `${mark}:${key}`;
      const found = await run("readonly", (store) => store.get(name));
      return found?.result ?? loose.get(name) ?? null;
    },
    async drop(key) {
      loose.delete(`${mark}:${key}`);
      await run("readwrite", (store) => store.delete(`${mark}:${key}`));
    },
    async keys() {
      const found = await run("readonly", (store) => store.getAllKeys());
      const all = new Set([...(found?.result ?? []), ...loose.keys()]);
      return [...all].filter((key) => key.startsWith(`${mark}:`)).map((key) => key.slice(mark.length + 1));
    },
  };
}
