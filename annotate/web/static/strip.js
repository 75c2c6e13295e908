// The parts of a clip: drawn along the strip, moved by their ends, named and removed in the list. All parts are sent together,
// with those known to stand before, through the outbox; undo sends those of before.

import { makeOutbox } from "./outbox.js";

const find = (id) => document.getElementById(id);
const state = JSON.parse(find("state").textContent);
const LEAST_S = Math.min(0.5, state.duration_s / 10);
const ASK_AGAIN_MS = 700;
let parts = state.stretches;
const undos = [];

const outbox = makeOutbox({ mark: state.logbook, box: `clip-${state.clip}`, onAnswer, onRefused, onTrouble, onCalm: () => say("") });
if (outbox.count()) parts = outbox.list().at(-1).body.stretches;

void fillStrip();
show();
void outbox.flush();
find("add").addEventListener("click", () => addPart(...findGap()));
find("undo").addEventListener("click", () => {
  const before = undos.pop();
  if (before) send(before);
});
addEventListener("keydown", (event) => {
  if ((event.ctrlKey || event.metaKey) && event.key === "z" && event.target.tagName !== "INPUT") find("undo").click();
});
find("parts").addEventListener("pointerdown", startDrawing);

function change(next) {
  undos.push(parts);
  send(next);
}

function send(next) {
  const seen = parts;
  parts = [...next].sort((one, other) => one.start_s - other.start_s);
  find("refused").hidden = true;
  say("Saving …");
  outbox.add("/api/stretches", { clip: state.clip, stretches: parts, seen, reviewer: state.reviewer });
  show();
}

function onAnswer(entry, data) {
  if (!outbox.count() && data.stretches) {
    parts = data.stretches;
    show();
  }
  say("Saved.");
}

function onRefused(entry, sentence) {
  parts = entry.body.seen;
  undos.length = 0;
  refuse(sentence);
  say("Not saved.");
  show();
}

function onTrouble(number) {
  say(`Not saved yet; kept in this browser (${number}), to be sent when the computer answers.`);
}

function say(words) {
  find("said").textContent = words;
}

function show() {
  find("undo").disabled = undos.length === 0;
  find("parts").replaceChildren(...parts.map(drawBar));
  const focused = document.activeElement?.dataset?.field;
  find("list").replaceChildren(...parts.map(drawRow));
  if (focused) find("list").querySelector(`[data-field="${focused}"]`)?.focus();
}

function drawBar(part, place) {
  const bar = document.createElement("div");
  bar.className = part.doubt ? "part doubtful" : "part";
  lay(bar, part);
  bar.textContent = nameTree(part.tree) + (part.doubt ? " ?" : "");
  for (const side of ["first", "last"]) {
    const end = document.createElement("span");
    end.className = `end ${side}`;
    end.addEventListener("pointerdown", (event) => startMoving(event, place, side, bar));
    bar.append(end);
  }
  return bar;
}

function lay(bar, part) {
  bar.style.left = `${(100 * part.start_s) / state.duration_s}%`;
  bar.style.width = `${(100 * (part.end_s - part.start_s)) / state.duration_s}%`;
}

function drawRow(part, place) {
  const row = document.createElement("li");
  const boxes = document.createElement("div");
  boxes.className = "row";
  boxes.append(
    field("Tree", chooseTree(part, place), `tree ${place}`),
    field("from, s", timeBox(part, place, "start_s"), `start_s ${place}`),
    field("to, s", timeBox(part, place, "end_s"), `end_s ${place}`),
    press("Remove", () => change(parts.filter((_, other) => other !== place)), `remove ${place}`),
  );
  row.append(boxes);
  if (part.doubt) {
    const words = document.createElement("p");
    words.textContent = `In doubt: ${part.doubt}.`;
    row.append(words, press(`It is ${nameTree(part.tree)}`, () => replace(place, {}), `sure ${place}`));
  }
  return row;
}

function field(words, control, name) {
  const label = document.createElement("label");
  control.dataset.field = name;
  label.append(`${words} `, control);
  return label;
}

function press(words, act, name) {
  const button = document.createElement("button");
  button.type = "button";
  button.dataset.field = name;
  button.textContent = words;
  button.addEventListener("click", act);
  return button;
}

function chooseTree(part, place) {
  const select = document.createElement("select");
  for (const tree of state.trees) select.add(new Option(nameTree(tree), tree, false, tree === part.tree));
  select.addEventListener("change", () => replace(place, { tree: select.value }));
  return select;
}

function refuse(sentence) {
  find("refused").textContent = sentence;
  find("refused").hidden = false;
}

