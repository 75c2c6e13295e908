// The review: one candidate at a time is shown, the answer is taken, and the next, already here, takes its place.

import { wireHolding, wireKeys } from "./keys.js";
import { makeLine } from "./line.js";
import { makeLooking } from "./looking.js";
import { makeLoop } from "./loop.js";
import { makeOutbox } from "./outbox.js";
import { makeRibbon } from "./ribbon.js";
import { makeSaying } from "./saying.js";

const LOOK_ROUND_MS = 2000; // how soon another's verdict is seen here; each look is one query of an index
const LOOK_FOR_FIRST_MS = 10000;
const NAME_KEY = "leafshade-reviewer";
const SAID = { confirm: "Confirmed", dismiss: "Dismissed", unsure: "Unsure of" };
const SAID_THIS = { confirm: "confirmed this", dismiss: "dismissed this", unsure: "was unsure of this" };
const FIELDS = ["stage", "condition", "behaviour", "note"];

const state = JSON.parse(document.getElementById("state").textContent);
const SAID_KEY = `leafshade-said:${state.logbook}`;
const find = (id) => document.getElementById(id);

if (state.card) begin();
else watchForFirst();

function begin() {
  const saying = makeSaying();
  const looking = makeLooking({ onChoose: (index) => turnTo(index) });
  const ribbon = makeRibbon(find("ribbon"), { onMove: turnTo, onRest: (index) => loop.rest(line.card, index) });
  const loop = makeLoop({ button: find("loop-button"), words: find("loop-words"), looking });
  const outbox = makeOutbox({ mark: state.logbook, onAnswer, onRefused, onTrouble, onCalm });
  const line = makeLine({ first: state.card, mark: state.logbook, address, onArrived: loop.askAhead });
  const said = readSaid(); // ids answered in this tab, newest last, for undo
  const mine = new Set(); // verdicts that came from this tab
  let lastChange = state.last_verdict;
  let isMoving = false;
  let isOver = false;

  show(line.card);
  wire();
  line.fill().catch(() => undefined);
  void outbox.flush();
  setInterval(lookRound, LOOK_ROUND_MS);

  // ---- showing

  function show(card) {
    loop.stop();
    saying.quietMeanwhile();
    closeDetails();
    looking.show(card, 0);
    ribbon.draw(card);
    ribbon.mark(0);
    find("main").dataset.candidate = card.id;
    find("facts").replaceChildren(...card.facts.flatMap(([name, value]) => [make("dt", name), make("dd", value)]));
    find("ribbon-from").textContent = card.ribbon.from_words;
    find("ribbon-tree").textContent = card.ribbon.words;
    find("ribbon-until").textContent = card.ribbon.until_words;
    tellStanding();
    saying.now(card.views[0].label);
    history.replaceState(null, "", address(`/candidates/${card.id}`));
    document.title = `${card.title} – Leafshade`;
  }

  function turnTo(index) {
    loop.stop();
    looking.turnTo(index);
    ribbon.mark(index);
  }

  function tellStanding() {
    const { verdict } = line.card;
    find("stands").textContent = verdict ? `${verdict.words}.` : "";
    find("details-button").hidden = verdict?.answer !== "confirm" || !find("details").hidden;
    for (const button of find("answers").querySelectorAll("button")) {
      button.setAttribute("aria-pressed", String(verdict?.answer === button.dataset.answer));
    }
  }

  // ---- answering

  function answer(word) {
    if (isMoving) return;
    const { card } = line;
    outbox.add(address("/api/verdicts"), { candidate: card.id, answer: word, known: card.known, reviewer: name() });
    card.verdict = { answer: word, words: `${name()} ${SAID_THIS[word]}` };
    line.settle(card.id);
    remember(card.id);
    saying.said(`${SAID[word]} ${card.title}.`, { undo: true });
    if (word === "confirm") openDetails();
    else void goOn();
  }

  function openDetails() {
    const { card } = line;
    const form = find("details");
    find("answers").hidden = true;
    form.hidden = false;
    tellStanding();
    find("details-head").textContent = `Confirmed ${card.kind_words}.`;
    for (const field of FIELDS) form.elements[field].value = card.details?.[field] ?? "";
    form.elements.stage.focus();
  }

  function closeDetails() {
    const hadFocus = find("details").contains(document.activeElement);
    find("details").hidden = true;
    find("answers").hidden = false;
    if (hadFocus) restFocus();
  }

  // The focus must not fall back to the top of the page with the field that held it, nor rest on an answer, where the next
  // press of Space would judge instead of playing the loop.
  function restFocus() {
    find("main").focus({ preventScroll: true });
  }

  function sendDetails(event) {
    event.preventDefault();
    const { card } = line;
    const form = find("details");
    const details = Object.fromEntries(FIELDS.map((field) => [field, form.elements[field].value.trim()]));
    if (FIELDS.some((field) => details[field] !== (card.details?.[field] ?? ""))) {
      outbox.add(address("/api/details"), { candidate: card.id, ...details, reviewer: name() });
      card.details = details;
      const words = FIELDS.map((field) => details[field]).filter(Boolean);
      saying.said(`Confirmed ${card.title}${words.length ? `: ${words.join(", ")}` : ""}.`, { undo: said.includes(card.id) });
    }
    void goOn();
  }

  async function goOn() {
    if (isMoving) return;
    isMoving = true;
    try {
      const next = await line.goOn();
      if (next) show(next);
      else await finish();
    } catch {
      closeDetails();
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
    const id = said.pop();
    if (id === undefined) {
      saying.said("There is nothing to undo here.");
      return;
    }
    writeSaid();
    isOver = false;
    line.unsettle(id);
    outbox.add(address("/api/take-back"), { candidate: id, reviewer: name() });
    const undone = line.find(id);
    if (!undone) {
      saying.said("Taken back.");
      return;
    }
    undone.verdict = null;
    show(line.goTo(undone));
    saying.said(`Taken back; ${undone.title} is here again.`);
  }

  // ---- what comes back from the server

  function onAnswer(entry, data) {
    if (data.verdict) {
      mine.add(data.verdict.id);
      settleCard(data.verdict);
    }
    for (const other of data.meanwhile ?? []) {
      if (!mine.has(other.id)) saying.meanwhile(`${other.words} meanwhile. Both are kept; yours is newer and counts.`);
    }
    if (data.sense) find("sense").textContent = data.sense;
    if (entry.address.startsWith("/api/take-back") && !line.find(entry.body.candidate)) {
      location.assign(address(`/candidates/${entry.body.candidate}`));
    }
    leaveIfDone();
  }

  function onRefused(entry, sentence) {
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
      const isSending = outbox.holds((entry) => entry.body.candidate === verdict.candidate);
      if (!mine.has(verdict.id) && !isSending) hear(verdict);
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

  function name() {
    return find("reviewer").value.trim() || state.reviewer;
  }

  function remember(id) {
    const place = said.indexOf(id);
    if (place >= 0) said.splice(place, 1);
    said.push(id);
    writeSaid();
  }

  function readSaid() {
    try {
      return JSON.parse(sessionStorage.getItem(SAID_KEY) ?? "[]");
    } catch {
      return [];
    }
  }

  function writeSaid() {
    try {
      sessionStorage.setItem(SAID_KEY, JSON.stringify(said.slice(-200)));
    } catch {
      // Undo then works until the page is left.
    }
  }

  function press(event, button) {
    answer(button.dataset.answer);
    // A press by hand, not by the keyboard, leaves no focus on the button.
    if (event.detail > 0 && find("details").hidden) restFocus();
  }

  function mark(id, isOn) {
    find(id).setAttribute("aria-pressed", String(isOn));
  }

  function retry() {
    saying.calm();
    void outbox.flush();
    if (find("retry-button").textContent === "Try now") {
      line
        .fill()
        .then(() => line.card.verdict && find("details").hidden && goOn())
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
      e: () => line.card.verdict?.answer === "confirm" && openDetails(),
      o: () => mark("outline-button", looking.toggleOutline()),
      p: () => mark("pixels-button", looking.togglePixels()),
      "+": () => looking.goNearer(1),
      "=": () => looking.goNearer(1),
      "-": () => looking.goNearer(-1),
      " ": () => loop.toggle(line.card, looking.index),
      ArrowLeft: () => ribbon.step(-1),
      ArrowRight: () => ribbon.step(1),
    };
    const buttons = { undo: "z", back: "b", later: "n", details: "e", outline: "o", pixels: "p", nearer: "+", farther: "-", loop: " " };
    for (const [id, key] of Object.entries(buttons)) find(`${id}-button`).addEventListener("click", acts[key]);
    for (const button of find("answers").querySelectorAll("button")) button.addEventListener("click", (event) => press(event, button));
    find("retry-button").addEventListener("click", retry);
    find("details").addEventListener("submit", sendDetails);
    find("details").addEventListener("keydown", (event) => {
      // In some browsers a closed choice takes Enter for itself; here Enter always goes on.
      if (event.key === "Enter" && !event.isComposing) sendDetails(event);
    });
    for (const select of find("order").querySelectorAll("select")) select.addEventListener("change", () => find("order").submit());
    wireKeys({ acts, hold: looking.holdBare, leaveDetails: () => void goOn() });
    wireHolding(find("glass"), looking.holdBare);
    wirePanel();
    keepName();
  }

  // The panel of keys and name lies over the answers; it goes as soon as one turns to something else.
  function wirePanel() {
    const panel = find("ways");
    addEventListener("pointerdown", (event) => {
      if (!panel.contains(event.target)) panel.open = false;
    });
    panel.addEventListener("keydown", (event) => {
      if (event.key === "Escape") {
        panel.open = false;
        panel.querySelector("summary").focus();
      }
    });
  }

  // A name typed here is kept for this browser, until the review is started under another name.
  function keepName() {
    const field = find("reviewer");
    try {
      const kept = JSON.parse(localStorage.getItem(NAME_KEY) ?? "{}");
      if (kept.instead === state.reviewer && kept.name) field.value = kept.name;
      field.addEventListener("change", () => {
        localStorage.setItem(NAME_KEY, JSON.stringify({ instead: state.reviewer, name: field.value.trim() }));
      });
    } catch {
      // The name then lasts as long as the page.
    }
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
