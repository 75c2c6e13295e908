// Sends the photos of saved entries one by one, each after its record, and again until the server has answered for it. `isOurs` says
// which photos are to be sent at all, `isHeld` which of them wait for their record to arrive first.

const FINAL = new Set([400, 413, 422]); // what is no photo and never will be
const ANSWER_MS = 120000; // some megabytes over a weak connection
const WAIT_MS = [2000, 5000, 15000, 30000];

export function makePhotoSending({ box, mark, who, isOurs, isHeld, onSent, onRefused, onTurn }) {
  let busy = false;
  let isAskedAgain = false; // a record may arrive while its photo has just been passed over
  let failures = 0;
  let timer = 0;

  async function waiting() {
    return (await box.keys()).filter(isOurs);
  }

  async function flush() {
    if (busy) {
      isAskedAgain = true;
      return;
    }
    busy = true;
    isAskedAgain = false;
    clearTimeout(timer);
    try {
      for (const key of await waiting()) {
        const photo = isHeld(key) ? null : await box.read(key);
        if (!photo) continue;
        const reply = await post(key, photo);
        if (!reply.ok && !reply.final) {
          failures += 1;
          timer = setTimeout(flush, WAIT_MS[Math.min(failures, WAIT_MS.length) - 1]);
          continue;
        }
        failures = 0;
        await box.drop(key);
        if (reply.ok) onSent(key, reply.data);
        else onRefused(key, photo, reply.sentence);
      }
    } finally {
      busy = false;
      onTurn((await waiting()).length);
      if (isAskedAgain) void flush();
    }
  }

  async function post(key, photo) {
    const query = new URLSearchParams({ logbook: mark, entry: key, who: who() });
    if (key.startsWith("observation-")) {
      query.delete("entry");
      query.set("observation", key.split("-")[1]);
    }
    let response;
    try {
      response = await fetch(`/api/seen/photos?${query}`, {
        method: "POST",
        headers: { "Content-Type": "application/octet-stream" },
        body: photo.bytes,
        signal: AbortSignal.timeout?.(ANSWER_MS),
      });
    } catch {
      return { ok: false, final: false };
    }
    let data = {};
    try {
      data = await response.json();
    } catch {
      data = {};
    }
    if (response.ok) return { ok: true, data };
    return { ok: false, final: FINAL.has(response.status), sentence: data.sentence ?? `Answer ${response.status}.` };
  }

  addEventListener("online", () => void flush());
  return { flush, waiting };
}
