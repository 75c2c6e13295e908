// One observation is corrected: only what was changed is sent, and waits in the outbox while the connection is bad.

import { readForm, showCaution, wireForm } from "./field_form.js";
import { makeOutbox } from "./outbox.js";
import { makePhotoBox } from "./photo_box.js";
import { makePhotoSending } from "./photo_sending.js";

const find = (id) => document.getElementById(id);
const state = JSON.parse(find("state").textContent);
const form = find("correct");
const before = readForm(form);
const refused = find("refused");
let photosWaiting = 0;

const outbox = makeOutbox({ mark: state.logbook, box: "correct", onAnswer, onRefused, onTrouble: tell, onCalm: tell });
const box = makePhotoBox(state.logbook);
const sending = makePhotoSending({
  box,
  mark: state.logbook,
  who: () => form.elements.reviewer.value.trim(),
  isOurs: (key) => key.startsWith("observation-"),
  isHeld: () => false,
  onSent: () => location.reload(),
  onRefused: (key, kept, sentence) => refuse(`${kept.name}: ${sentence}`),
  onTurn: (count) => {
    photosWaiting = count;
    tell();
  },
});

wireForm(form, tellChanged);
form.addEventListener("submit", save);
find("stand")?.addEventListener("click", (event) => {
  outbox.add("/api/seen/stand", { observation: state.observation, stands: event.target.dataset.stands, reviewer: form.elements.reviewer.value.trim() });
  tell();
});
find("send-now").addEventListener("click", () => {
  void outbox.flush();
  void sending.flush();
});
form.elements.photo?.addEventListener("change", async () => {
  const file = form.elements.photo.files[0];
  if (!file) return;
  await box.keep(`observation-${state.observation}`, file);
  void sending.flush();
});
showCaution(form);
void outbox.flush();
void sending.flush();
tell();

function listChanged() {
  const now = readForm(form);
  const changed = Object.fromEntries(Object.entries(now).filter(([name, value]) => name !== "reviewer" && before[name] !== value));
  // A date means nothing without its time.
  if ("date" in changed || "time" in changed) Object.assign(changed, { date: now.date, time: now.time });
  return changed;
}

function tellChanged() {
  showCaution(form);
  const number = Object.keys(listChanged()).length;
  find("save").disabled = number === 0;
  find("save").textContent = number ? "Save the correction" : "Nothing changed";
}

function save(event) {
  event.preventDefault();
  const changed = listChanged();
  if (!Object.keys(changed).length) return;
  refused.hidden = true;
  outbox.add("/api/seen/correct", { observation: state.observation, reviewer: form.elements.reviewer.value.trim(), ...changed });
  tell();
}

function onAnswer(entry) {
  if (entry.body.observation === state.observation) location.reload();
  tell();
}

// What was typed still stands in the form.
function onRefused(entry, sentence) {
  refuse(entry.body.observation === state.observation ? sentence : `Observation ${entry.body.observation}: ${sentence}`);
  tell();
}

function refuse(sentence) {
  const item = document.createElement("li");
  item.textContent = sentence;
  refused.querySelector("ul").replaceChildren(item);
  refused.hidden = false;
}

function tell() {
  const entries = outbox.count();
  find("waiting").hidden = entries + photosWaiting === 0;
  find("waiting-words").textContent = `${entries ? "The correction" : "The photo"} is kept in this browser, to be sent when the computer answers.`;
}
