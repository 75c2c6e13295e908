// The review: one candidate at a time is shown, the answer is taken, and the next, already here, takes its place.

import { makeAlike } from "./alike.js";
import { makeDetails } from "./details.js";
import { makeDrawing } from "./drawing.js";
import { wireHolding, wireKeys } from "./keys.js";
import { makeLine } from "./line.js";
import { makeLooking } from "./looking.js";
import { makeLoop } from "./loop.js";
import { makeOutbox, post } from "./outbox.js";
import { makePlainTurn } from "./plain_turn.js";
import { makeRibbon } from "./ribbon.js";
import { makeSaid } from "./said.js";
import { makeSaying } from "./saying.js";
import { makeWho } from "./who.js";

const LOOK_ROUND_MS = 2000; // how soon another's verdict is seen here; each look is one query of an index
const LOOK_FOR_FIRST_MS = 10000;
const SAID = { confirm: "Confirmed", dismiss: "Dismissed", unsure: "Unsure of" };
const SAID_THIS = { confirm: "confirmed this", dismiss: "dismissed this", unsure: "was unsure of this" };

const state = JSON.parse(document.getElementById("state").textContent);
const find = (id) => document.getElementById(id);

if (state.card) begin();
else watchForFirst();

function begin() {
  const saying = makeSaying();
  const name = makeWho(state.reviewer);
  const looking = makeLooking({ onChoose: (index) => turnTo(index) });
  const ribbon = makeRibbon(find("ribbon"), { onMove: turnTo, onRest: (index) => loop.rest(line.card, index) });
  const loop = makeLoop({ button: find("loop-button"), words: find("loop-words"), looking });
  const outbox = makeOutbox({ mark: state.logbook, onAnswer, onRefused, onTrouble, onCalm });
  const line = makeLine({ first: state.card, mark: state.logbook, address, onArrived: loop.askAhead });
  const details = makeDetails({ onDone: sendDetails, onTurn: tellStanding, restFocus });
  const drawing = makeDrawing({ limits: state.limits, looking, saying, send, ask, onTurn: tellStanding, restFocus });
  const said = makeSaid(state.logbook);
  const plain = makePlainTurn({ plan: state.plain, mark: state.logbook, waiting: outbox.count(), address, name, saying, said });
  const alike = makeAlike({ address, isGone: line.isSettled, onDismiss: dismissGroup, restFocus });
  const mine = new Set(); // verdicts that came from this tab
  let lastChange = state.last_verdict;
  let isMoving = false;
  let isOver = false;

  show(line.card);
  wire();
  plain.tellLast();
  line.fill().catch(() => undefined);
  void outbox.flush();
  setInterval(lookRound, LOOK_ROUND_MS);

  // ---- showing

  function show(card) {
    loop.stop();
    saying.quietMeanwhile();
    details.close();
    looking.show(card, 0);
    ribbon.draw(card);
    ribbon.mark(0);
    find("main").dataset.candidate = card.id;
    tellFacts(card);
    find("ribbon-from").textContent = card.ribbon.from_words;
    find("ribbon-tree").textContent = card.ribbon.words;
    find("ribbon-until").textContent = card.ribbon.until_words;
    tellStanding();
    if (card.differ) saying.meanwhile(card.differ); // on a phone what stands beside the picture is out of sight
    saying.now(card.views[0].label);
    history.replaceState(null, "", address(`/candidates/${card.id}`));
    document.title = `${card.title} – Leafshade`;
  }

  function turnTo(index) {
    loop.stop();
    looking.turnTo(index);
    ribbon.mark(index);
  }

  function tellFacts(card) {
    find("facts").replaceChildren(...card.facts.flatMap(([word, value]) => [make("dt", word), make("dd", value)]));
  }

  function tellStanding() {
    const { verdict, doubt, teaches, differ } = line.card;
    find("stands").textContent = [differ || (verdict ? `${verdict.words}.` : ""), doubt ?? "", teaches ?? ""].join(" ").trim();
    find("details-button").hidden = verdict?.answer !== "confirm" || details.isOpen;
    for (const button of find("answers").querySelectorAll("button")) {
      button.setAttribute("aria-pressed", String(verdict?.answer === button.dataset.answer));
    }
  }

  // ---- answering

  function answer(word, reason = "") {
    if (isMoving) return;
    const { card } = line;
    plain.count(1);
    send("/api/verdicts", { candidate: card.id, answer: word, reason, known: card.known });
    const why = reason ? `: ${reason}` : "";
    card.verdict = { answer: word, words: `${name()} ${SAID_THIS[word]}${why}` };
    card.differ = "";
    line.settle(card.id);
    said.add(card.id);
    saying.said(`${SAID[word]} ${card.title}${why}.`, { undo: true });
    if (word === "dismiss" && state.query.order !== "doubtful") void alike.ask(card);
    else alike.hide();
    if (word === "confirm") details.open(card);
    else void goOn();
  }

  // Those that look like one that was dismissed: one name for all, under which they are taken back together.
  function dismissGroup(ids) {
    const group = `${Date.now()}-${Math.random().toString(36).slice(2, 12)}`;
    plain.count(ids.length);
    send("/api/groups", { candidates: ids, group });
    for (const id of ids) {
      line.settle(id);
      line.drop(id);
      const card = line.find(id);
      if (card) card.verdict = { answer: "dismiss", words: `${name()} ${SAID_THIS.dismiss}` };
    }
    said.addGroup(group, ids);
    saying.said(`Dismissed ${ids.length} together.`, { undo: true });
    if (ids.includes(line.card.id)) void goOn();
    else line.fill().catch(() => undefined);
  }

  function openAgain(ids) {
    isOver = false;
    for (const id of ids) {
      line.unsettle(id);
      const card = line.find(id);
      if (card) card.verdict = null;
    }
    tellStanding();
  }

  function undoGroup(group, ids) {
    openAgain(ids);
    send("/api/groups/take-back", { group, candidates: ids });
    saying.said(`Taken back; ${ids.length === 1 ? "the one is" : `all ${ids.length} are`} open again.`);
  }

  function takeGroup(entry, { name: group, verdicts, passed_over: left }) {
    for (const verdict of verdicts) {
      mine.add(verdict.id);
      settleCard(verdict);
    }
    if (!verdicts.length) said.forget(group);
    const who = left.length === 1 ? "1 of them was judged by someone" : `${left.length} of them were judged by someone`;
    if (left.length) saying.meanwhile(`${who} meanwhile; what they said stands.`);
    line.fill().catch(() => undefined);
  }

  function dismissAs(number) {
    const button = find("reasons").querySelectorAll("button")[number];
    if (button) answer("dismiss", button.dataset.reason);
  }

  // The focus must not fall back to the top of the page with the field that held it, nor rest on an answer, where the next
  // press of Space would judge instead of playing the loop.
  function restFocus() {
    find("main").focus({ preventScroll: true });
  }

  function sendDetails(card, changed) {
    if (changed) {
      send("/api/details", { candidate: card.id, ...changed });
      card.details = changed;
      const words = details.tell(changed);
      saying.said(`Confirmed ${card.title}${words ? `: ${words}` : ""}.`, { undo: said.has(card.id) });
    }
    void goOn();
  }

  async function goOn() {
    if (isMoving) return;
    isMoving = true;
    if (plain.isDue() && (await plain.leave(outbox, line))) return;
    try {
      const next = await line.goOn();
      if (next) show(next);
      else await finish();
    } catch {
      details.close();
      saying.trouble("The next candidates cannot be fetched: the server does not answer. Nothing is lost; start leafshade review again, or try once more.", "Try now");
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
    if (earlier === null) saying.said("This is the first one looked at here; the list of all has the others.");
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
    alike.hide();
    if (plain.owns(id)) {
      plain.takeBack(id);
      return;
    }
    if (said.members(id)) {
      undoGroup(id, said.members(id));
      return;
    }
    isOver = false;
    line.unsettle(id);
    send("/api/take-back", { candidate: id, from: said.isDrawn(id) ? line.card.id : 0 });
    const undone = line.find(id);
    if (!undone || said.isDrawn(id)) {
      saying.said(said.isDrawn(id) ? "Taken back what was drawn in." : "Taken back.");
      return;
    }
    undone.verdict = null;
    show(line.goTo(undone));
    saying.said(`Taken back; ${undone.title} is here again.`);
  }

  // ---- drawing

  function startDrawing(start) {
    if (isMoving || details.isOpen) return;
    loop.stop();
    start(line.card, looking.index);
  }

  // A view as it now is, in the logbook: its outline, and what was drawn beside it.
  function takeOutlined({ candidate, view, facts }) {
    const card = line.find(candidate);
    if (!card) return;
    Object.assign(card.views[view.rank], view);
    card.facts = facts;
    if (card === line.card) {
      tellFacts(card);
      look(card);
    }
  }

  function takeDrawn({ candidate, title, from, beside }) {
    said.add(candidate, { isDrawn: true });
    saying.said(`Drawn in and confirmed: ${title}.`, { undo: true });
    takeBeside(from, beside);
  }

  function takeBeside(from, beside) {
    const card = line.find(from);
    if (!card) return;
    card.views.forEach((view, rank) => (view.beside = beside[rank] ?? []));
    if (card === line.card) look(card);
  }

  function look(card) {
    if (!drawing.isOpen) looking.refresh(card);
  }

  // ---- what goes to the server and comes back from it

  function send(path, body) {
    outbox.add(address(path), { ...body, reviewer: name() });
  }

  // For what is wanted now or not at all; what was said goes through the outbox.
  async function ask(path, body) {
    const reply = await post(address(path), { ...body, logbook: state.logbook, reviewer: name() });
    return reply.ok ? reply.data : { sentence: reply.sentence };
  }

  function onAnswer(entry, data) {
    if (data.verdict) {
      mine.add(data.verdict.id);
      settleCard(data.verdict);
    }
    if (data.differ) {
      const card = line.find(entry.body.candidate);
      if (card) Object.assign(card, { differ: data.differ, verdict: null });
      saying.meanwhile(data.differ);
    }
    for (const other of data.differ ? [] : (data.meanwhile ?? [])) {
      if (!mine.has(other.id)) saying.meanwhile(`${other.words} meanwhile. Both are kept; yours is newer and counts.`);
    }
    if (data.sense) find("sense").textContent = data.sense;
    if (data.group) takeGroup(entry, data.group);
    if (data.outlined || data.drawn) drawing.settle(entry);
    if (data.outlined) takeOutlined(data.outlined);
    if (data.drawn) takeDrawn(data.drawn);
    if (entry.address.startsWith("/api/take-back")) tookBack(entry.body.candidate, data);
    leaveIfDone();
  }

  function tookBack(id, data) {
    if (data.beside) takeBeside(data.from, data.beside);
    else if (!line.find(id) && !said.isDrawn(id)) location.assign(address(`/candidates/${id}`));
  }

  function onRefused(entry, sentence) {
    const card = line.find(entry.body.candidate);
    if (entry.address.startsWith("/api/outlines") && card) {
      drawing.putBack(entry, card);
      if (card === line.card) look(card);
    }
    if (entry.address.startsWith("/api/groups") && !entry.address.startsWith("/api/groups/take-back")) {
      said.forget(entry.body.group);
      openAgain(entry.body.candidates);
    }
    const note = entry.body.note ? ` The note was: ${entry.body.note}` : "";
    saying.trouble(`${sentence}${note}`, "Seen");
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

  async function lookRound() {
    if (document.hidden) return;
    let data;
    try {
      const reply = await fetch(address("/api/changes", { since: lastChange }));
      if (!reply.ok) return;
      data = await reply.json();
    } catch {
      return; // A silent server is told of as soon as something has to be sent or fetched.
    }
    lastChange = data.last;
    if (data.sense) find("sense").textContent = data.sense;
    for (const verdict of data.verdicts) {
      const isSending = outbox.holds(
        ({ body }) => body.candidate === verdict.candidate || body.candidates?.includes(verdict.candidate),
      );
      if (!mine.has(verdict.id) && !isSending && !said.isDrawn(verdict.candidate)) hear(verdict);
    }
  }

  // Someone else, or the same person in another window, has judged.
  function hear(verdict) {
    const isHere = verdict.candidate === line.card.id;
    if (verdict.counts !== "open") line.drop(verdict.candidate);
    settleCard(verdict);
    if (isHere) saying.meanwhile(`${verdict.words} just now. You can answer as well: both are kept, and the newest counts.`);
    else saying.meanwhile(`${verdict.words}: ${verdict.title}.`);
  }

  function settleCard(verdict) {
    const card = line.find(verdict.candidate);
    if (!card) return;
    card.known = Math.max(card.known, verdict.id);
    card.verdict = verdict.answer === "open" ? null : verdict;
    if (card === line.card) tellStanding();
  }

  // ---- small things

  function press(event, act) {
    act();
    // A press by hand, not by the keyboard, leaves no focus on the button.
    if (event.detail > 0 && !details.isOpen && !drawing.isOpen) restFocus();
  }

  function mark(id, isOn) {
    find(id).setAttribute("aria-pressed", String(isOn));
  }

  function turnWhy(isOpen = find("reasons").dataset.open !== "yes") {
    find("reasons").dataset.open = isOpen ? "yes" : "no";
    find("why-button").setAttribute("aria-expanded", String(isOpen));
  }

  function retry() {
    saying.calm();
    void outbox.flush();
    if (find("retry-button").textContent === "Try now") {
      line
        .fill()
        .then(() => line.card.verdict && !details.isOpen && goOn())
        .catch(() => saying.trouble("The server still does not answer. What you said is kept in this browser.", "Try now"));
    }
  }

  function wire() {
    const acts = {
      c: () => answer("confirm"),
      d: () => answer("dismiss"),
      u: () => answer("unsure"),
      z: undo,
      b: goBack,
      n: putOff,
      e: () => line.card.verdict?.answer === "confirm" && details.open(line.card),
      o: () => mark("outline-button", looking.toggleOutline()),
      p: () => mark("pixels-button", looking.togglePixels()),
      l: () => startDrawing(drawing.correct),
      m: () => startDrawing(drawing.draw),
      g: alike.open,
      s: () => location.assign(address(`/candidates/${line.card.id}/similar`)),
      "+": () => looking.goNearer(1),
      "=": () => looking.goNearer(1),
      "-": () => looking.goNearer(-1),
      " ": () => loop.toggle(line.card, looking.index),
      ArrowLeft: () => ribbon.step(-1),
      ArrowRight: () => ribbon.step(1),
    };
    const buttons = { undo: "z", back: "b", later: "n", details: "e", outline: "o", pixels: "p", nearer: "+", farther: "-", loop: " ", correct: "l", draw: "m", similar: "s" };
    for (const [id, key] of Object.entries(buttons)) find(`${id}-button`).addEventListener("click", acts[key]);
    for (const button of find("answers").querySelectorAll("button")) {
      button.addEventListener("click", (event) => press(event, () => answer(button.dataset.answer)));
    }
    find("reasons").querySelectorAll("button").forEach((button, number) => {
      acts[String(number + 1)] = () => dismissAs(number);
      button.addEventListener("click", (event) => {
        turnWhy(false);
        press(event, () => dismissAs(number));
      });
    });
    find("why-button").addEventListener("click", () => turnWhy());
    find("retry-button").addEventListener("click", retry);
    for (const select of find("order").querySelectorAll("select")) select.addEventListener("change", () => find("order").submit());
    wireKeys({
      acts,
      hold: looking.holdBare,
      leaveDetails: () => void goOn(),
      findMode: () => (alike.isOpen ? alike.keys : drawing.isOpen ? drawing.keys : null),
    });
    wireHolding(find("glass"), looking.holdBare);
  }
}

function address(path, more = {}) {
  const query = new URLSearchParams({ ...state.query, ...more });
  const text = query.toString();
  return text ? `${path}?${text}` : path;
}

function make(name, text) {
  const made = document.createElement(name);
  made.textContent = text;
  return made;
}

// An empty page looks now and then whether a search has brought something.
function watchForFirst() {
  setInterval(async () => {
    if (document.hidden) return;
    try {
      const reply = await fetch(address("/api/ahead", { limit: 1 }));
      const data = await reply.json();
      if (reply.ok && data.cards.length) location.reload();
    } catch {
      // Nothing to tell: the page already says what to do.
    }
  }, LOOK_FOR_FIRST_MS);
}
