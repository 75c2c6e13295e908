// Correcting the outline of the view shown, and drawing in what the search missed: the pen with its bar of tools, what is kept of a
// drawing that was left, and what is sent. How a line is drawn stands in outlining.js.

import { makeDrafts } from "./drafts.js";
import { makePen } from "./outlining.js";
import { tellTool, wirePenBar } from "./pen_bar.js";
import { findBox } from "./polygons.js";

const WAY_BACK = { correct: "Correct outline", draw: "Draw in a larva" };

const find = (id) => document.getElementById(id);

export function makeDrawing({ limits, mark, looking, saying, send, ask, onTurn, restFocus }) {
  const bar = find("outlining");
  const words = find("outlining-words");
  const pen = makePen({ glass: find("glass"), picture: find("view"), layer: find("pen"), limits, looking, say, onChange: tell });
  const drafts = makeDrafts(mark);
  const before = new Map(); // views as they were before a correction that the server may still refuse
  let mode = ""; // "correct", "draw", "place" while one points into the whole frame
  let card = null;
  let view = null;
  let other = null; // the picture cut from the whole frame, where one draws in that
  let isResumed = false; // the pen began with what was left
  let own = ""; // the search's outline as the pen has it, once it was asked for

  function say(sentence) {
    words.textContent = sentence;
  }

  function turn(next) {
    mode = next;
    bar.dataset.mode = next;
    find("keep-word").textContent = next === "place" ? "Here" : "Keep";
  }

  function name() {
    return `${mode}:${card.id}:${other?.name ?? view.rank}`;
  }

  // ---- opening and leaving

  function open(next, index, wanted) {
    card = next;
    view = card.views[index];
    other = null;
    own = "";
    turn(wanted);
    find("main").dataset.mode = "outlining";
    for (const part of shut()) part.inert = true;
    bar.hidden = false;
    find("answers").hidden = true;
    find("outlining-head").textContent = mode === "correct" ? "Outline of this view" : "Draw in what the search missed";
    bar.elements.drawn_kind.value = card.kind;
    bar.elements.drawn_stage.value = "";
    scrollTo(0, find("main").offsetTop); // on a phone the button stands far below the picture
    begin();
    onTurn();
  }

  function begin() {
    const draft = drafts.get(name());
    isResumed = draft !== undefined;
    const start = draft ?? (mode === "correct" ? view.outline : []);
    const picture = other ?? view;
    const isTidied = !draft && mode === "correct" && !view.own_outline;
    pen.begin({ origin: picture.origin_px, size: picture.size_px, start, isTidied });
    if (draft) say("Here is the outline as you left it.");
    else if (mode === "correct") say("Drag a point, or press the line to add one; the brush adds and takes away.");
    else say("Press round the body, point by point, or take the brush and paint it.");
  }

  function leave() {
    if (mode === "place") {
      backToView();
      return;
    }
    if (keepDraft()) saying.said(`Left without being kept; ${WAY_BACK[mode]} brings it back as it was.`);
    close();
  }

  function keepDraft() {
    const isWorthIt = (mode === "correct" || mode === "draw") && isDrawn() && pen.points.length > 0;
    if (isWorthIt) drafts.set(name(), pen.points);
    return isWorthIt;
  }

  // After a reload in the middle of a drawing; one that waits in the outbox is sent by itself.
  function tellLeft(next, waiting) {
    const sent = waiting.map(nameSent);
    const left = next && drafts.names().find((one) => one.split(":")[1] === String(next.id) && !sent.includes(one));
    if (left) saying.said(`The outline you were drawing is kept; ${WAY_BACK[left.split(":")[0]]} brings it back as it was.`);
  }

  function close() {
    pen.end();
    mode = "";
    delete find("main").dataset.mode;
    for (const part of shut()) part.inert = false;
    bar.hidden = true;
    find("answers").hidden = false;
    looking.showView();
    restFocus();
    onTurn();
  }

  const shut = () => document.querySelectorAll(".strip, .foot, .tools, .beside, .along, .back, .later, .why, .top nav");

  // ---- keeping

  function keep() {
    if (mode === "place") {
      void point(pen.centre());
      return;
    }
    const fault = pen.findFault();
    if (fault) {
      say(fault);
      return;
    }
    if (mode === "draw" || isToBeSent()) {
      drafts.set(name(), pen.points); // until the logbook has it
      if (mode === "correct") keepCorrection();
      else keepDrawn();
    } else {
      drafts.delete(name());
      saying.said("The outline is as it was.");
    }
    close();
  }

  const isOwnAgain = () => own !== "" && JSON.stringify(pen.points) === own;
  const isToBeSent = () => (isOwnAgain() ? view.own_outline !== null : isDrawn());
  const isDrawn = () => pen.isChanged || isResumed;

  function keepCorrection() {
    const isOwn = isOwnAgain();
    const outline = isOwn ? null : pen.points;
    send("/api/outlines", { candidate: card.id, rank: view.rank, outline });
    if (!before.has(name())) before.set(name(), { ...view });
    const [low, high] = findBox(pen.points);
    view.own_outline = isOwn ? null : (view.own_outline ?? view.outline);
    view.outline = pen.points;
    view.box = [Math.floor(low[0]), Math.floor(low[1]), Math.floor(high[0]) + 1, Math.floor(high[1]) + 1];
    saying.said(isOwn ? "The search's own outline stands again." : "Your outline stands in place of the search's.");
  }

  function keepDrawn() {
    const picture = other ? { picture: other.name, origin: other.origin_px, frame: other.frame } : {};
    const { drawn_kind: kind, drawn_stage: stage } = bar.elements;
    send("/api/drawn-in", { candidate: card.id, rank: view.rank, outline: pen.points, kind: kind.value, stage: stage.value, ...picture });
    saying.said("Drawn in; it is being written into the logbook.");
  }

  // What the server made of it; a refused outline is put back, and the drawing can be opened again as it was.
  function settle(entry, data) {
    const { candidate, rank } = entry.body;
    drafts.delete(nameSent(entry));
    before.delete(`correct:${candidate}:${rank}`);
    return data;
  }

  function nameSent({ address, body }) {
    return `${address.includes("/api/outlines") ? "correct" : "draw"}:${body.candidate}:${body.picture ?? body.rank}`;
  }

  function putBack(entry, refused) {
    const key = `correct:${entry.body.candidate}:${entry.body.rank}`;
    if (before.has(key)) Object.assign(refused.views[entry.body.rank], before.get(key));
    before.delete(key);
  }

  // ---- the whole frame

  function goToFrame() {
    if (mode !== "draw") return;
    turn("place");
    view = card.views[0]; // the frame that is kept is that of the best view
    looking.showOther({ url: card.frame.url, label: card.frame.label, origin_px: [0, 0], size_px: card.frame.size_px });
    pen.begin({ origin: [0, 0], size: card.frame.size_px, start: [] });
    say("Press the place in the whole frame; or move it under the cross with the arrows, and Enter.");
  }

  async function point(place) {
    const asked = card;
    say("Fetching this part of the frame from the clip.");
    let reply;
    try {
      reply = await ask("/api/surroundings", { candidate: card.id, rank: 0, place });
    } catch {
      reply = { sentence: "The server does not answer, so the frame cannot be fetched now." };
    }
    if (mode !== "place" || card !== asked) return;
    if (!reply.picture) {
      pen.begin({ origin: [0, 0], size: card.frame.size_px, start: [] });
      say(`${reply.sentence} You can still draw in the views.`);
      return;
    }
    other = { ...reply.picture, label: "part of the whole frame, as it was filmed" };
    turn("draw");
    looking.showOther(other);
    begin();
  }

  function backToView() {
    turn("draw");
    other = null;
    looking.showView();
    begin();
  }

  // ---- the bar

  function tell() {
    if (mode === "place" && pen.points.length) void point(pen.points[0]);
    tellTool(bar, pen);
  }

  function takeOwn() {
    if (mode !== "correct") return;
    pen.replace(view.own_outline ?? before.get(name())?.outline ?? view.outline, "The search's own outline; Enter keeps it.");
    own = JSON.stringify(pen.points);
  }

  const keys = wirePenBar({
    bar,
    pen,
    layer: find("pen"),
    own: { r: takeOwn, f: goToFrame, " ": () => (mode === "place" ? keep() : pen.pressSpace()) },
    keep,
    leave,
    isOpen: () => mode !== "",
  });

  addEventListener("pagehide", keepDraft);

  return {
    tellLeft,
    correct: (next, index) => open(next, index, "correct"),
    draw: (next, index) => open(next, index, "draw"),
    settle,
    putBack,
    get isOpen() {
      return mode !== "";
    },
    keys,
  };
}