function timeBox(part, place, name) {
  const input = document.createElement("input");
  input.inputMode = "decimal";
  input.value = part[name].toFixed(1);
  input.addEventListener("change", () => {
    const typed = input.value.trim();
    const value = Number(typed.replace(",", "."));
    if (typed && Number.isFinite(value)) replace(place, { [name]: value });
    else refuse(`Expected seconds from the clip's start, such as 12.5; found ${typed ? `“${typed}”` : "nothing"}; correct it.`);
  });
  return input;
}

function replace(place, values) {
  change(parts.map((part, other) => (other === place ? { ...part, ...values, source: "said", doubt: "" } : part)));
}

function addPart(start_s, end_s) {
  if (!state.trees.length) return say("There is no tree in the register yet.");
  if (end_s - start_s < LEAST_S) return say("There is no room: move or remove a part first.");
  const before = parts.findLast((part) => part.start_s <= start_s);
  const at = before ? state.trees.indexOf(before.tree) + 1 : 0;
  const tree = state.trees[Math.min(at, state.trees.length - 1)];
  change([...parts, { tree, start_s, end_s, source: "said", doubt: "" }]);
}

function findGap() {
  let best = [0, 0];
  let from = 0;
  for (const until of [...parts.map((part) => part.start_s), state.duration_s]) {
    if (until - from > best[1] - best[0]) best = [from, until];
    from = parts.find((part) => part.start_s === until)?.end_s ?? from;
  }
  return best;
}

function startDrawing(event) {
  if (event.target !== find("parts")) return;
  const start = toTime(event);
  const low = Math.max(0, ...parts.filter((part) => part.end_s <= start).map((part) => part.end_s));
  const high = Math.min(state.duration_s, ...parts.filter((part) => part.start_s >= start).map((part) => part.start_s));
  const bar = document.createElement("div");
  bar.className = "part";
  find("parts").append(bar);
  const span = (now) => ({ start_s: Math.max(low, Math.min(start, now)), end_s: Math.min(high, Math.max(start, now)) });
  follow(event, find("parts"), (now) => lay(bar, span(now)), (now) => {
    bar.remove();
    const drawn = span(now);
    if (drawn.end_s - drawn.start_s >= LEAST_S) addPart(drawn.start_s, drawn.end_s);
  });
}

function startMoving(event, place, side, bar) {
  const part = parts[place];
  const low = side === "first" ? (parts[place - 1]?.end_s ?? 0) : part.start_s + LEAST_S;
  const high = side === "first" ? part.end_s - LEAST_S : (parts[place + 1]?.start_s ?? state.duration_s);
  const name = side === "first" ? "start_s" : "end_s";
  const held = (now) => Math.max(low, Math.min(high, now));
  event.stopPropagation();
  follow(event, event.target, (now) => lay(bar, { ...part, [name]: held(now) }), (now) => replace(place, { [name]: held(now) }));
}

function follow(event, target, onMove, onEnd) {
  event.preventDefault();
  target.setPointerCapture(event.pointerId);
  const stop = new AbortController();
  target.addEventListener("pointermove", (one) => onMove(toTime(one)), { signal: stop.signal });
  target.addEventListener("pointerup", (one) => (stop.abort(), onEnd(toTime(one))), { signal: stop.signal });
  target.addEventListener("pointercancel", () => (stop.abort(), show()), { signal: stop.signal });
}

function toTime(event) {
  const box = find("parts").getBoundingClientRect();
  const share = Math.max(0, Math.min(1, (event.clientX - box.left) / box.width));
  return Math.round(share * state.duration_s * 10) / 10;
}

function nameTree(tree) {
  return tree.split("/").at(-1);
}

async function fillStrip() {
  const spots = state.times_s.map(() => document.createElement("span"));
  find("pictures").replaceChildren(...spots);
  for (;;) {
    let told;
    try {
      told = await (await fetch(`/api/clips/${state.clip}/strip`)).json();
    } catch {
      find("strip-said").textContent = "The server does not answer; the pictures come when the page is loaded again.";
      return;
    }
    find("strip-said").textContent = told.sentence ?? "";
    for (let place = 0; place < told.ready; place += 1) {
      if (spots[place].tagName === "IMG") continue;
      const picture = new Image();
      picture.src = `/clips/${state.clip}/strip/${place}.jpg`;
      picture.alt = `at ${state.times_s[place].toFixed(0)} s`;
      spots[place].replaceWith(picture);
      spots[place] = picture;
    }
    if (told.done || told.done === undefined) return;
    await new Promise((resolve) => setTimeout(resolve, ASK_AGAIN_MS));
  }
}
