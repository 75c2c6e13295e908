// When the review turns to a plain frame: at the places that the server has mixed in, counted by the answers given. The frame itself
// has a page of its own, to which this leads, and what is said there can be taken back from here.

import { makeOutbox } from "./outbox.js";

const SENT_MS = 1500; // what was just said is sent within this; where it is not, the review goes on with what it holds
const LOOK_MS = 25;
const SAID_PLAIN = "plain:"; // begins what stands for a plain frame among the things said

export const PLAIN_BOX = "plain";

// One entry of what was said in this tab: the frame, and what was drawn into it.
export const writeSaid = (frame, candidate) => `${SAID_PLAIN}${frame}:${candidate}`;
export const isSaidOfPlain = (id) => typeof id === "string" && id.startsWith(SAID_PLAIN);
export const readSaid = (id) => id.slice(SAID_PLAIN.length).split(":").map(Number);

const lastKey = (mark) => `leafshade-plain-last:${mark}`;

// What the page that comes next tells at its edge.
export function keepLast(mark, words, { undo = false } = {}) {
  try {
    sessionStorage.setItem(lastKey(mark), JSON.stringify({ words, undo }));
  } catch {
    // The next page then tells nothing of it.
  }
}

export function takeLast(mark) {
  try {
    const last = JSON.parse(sessionStorage.getItem(lastKey(mark)) ?? "null");
    sessionStorage.removeItem(lastKey(mark));
    return last;
  } catch {
    return null;
  }
}

// Sends what was said so far; tells whether the server has it all, which it mostly has at once.
export async function sendAll(outbox) {
  const until = Date.now() + SENT_MS;
  void outbox.flush();
  while (outbox.count() && Date.now() < until) await new Promise((resolve) => setTimeout(resolve, LOOK_MS));
  return !outbox.count();
}

// `waiting` is how many answers were still to be sent when the page came.
export function makePlainTurn({ plan, mark, waiting, address, name, saying, said }) {
  const passedKey = `leafshade-plain-passed:${mark}`;
  let given = plan.given + waiting;
  let passed = readPassed(); // the last place at which a plain frame was shown
  const outbox = makeOutbox({ mark, box: PLAIN_BOX, onAnswer, onRefused, onTrouble: () => undefined, onCalm: () => undefined });

  // Left over from a page of a plain frame that was closed too soon.
  void outbox.flush();

  function readPassed() {
    try {
      return Number.parseInt(sessionStorage.getItem(passedKey) ?? "-1", 10);
    } catch {
      return -1;
    }
  }

  function isDue() {
    return plan.places.some((place) => place > passed && place <= given);
  }

  function onAnswer(entry, data) {
    const { window: frame, answer } = entry.body;
    if (answer === "open") location.assign(address(`/plain/${frame}`));
    else said.add(writeSaid(frame, data.plain.candidate));
  }

  function onRefused(entry, sentence) {
    saying.trouble(sentence, "Seen");
  }

  // Leads to the plain frame, once the server has what was said so far; tells whether it does.
  async function leave(sent, line) {
    if (!(await sendAll(sent))) return false;
    passed = given;
    try {
      sessionStorage.setItem(passedKey, String(passed));
    } catch {
      return false; // It would come again and again.
    }
    line.leave();
    location.assign(address("/plain", { reviewer: name() }));
    return true;
  }

  // A page that the browser kept as it was left would still be on its way.
  addEventListener("pageshow", (event) => event.persisted && location.reload());

  return {
    isDue,
    leave,
    count: (answers) => (given += answers),
    owns: isSaidOfPlain,
    takeBack(id) {
      const [frame, candidate] = readSaid(id);
      outbox.add(address("/api/plain/answers"), { window: frame, answer: "open", candidate, reviewer: name() });
    },
    tellLast() {
      const last = takeLast(mark);
      if (last) saying.said(last.words, { undo: last.undo });
    },
  };
}
