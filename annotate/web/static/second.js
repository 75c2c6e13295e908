// The second reading: candidates that others judged, without a trace of what they said. It never asks what changed, and what it
// sends is kept apart from what the usual review keeps in this browser. What it shares with the review knows no address of the server.

import { SAID, makeCourse, restFocus, watchForFirst } from "./course.js";
import { wireHolding, wireKeys } from "./keys.js";
import { address, find, state } from "./page_state.js";
import { makeSaying } from "./saying.js";
import { makeShowing } from "./showing.js";
import { wirePanel } from "./who.js";

const AHEAD = "/api/second/ahead";
const YOU_SAID = { confirm: "You confirmed this", dismiss: "You dismissed this", unsure: "You were unsure of this" };
const WORDS = {
  stuck: "The next candidates cannot be fetched: the server does not answer, or is no second reading. Nothing is lost; start leafshade review --second again, or try once more.",
  first: "This is the first one looked at here.",
};

if (state.card) begin();
else watchForFirst(AHEAD); // the first reader may still be judging

function begin() {
  const saying = makeSaying();
  const showing = makeShowing({ findCard: () => line.card, saying });
  const course = makeCourse({
    source: AHEAD,
    mark: `${state.logbook}:second:${state.reviewer}`,
    box: "second",
    saying,
    name: () => state.reviewer,
    show,
    onArrived: showing.loop.askAhead,
    onAnswer,
    onRefused: (entry, sentence) => saying.trouble(sentence, "Seen"),
    words: WORDS,
  });
  const { line, said } = course;

  show(line.card);
  wire();
  course.begin();

  function show(card) {
    showing.show(card);
    showing.tellAnswer(card.verdict ? `${card.verdict.words}.` : "", card.verdict?.answer);
  }

  function answer(word) {
    if (course.isMoving) return;
    const { card } = line;
    course.send("/api/second/verdicts", { candidate: card.id, answer: word, one_in: state.one_in });
    card.verdict = { answer: word, words: YOU_SAID[word] };
    line.settle(card.id);
    said.add(card.id);
    saying.said(`${SAID[word]} ${card.title}.`, { undo: true });
    void course.goOn();
  }

  function undo() {
    const id = course.takeLast();
    if (id === undefined) return;
    course.reopen(id);
    course.send("/api/second/take-back", { candidate: id });
    course.comeBack(id);
  }

  function onAnswer(entry) {
    const isUndo = entry.address.startsWith("/api/second/take-back");
    if (isUndo && !line.find(entry.body.candidate)) location.assign(address(`/candidates/${entry.body.candidate}`));
  }

  function wire() {
    const acts = {
      ...course.acts,
      ...showing.acts,
      c: () => answer("confirm"),
      d: () => answer("dismiss"),
      u: () => answer("unsure"),
      z: undo,
    };
    const buttons = { ...course.buttons, ...showing.buttons };
    for (const [id, key] of Object.entries(buttons)) find(`${id}-button`).addEventListener("click", acts[key]);
    for (const button of find("answers").querySelectorAll("button")) {
      button.addEventListener("click", (event) => {
        answer(button.dataset.answer);
        if (event.detail > 0) restFocus();
      });
    }
    wirePanel(find("ways"));
    wireKeys({ acts, hold: showing.looking.holdBare, leaveDetails: () => undefined, findMode: () => null });
    wireHolding(find("glass"), showing.looking.holdBare);
  }
}
