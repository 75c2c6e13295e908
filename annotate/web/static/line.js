// The line of cards: the one at hand, those shown before it, those fetched ahead, those put off. It fetches cards and their
// pictures early, so that the next one is already there; it draws nothing.

import { fetchPictures } from "./looking.js";

const AHEAD = 4; // cards held ready: enough for a burst of quick answers, few enough to stay current
const MOST_BEFORE = 200;

// `source` is where cards are asked for.
export function makeLine({ first, mark, address, onArrived, source }) {
  const beforeKey = `leafshade-before:${mark}`;
  const turnsKey = `leafshade-turns:${mark}`;
  let card = first;
  let ahead = [];
  let filling = null;
  const shown = new Map([[first.id, first]]);
  const before = readBefore(); // ids, oldest first; the cards of this visit to the page are in `shown`
  const later = new Set();
  let turns = readTurns() + 1; // cards that came in this tab: by them the server tells when one comes that is chosen to teach
  const settled = new Set(); // answered here, perhaps not yet known to the server

  function fill() {
    filling ??= fetchMore().finally(() => (filling = null));
    return filling;
  }

  async function fetchMore() {
    const wanted = AHEAD - ahead.length;
    if (wanted <= 0) return;
    const out = new Set([card.id, ...ahead.map((one) => one.id), ...later, ...settled]);
    let cards = await ask(out, wanted);
    if (!cards.length && !ahead.length && later.size) {
      for (const id of later) if (id !== card.id) out.delete(id);
      later.clear();
      cards = await ask(out, wanted);
    }
    for (const next of cards) {
      if (next.id === card.id || settled.has(next.id) || ahead.some((one) => one.id === next.id)) continue;
      ahead.push(next);
      turns += 1;
      void fetchPictures(next);
      onArrived(next);
    }
  }

  async function ask(out, limit) {
    const reply = await fetch(address(source, { except: [...out].join(","), limit, turn: turns }));
    const data = await reply.json();
    if (!reply.ok) throw new Error(data.sentence);
    return data.cards;
  }

  // Returns the next card, null where none is left; throws where it cannot be fetched.
  async function goOn() {
    if (!ahead.length) await fill();
    const next = ahead.shift();
    if (!next) return null;
    before.push(card.id);
    take(next);
    fill().catch(() => undefined); // tried again, and told, when the cards run out
    return next;
  }

  // The page is left for a while: the card at hand is then one of those before.
  function leave() {
    before.push(card.id);
    writeBefore();
  }

  // Returns the card before, an id where its card is not held any more, null where there is none.
  function goBack() {
    const id = before.pop();
    if (id === undefined) return null;
    writeBefore();
    const earlier = shown.get(id);
    if (!earlier) return id;
    putFirst(card);
    return take(earlier);
  }

  function goTo(other) {
    if (other !== card) {
      putFirst(card);
      const place = before.lastIndexOf(other.id);
      if (place >= 0) before.splice(place, 1);
    }
    return take(other);
  }

  function putFirst(one) {
    if (!one.verdict && !ahead.includes(one)) ahead.unshift(one);
  }

  function take(next) {
    card = next;
    ahead = ahead.filter((one) => one !== next);
    shown.set(card.id, card);
    writeBefore();
    return card;
  }

  function writeBefore() {
    try {
      sessionStorage.setItem(beforeKey, JSON.stringify(before.slice(-MOST_BEFORE)));
      sessionStorage.setItem(turnsKey, String(turns - 1 - ahead.length));
    } catch {
      // Going back then works until the page is left.
    }
  }

  function readTurns() {
    try {
      return Math.max(0, Number.parseInt(sessionStorage.getItem(turnsKey) ?? "0", 10)) || 0;
    } catch {
      return 0;
    }
  }

  function readBefore() {
    try {
      return JSON.parse(sessionStorage.getItem(beforeKey) ?? "[]").filter((id) => id !== first.id);
    } catch {
      return [];
    }
  }

  return {
    fill,
    goOn,
    goBack,
    goTo,
    leave,
    get card() {
      return card;
    },
    find: (id) => shown.get(id) ?? ahead.find((one) => one.id === id),
    settle: (id) => settled.add(id),
    unsettle: (id) => settled.delete(id),
    isSettled: (id) => settled.has(id),
    putOff: (id) => later.add(id),
    drop(id) {
      ahead = ahead.filter((one) => one.id !== id);
    },
  };
}
