// The second reading: candidates that others judged, without a trace of what they said. It never asks what changed, and what it
// sends is kept apart from what the usual review keeps in this browser.

import { wireHolding, wireKeys } from "./keys.js";
import { makeLine } from "./line.js";
import { makeLooking } from "./looking.js";
import { makeLoop } from "./loop.js";
import { makeOutbox } from "./outbox.js";
import { makeRibbon } from "./ribbon.js";
import { makeSaid } from "./said.js";
import { makeSaying } from "./saying.js";
import { wirePanel } from "./who.js";

const LOOK_FOR_MORE_MS = 10000;
const AHEAD = "/api/second/ahead";
const SAID = { confirm: "Confirmed", dismiss: "Dismissed", unsure: "Unsure of" };
const YOU_SAID = { confirm: "You confirmed this", dismiss: "You dismissed this", unsure: "You were unsure of this" };

const state = JSON.parse(document.getElementById("state").textContent);
const find = (id) => document.getElementById(id);

if (state.card) begin();
else watchForMore();

function begin() {
  const mark = `${state.logbook}:second:${state.reviewer}`;
  const saying = makeSaying();
  const looking = makeLooking({ onChoose: (index) => turnTo(index) });
  const ribbon = makeRibbon(find("ribbon"), { onMove: turnTo, onRest: (index) => loop.rest(line.card, index) });
  const loop = makeLoop({ button: find("loop-button"), words: find("loop-words"), looking });
  const outbox = makeOutbox({ mark: state.logbook, box: "second", onAnswer, onRefused, onTrouble, onCalm });
  const line = makeLine({ first: state.card, mark, address, source: AHEAD, onArrived: loop.askAhead });
  const said = makeSaid(mark);
  let isMoving = false;
  let isOver = false;

  show(line.card);
  wire();
  line.fill().catch(() => undefined);
  void outbox.flush();

  function show(card) {
    loop.stop();
    looking.show(card, 0);
    ribbon.draw(card);
    ribbon.mark(0);
    find("main").dataset.candidate = card.id;
    find("facts").replaceChildren(...card.facts.flatMap(([word, value]) => [make("dt", word), make("dd", value)]));
    find("ribbon-from").textContent = card.ribbon.from_words;
    find("ribbon-tree").textContent = card.ribbon.words;
    find("ribbon-until").textContent = card.ribbon.until_words;
    tellOwn();
    saying.now(card.views[0].label);
    history.replaceState(null, "", address(`/candidates/${card.id}`));
    document.title = `${card.title} – Leafshade`;
  }

  function turnTo(index) {
    loop.stop();
    looking.turnTo(index);
    ribbon.mark(index);
  }

  function tellOwn() {
    const { verdict } = line.card;
    find("stands").textContent = verdict ? `${verdict.words}.` : "";
    for (const button of find("answers").querySelectorAll("button")) {
      button.setAttribute("aria-pressed", String(verdict?.answer === button.dataset.answer));
    }
  }

  function answer(word) {
    if (isMoving) return;
    const { card } = line;
    send("/api/second/verdicts", { candidate: card.id, answer: word, one_in: state.one_in });
    card.verdict = { answer: word, words: YOU_SAID[word] };
    line.settle(card.id);
    said.add(card.id);
    saying.said(`${SAID[word]} ${card.title}.`, { undo: true });
    void goOn();
  }

  // The focus must not rest on an answer, where the next press of Space would judge instead of playing the loop.
  function restFocus() {
    find("main").focus({ preventScroll: true });
  }

  async function goOn() {
    if (isMoving) return;
    isMoving = true;
    try {
      const next = await line.goOn();
      if (next) show(next);
      else await finish();
    } catch {
      saying.trouble("The next candidates cannot be fetched: the server does not answer, or is no second reading. Nothing is lost; start leafshade review --second again, or try once more.", "Try now");
    } finally {
      isMoving = false;
    }
  }

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
    if (earlier === null) saying.said("This is the first one looked at here.");
    else if (typeof earlier === "number") location.assign(address(`/candidates/${earlier}`));
    else show(earlier);
  }

  function putOff() {
    if (isMoving) return;
    line.putOff(line.card.id);
    saying.said(`Left ${line.card.title} for later.`);
    void goOn();
  }

  function undo() {
    const id = said.takeLast();
    if (id === undefined) {
      saying.said("There is nothing to undo here.");
      return;
    }
    isOver = false;
    line.unsettle(id);
    send("/api/second/take-back", { candidate: id });
    const undone = line.find(id);
    if (!undone) {
      saying.said("Taken back.");
      return;
    }
    undone.verdict = null;
    show(line.goTo(undone));
    saying.said(`Taken back; ${undone.title} is here again.`);
  }

  function send(path, body) {
    outbox.add(address(path), { ...body, reviewer: state.reviewer });
  }

  function onAnswer(entry, data) {
    if (data.sense) find("sense").textContent = data.sense;
    const isUndo = entry.address.startsWith("/api/second/take-back");
    if (isUndo && !line.find(entry.body.candidate)) location.assign(address(`/candidates/${entry.body.candidate}`));
    leaveIfDone();
  }

  function onRefused(entry, sentence) {
    saying.trouble(sentence, "Seen");
  }

  function onTrouble(count, sentence) {
    const what = count === 1 ? "1 answer is" : `${count} answers are`;
    saying.trouble(`${sentence} ${what} kept in this browser and sent as soon as it can be; you can go on.`, "Try now");
  }

  function onCalm() {
    saying.calm();
    saying.said("The server answers again; what was kept here has been sent.");
    line.fill().catch(() => undefined);
  }

  function retry() {
    saying.calm();
    void outbox.flush();
    if (find("retry-button").textContent === "Try now") {
      line
        .fill()
        .then(() => line.card.verdict && goOn())
        .catch(() => saying.trouble("The server still does not answer. What you said is kept in this browser.", "Try now"));
    }
  }

  function wire() {
    const press = (id, isOn) => find(id).setAttribute("aria-pressed", String(isOn));
    const acts = {
      c: () => answer("confirm"),
      d: () => answer("dismiss"),
      u: () => answer("unsure"),
      z: undo,
      b: goBack,
      n: putOff,
      o: () => press("outline-button", looking.toggleOutline()),
      p: () => press("pixels-button", looking.togglePixels()),
      "+": () => looking.goNearer(1),
      "=": () => looking.goNearer(1),
      "-": () => looking.goNearer(-1),
      " ": () => loop.toggle(line.card, looking.index),
      ArrowLeft: () => ribbon.step(-1),
      ArrowRight: () => ribbon.step(1),
    };
    const buttons = { undo: "z", back: "b", later: "n", outline: "o", pixels: "p", nearer: "+", farther: "-", loop: " " };
    for (const [id, key] of Object.entries(buttons)) find(`${id}-button`).addEventListener("click", acts[key]);
    for (const button of find("answers").querySelectorAll("button")) {
      button.addEventListener("click", (event) => {
        answer(button.dataset.answer);
        if (event.detail > 0) restFocus();
      });
    }
    find("retry-button").addEventListener("click", retry);
    for (const select of find("order").querySelectorAll("select")) select.addEventListener("change", () => find("order").submit());
    wirePanel(find("ways"));
    wireKeys({ acts, hold: looking.holdBare, leaveDetails: () => undefined, findMode: () => null });
    wireHolding(find("glass"), looking.holdBare);
  }
}

function address(path, more = {}) {
  const text = new URLSearchParams({ ...state.query, ...more }).toString();
  return text ? `${path}?${text}` : path;
}

function make(name, text) {
  const made = document.createElement(name);
  made.textContent = text;
  return made;
}

// Where nothing is left the first reader may still be judging.
function watchForMore() {
  setInterval(async () => {
    if (document.hidden) return;
    try {
      const reply = await fetch(address(AHEAD, { limit: 1 }));
      const data = await reply.json();
      if (reply.ok && data.cards.length) location.reload();
    } catch {
      // Nothing to tell: the page already says what to do.
    }
  }, LOOK_FOR_MORE_MS);
}
