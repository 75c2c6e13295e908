// The way through the candidates: the next one comes, one goes back or puts one off, what was said is sent, and a silent server is
// told of. Where it asks, sends to and writes down is given by the page: it knows no address of the server and no verdicts of
// others, so that a blind reading can go by it.

import { makeLine } from "./line.js";
import { makeOutbox } from "./outbox.js";
import { address, find, state } from "./page_state.js";
import { makeSaid } from "./said.js";

const LOOK_FOR_FIRST_MS = 10000;

export const SAID = { confirm: "Confirmed", dismiss: "Dismissed", unsure: "Unsure of" };

// `source` is where cards are asked for, `mark` and `box` tell apart what is kept in this browser. `turnAside` may lead away before the
// next candidate comes; `isHeld` says whether something about the one at hand is still to be said.
export function makeCourse({
  source,
  mark,
  box,
  saying,
  name,
  show,
  onArrived,
  onAnswer,
  onRefused,
  words,
  turnAside = async () => false,
  onStuck = () => undefined,
  isHeld = () => false,
}) {
  const outbox = makeOutbox({ mark: state.logbook, box, onAnswer: hear, onRefused, onTrouble, onCalm });
  const line = makeLine({ first: state.card, mark, address, source, onArrived });
  const said = makeSaid(mark);
  let isMoving = false;
  let isOver = false;

  function send(path, body) {
    outbox.add(address(path), { ...body, reviewer: name() });
  }

  function hear(entry, data) {
    if (data.sense) find("sense").textContent = data.sense;
    onAnswer(entry, data);
    leaveIfDone();
  }

  // ---- going

  async function goOn() {
    if (isMoving) return;
    isMoving = true;
    if (await turnAside()) return;
    try {
      const next = await line.goOn();
      if (next) show(next);
      else await finish();
    } catch {
      onStuck();
      saying.trouble(words.stuck, "Try now");
    } finally {
      isMoving = false;
    }
  }

  // Whoever has just judged the last one must not be told that all is judged before the logbook knows.
  async function finish() {
    isOver = true;
    await outbox.flush();
    leaveIfDone();
  }

  function leaveIfDone() {
    if (isOver && !outbox.count()) location.assign(address("/"));
  }

  function goBack() {
    const earlier = line.goBack();
    if (earlier === null) saying.said(words.first);
    else if (typeof earlier === "number") location.assign(address(`/candidates/${earlier}`));
    else show(earlier);
  }

  function putOff() {
    if (isMoving) return;
    line.putOff(line.card.id);
    saying.said(`Left ${line.card.title} for later.`);
    void goOn();
  }

  // ---- taking back

  // Returns what was said last, and tells where there is nothing.
  function takeLast() {
    const id = said.takeLast();
    if (id === undefined) saying.said("There is nothing to undo here.");
    return id;
  }

  function reopen(id) {
    isOver = false;
    line.unsettle(id);
  }

  function comeBack(id) {
    const undone = line.find(id);
    if (!undone) {
      saying.said("Taken back.");
      return;
    }
    undone.verdict = null;
    show(line.goTo(undone));
    saying.said(`Taken back; ${undone.title} is here again.`);
  }

  // ---- a server that is silent for a while

  function onTrouble(count, sentence) {
    const what = count === 1 ? "1 answer is" : `${count} answers are`;
    saying.trouble(`${sentence} ${what} kept in this browser and sent as soon as it can be; you can go on.`, "Try now");
  }

  function onCalm() {
    saying.calm();
    saying.said("The server answers again; what was kept here has been sent.");
    fill();
  }

  // What cannot be fetched ahead is asked for again, and told of, when the cards run out.
  function fill() {
    line.fill().catch(() => undefined);
  }

  function retry() {
    saying.calm();
    void outbox.flush();
    if (find("retry-button").textContent === "Try now") {
      line
        .fill()
        .then(() => line.card.verdict && !isHeld() && goOn())
        .catch(() => saying.trouble("The server still does not answer. What you said is kept in this browser.", "Try now"));
    }
  }

  function begin() {
    find("retry-button").addEventListener("click", retry);
    for (const select of find("order").querySelectorAll("select")) select.addEventListener("change", () => find("order").submit());
    fill();
    void outbox.flush();
  }

  return {
    line,
    outbox,
    said,
    send,
    goOn,
    takeLast,
    reopen,
    comeBack,
    fill,
    begin,
    get isMoving() {
      return isMoving;
    },
    acts: { b: goBack, n: putOff },
    buttons: { undo: "z", back: "b", later: "n" },
  };
}

// The focus must not fall back to the top of the page with the field that held it, nor rest on an answer, where the next press of Space
// would judge instead of playing the loop.
export function restFocus() {
  find("main").focus({ preventScroll: true });
}

// An empty page looks now and then whether something has come.
export function watchForFirst(source) {
  setInterval(async () => {
    if (document.hidden) return;
    try {
      const reply = await fetch(address(source, { limit: 1 }));
      const data = await reply.json();
      if (reply.ok && data.cards.length) location.reload();
    } catch {
      // Nothing to tell: the page already says what to do.
    }
  }, LOOK_FOR_FIRST_MS);
}
