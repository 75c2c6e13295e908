// A plain frame: the whole frame is looked over, one answer is taken, and the review goes on. "Larva" leads to the pen, with which it
// is drawn in; nothing counts before the outline is kept.

import { makeDrafts } from "./drafts.js";
import { wireKeys } from "./keys.js";
import { makeOutbox } from "./outbox.js";
import { makePen } from "./outlining.js";
import { address, find, state } from "./page_state.js";
import { tellTool, wirePenBar } from "./pen_bar.js";
import { makePlainLooking } from "./plain_looking.js";
import { PLAIN_BOX, isSaidOfPlain, keepLast, readSaid, takeLast, writeSaid } from "./plain_turn.js";
import { makeSaid } from "./said.js";
import { makeSaying } from "./saying.js";
import { makeWho } from "./who.js";

const LOOK_ROUND_MS = 2000; // how soon another's answer is seen here
const SAID = { larva: "a larva, drawn in", none: "no larva", unsure: "unsure" };
const MOVED_ON = "Someone else answered the plain frame meanwhile.";

if (state.frame) begin(state.frame);

function begin({ id: frame, size_px: size }) {
  const saying = makeSaying();
  const name = makeWho(state.reviewer);
  const said = makeSaid(state.logbook);
  const looking = makePlainLooking({ glass: find("glass"), held: find("held"), size_px: size });
  const words = find("outlining-words");
  const bar = find("outlining");
  const pen = makePen({
    glass: find("glass"),
    picture: find("view"),
    layer: find("pen"),
    limits: state.limits,
    looking,
    say: (sentence) => (words.textContent = sentence),
    onChange: () => tellTool(bar, pen),
  });
  const outbox = makeOutbox({ mark: state.logbook, box: PLAIN_BOX, onAnswer, onRefused, onTrouble, onCalm });
  let isDrawing = false;
  let isDone = false; // the answer is on its way
  let wasAsked = false;
  const drafts = makeDrafts(state.logbook);
  const draftName = `plain:${frame}`;
  const findDraft = () => drafts.get(draftName) ?? []; // the outline as it was when the pen was left

  wire();
  const last = takeLast(state.logbook);
  if (last) saying.said(last.words, { undo: last.undo });
  else if (findDraft().length) saying.said("The outline you were drawing is kept; Larva brings it back as it was.");
  find("main").dataset.frame = frame;
  void outbox.flush();
  void lookRound();
  setInterval(lookRound, LOOK_ROUND_MS);

  // ---- answering

  function answer(word) {
    if (isDone) return;
    if (word === "larva") startDrawing();
    else send(word);
  }

  function send(word, more = {}) {
    isDone = true;
    saying.said("Being written into the logbook.");
    outbox.add(address("/api/plain/answers"), { window: frame, answer: word, reviewer: name(), ...more });
  }

  function onAnswer(entry, data) {
    const { window: which, answer: word } = entry.body;
    if (data.sense) find("sense").textContent = data.sense;
    drafts.delete(`plain:${which}`);
    if (word === "open") {
      location.assign(address(`/plain/${which}`));
      return;
    }
    said.add(writeSaid(which, data.plain.candidate));
    if (which !== frame) return;
    keepLast(state.logbook, `Said of the plain frame: ${SAID[word]}.`, { undo: true });
    location.assign(address("/"));
  }

  function onRefused(entry, sentence) {
    isDone = false;
    if (entry.body.outline) drafts.set(`plain:${entry.body.window}`, entry.body.outline);
    saying.trouble(sentence, "Seen");
  }

  function onTrouble(count, sentence) {
    saying.trouble(`${sentence} Your answer is kept in this browser and sent as soon as it can be; the review then goes on.`, "Try now");
  }

  function onCalm() {
    saying.calm();
  }

  async function lookRound() {
    if (document.hidden || isDone) return;
    let data;
    try {
      const reply = await fetch(address(`/api/plain/${frame}`, { reviewer: name() }));
      if (!reply.ok) return;
      data = await reply.json();
    } catch {
      return; // A silent server is told of as soon as something has to be sent.
    }
    find("sense").textContent = data.sense;
    if (data.asked) wasAsked = true;
    else if (wasAsked && !isDone) moveOn();
  }

  function moveOn() {
    if (isDrawing) {
      saying.meanwhile("Someone else has answered this frame meanwhile. You can go on drawing; yours is then newer and counts.");
      return;
    }
    keepLast(state.logbook, MOVED_ON);
    location.assign(address("/"));
  }

  // Leads elsewhere, where the server answers: a page that cannot be fetched would be in the place of this one.
  async function go(where) {
    try {
      await fetch(address(`/api/plain/${frame}`));
    } catch {
      saying.trouble("The server does not answer. Nothing is lost; start leafshade review again, or try once more.", "Seen");
      return;
    }
    location.assign(where);
  }

  function putOff() {
    if (isDone) return;
    keepLast(state.logbook, "Left the plain frame for later.");
    void go(address("/", { put_off: frame }));
  }

  function undo() {
    if (isDone) return;
    const id = said.takeLast();
    if (isSaidOfPlain(id)) {
      const [which, candidate] = readSaid(id);
      isDone = true;
      outbox.add(address("/api/plain/answers"), { window: which, answer: "open", candidate, reviewer: name() });
    } else if (id === undefined) {
      saying.said("There is nothing to undo here.");
    } else {
      if (said.members(id)) said.addGroup(id, said.members(id));
      else said.add(id, { isDrawn: said.isDrawn(id) });
      saying.said("What was said last is of a candidate: Back leads to it, and Z there takes it back.");
    }
  }

  function goBack() {
    const id = readBefore();
    if (id === undefined) saying.said("There is nothing before this; the list of all has the others.");
    else void go(address(`/candidates/${id}`));
  }

  // The candidate that the review left last.
  function readBefore() {
    try {
      return JSON.parse(sessionStorage.getItem(`leafshade-before:${state.logbook}`) ?? "[]").at(-1);
    } catch {
      return undefined;
    }
  }

  // ---- drawing

  function startDrawing() {
    isDrawing = true;
    find("main").dataset.mode = "outlining";
    bar.hidden = false;
    find("answers").hidden = true;
    const draft = findDraft();
    pen.begin({ origin: [0, 0], size, start: draft, aimed: looking.aimed });
    words.textContent = draft.length ? "Here is the outline as you left it." : "Press round the body, point by point, or take the brush and paint it.";
  }

  function stopDrawing() {
    if (keepDraft()) saying.said("Left without being kept; Larva brings the outline back as it was.");
    close();
  }

  function keepDraft() {
    const isWorthIt = isDrawing && pen.points.length > 0;
    if (isWorthIt) drafts.set(draftName, pen.points);
    return isWorthIt;
  }

  function close() {
    isDrawing = false;
    pen.end();
    delete find("main").dataset.mode;
    bar.hidden = true;
    find("answers").hidden = false;
    find("main").focus({ preventScroll: true });
  }

  function keep() {
    const fault = pen.findFault();
    if (fault) {
      words.textContent = fault;
      return;
    }
    const outline = pen.points;
    close();
    send("larva", { outline, stage: bar.elements.drawn_stage.value });
  }

  // ---- small things

  function wire() {
    const acts = {
      c: () => answer("larva"),
      d: () => answer("none"),
      u: () => answer("unsure"),
      z: undo,
      b: goBack,
      n: putOff,
      "+": () => looking.goNearer(1),
      "=": () => looking.goNearer(1),
      "-": () => looking.goNearer(-1),
      ArrowLeft: () => looking.press([-1, 0]),
      ArrowRight: () => looking.press([1, 0]),
      ArrowUp: () => looking.press([0, -1]),
      ArrowDown: () => looking.press([0, 1]),
    };
    const keys = wirePenBar({ bar, pen, layer: find("pen"), own: {}, keep, leave: stopDrawing, isOpen: () => isDrawing });
    const buttons = { undo: "z", back: "b", later: "n", nearer: "+", farther: "-" };
    for (const [id, key] of Object.entries(buttons)) find(`${id}-button`).addEventListener("click", acts[key]);
    for (const button of find("answers").querySelectorAll("button")) {
      button.addEventListener("click", () => answer(button.dataset.plain));
    }
    find("retry-button").addEventListener("click", () => {
      saying.calm();
      void outbox.flush();
    });
    wireKeys({ acts, hold: () => undefined, leaveDetails: () => undefined, findMode: () => (isDrawing ? keys : null) });
    addEventListener("pagehide", keepDraft);
    addEventListener("pageshow", (event) => event.persisted && location.reload());
  }
}
