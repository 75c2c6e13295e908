// The review: one candidate at a time is shown, the answer is taken, and the next, already here, takes its place.

import { makeAlike } from "./alike.js";
import { SAID, makeCourse, restFocus, watchForFirst } from "./course.js";
import { makeDetails } from "./details.js";
import { makeDrawing } from "./drawing.js";
import { wireHolding, wireKeys } from "./keys.js";
import { post } from "./outbox.js";
import { address, find, state } from "./page_state.js";
import { makePlainTurn, sendAll } from "./plain_turn.js";
import { makeSaying } from "./saying.js";
import { makeShowing } from "./showing.js";
import { makeWho } from "./who.js";

const LOOK_ROUND_MS = 2000; // how soon another's verdict is seen here; each look is one query of an index
const AHEAD = "/api/ahead";
const SAID_THIS = { confirm: "confirmed this", dismiss: "dismissed this", unsure: "was unsure of this" };
const WORDS = {
  stuck: "The next candidates cannot be fetched: the server does not answer. Nothing is lost; start leafshade review again, or try once more.",
  first: "This is the first one looked at here; the list of all has the others.",
};

if (state.card) begin();
else watchForFirst(AHEAD);

function begin() {
  const saying = makeSaying();
  const name = makeWho(state.reviewer);
  const showing = makeShowing({ findCard: () => line.card, saying });
  const course = makeCourse({
    source: AHEAD,
    mark: state.logbook,
    box: "out",
    saying,
    name,
    show,
    onArrived: showing.loop.askAhead,
    onAnswer,
    onRefused,
    words: WORDS,
    turnAside: async () => (await returnToList()) || (plain.isDue() && (await plain.leave(course.outbox, line))),
    onStuck: () => details.close(),
    isHeld: () => details.isOpen,
  });
  const { line, said, send, goOn } = course;
  const { looking } = showing;
  const details = makeDetails({ onDone: sendDetails, onTurn: tellStanding, restFocus });
  const drawing = makeDrawing({ limits: state.limits, mark: state.logbook, looking, saying, send, ask, onTurn: tellStanding, restFocus });
  const plain = makePlainTurn({ plan: state.plain, mark: state.logbook, waiting: course.outbox.count(), address, name, saying, said });
  const alike = makeAlike({ address, isGone: line.isSettled, onDismiss: dismissGroup, restFocus });
  const mine = new Set(); // verdicts that came from this tab
  let lastChange = state.last_verdict;
  let wasRefused = false;

  show(line.card);
  wire();
  plain.tellLast();
  drawing.tellLeft(line.card, course.outbox.list());
  course.begin();
  setInterval(lookRound, LOOK_ROUND_MS);

  // ---- showing

  function show(card) {
    saying.quietMeanwhile();
    details.close();
    showing.show(card);
    tellStanding();
    if (card.differ) saying.meanwhile(card.differ); // on a phone what stands beside the picture is out of sight
  }

  function tellStanding() {
    const { verdict, doubt, teaches, differ } = line.card;
    const words = [differ || (verdict ? `${verdict.words}.` : ""), doubt ?? "", teaches ?? ""].join(" ").trim();
    showing.tellAnswer(words, verdict?.answer);
    find("details-button").hidden = verdict?.answer !== "confirm" || details.isOpen;
  }

  // ---- answering

  function answer(word, reason = "") {
    if (course.isMoving) return;
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
    else course.fill();
  }

  function openAgain(ids) {
    for (const id of ids) {
      course.reopen(id);
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
    course.fill();
  }

  function dismissAs(number) {
    const button = find("reasons").querySelectorAll("button")[number];
    if (button) answer("dismiss", button.dataset.reason);
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

  function undo() {
    const id = course.takeLast();
    if (id === undefined) return;
    alike.hide();
    if (plain.owns(id)) {
      plain.takeBack(id);
      return;
    }
    if (said.members(id)) {
      undoGroup(id, said.members(id));
      return;
    }
    course.reopen(id);
    send("/api/take-back", { candidate: id, from: said.isDrawn(id) ? line.card.id : 0 });
    if (said.isDrawn(id)) saying.said("Taken back what was drawn in.");
    else course.comeBack(id);
  }

  // ---- drawing

  function startDrawing(start) {
    if (course.isMoving || details.isOpen) return;
    showing.loop.stop();
    start(line.card, looking.index);
  }

  // A view as it now is, in the logbook: its outline, and what was drawn beside it.
  function takeOutlined({ candidate, view, facts }) {
    const card = line.find(candidate);
    if (!card) return;
    Object.assign(card.views[view.rank], view);
    card.facts = facts;
    if (card === line.card) {
      showing.tellFacts(card);
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
    if (data.group) takeGroup(entry, data.group);
    if (data.outlined || data.drawn) drawing.settle(entry);
    if (data.outlined) takeOutlined(data.outlined);
    if (data.drawn) takeDrawn(data.drawn);
    if (entry.address.startsWith("/api/take-back")) tookBack(entry.body.candidate, data);
  }

  function tookBack(id, data) {
    if (data.beside) takeBeside(data.from, data.beside);
    else if (!line.find(id) && !said.isDrawn(id)) location.assign(address(`/candidates/${id}`));
  }

  // Whoever came from the list of disagreements goes back to it, once the logbook knows the answer: the list tells what became of it.
  async function returnToList() {
    if (!state.back || !(await sendAll(course.outbox)) || wasRefused) return false;
    line.leave();
    location.assign(state.back);
    return true;
  }

  function onRefused(entry, sentence) {
    wasRefused = true;
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
      const isSending = course.outbox.holds(
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

  function turnWhy(isOpen = find("reasons").dataset.open !== "yes") {
    find("reasons").dataset.open = isOpen ? "yes" : "no";
    find("why-button").setAttribute("aria-expanded", String(isOpen));
  }

  function wire() {
    const acts = {
      ...course.acts,
      ...showing.acts,
      c: () => answer("confirm"),
      d: () => answer("dismiss"),
      u: () => answer("unsure"),
      z: undo,
      e: () => line.card.verdict?.answer === "confirm" && details.open(line.card),
      l: () => startDrawing(drawing.correct),
      m: () => startDrawing(drawing.draw),
      g: alike.open,
      s: () => location.assign(address(`/candidates/${line.card.id}/similar`)),
    };
    const buttons = { ...course.buttons, ...showing.buttons, details: "e", correct: "l", draw: "m", similar: "s" };
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
    wireKeys({
      acts,
      hold: looking.holdBare,
      leaveDetails: () => void goOn(),
      findMode: () => (alike.isOpen ? alike.keys : drawing.isOpen ? drawing.keys : null),
    });
    wireHolding(find("glass"), looking.holdBare);
  }
}
