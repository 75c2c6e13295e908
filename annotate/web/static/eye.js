// The form for the field. What is entered is kept as a draft with every tap, what is saved waits in the outbox, photos in a box of
// their own: a lost connection, a closed tab or an empty battery loses nothing that was entered.

import { SAID, readForm, setForm, showCaution, wireForm } from "./field_form.js";
import { makeOutbox } from "./outbox.js";
import { makePhotoBox } from "./photo_box.js";
import { makePhotoSending } from "./photo_sending.js";
import { makeFile } from "./waiting_file.js";

const MOST_PHOTO_BYTES = 40e6; // what the server takes
const STICKY = ["tree", "reviewer", "when", "date"]; // the next record is made under the same tree, on the same walk

const find = (id) => document.getElementById(id);
const state = JSON.parse(find("state").textContent);
const form = find("eye");
const draftKey = `leafshade-draft:${state.logbook}`;
const refusedKey = `leafshade-refused:${state.logbook}`;

const storage = (() => {
  try {
    localStorage.setItem("leafshade-try", "1");
    localStorage.removeItem("leafshade-try");
    return localStorage;
  } catch {
    const loose = new Map();
    return { getItem: (key) => loose.get(key) ?? null, setItem: (key, text) => loose.set(key, text) };
  }
})();

const box = makePhotoBox(state.logbook);
let entryKey = makeKey();
let usual = {};
let photosWaiting = 0;

const outbox = makeOutbox({
  mark: state.logbook,
  box: "eye",
  onAnswer,
  onRefused,
  onTrouble: tellWaiting,
  onCalm: tellWaiting,
});
const sending = makePhotoSending({
  box,
  mark: state.logbook,
  who: () => form?.elements.reviewer.value.trim() ?? "",
  // The photo of what is being entered, or was not taken, waits for its record to be saved.
  isOurs: (key) => key !== entryKey && !key.startsWith("observation-") && !readRefused().some((one) => one.body.entry === key),
  isHeld: (key) => outbox.holds((entry) => entry.body.entry === key),
  onSent: (key, data) => showSeen(data.seen),
  onRefused: (key, kept, sentence) => say(`The photo ${kept.name} was not taken: ${sentence} Its record stands without.`),
  onTurn: (count) => {
    photosWaiting = count;
    tellWaiting();
  },
});

if (form) start();

function start() {
  usual = readForm(form);
  wireForm(form, changed);
  form.addEventListener("submit", save);
  find("field-photo").addEventListener("change", choosePhoto);
  find("photo-drop").addEventListener("click", () => void leavePhoto());
  find("send-now").addEventListener("click", () => {
    void outbox.flush();
    void sending.flush();
  });
  find("save-file").addEventListener("click", () => makeFile(outbox.list()));
  readDraft();
  showRefused();
  changed();
  tellWaiting();
  void outbox.flush();
  void sending.flush();
}

function makeKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return `${Date.now()}-${Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("")}`;
}

function changed() {
  const values = readForm(form);
  find("animal").hidden = values.found === "none";
  find("moment").hidden = values.when !== "given";
  if (values.when === "given" && !values.date) form.elements.date.value = today();
  showCaution(form);
  find("save").textContent = nameEntry(values);
  keepDraft();
}

function today() {
  const now = new Date();
  return new Date(now.getTime() - now.getTimezoneOffset() * 60000).toISOString().slice(0, 10);
}

function nameEntry(values) {
  if (!values.tree) return "Choose a tree";
  if (values.found === "none") return `Save: none found on ${values.tree}`;
  const many = values.count && values.count !== "1" ? `${values.count} × ` : "";
  return `Save: ${many}${values.stage || "stage not said"} on ${values.tree}`;
}

// The draft holds what was entered and the key it will be saved under, so that it is one record however often it is sent.
function keepDraft() {
  try {
    storage.setItem(draftKey, JSON.stringify({ key: entryKey, values: readForm(form) }));
  } catch {
    say("The storage of this browser is full: what you enter lasts as long as this page.");
  }
}

function readDraft() {
  let draft = null;
  try {
    draft = JSON.parse(storage.getItem(draftKey) ?? "null");
  } catch {
    draft = null;
  }
  if (!draft) return;
  // Killed between sending and clearing: it is on its way already.
  const isSent = outbox.holds((entry) => entry.body.entry === draft.key);
  const chosen = form.querySelector("input[name=tree]:checked")?.value;
  setForm(form, isSent ? pick(draft.values, STICKY) : draft.values);
  if (chosen) form.elements.tree.value = chosen;
  if (isSent) return;
  entryKey = draft.key;
  void box.read(entryKey).then((kept) => kept && showPhoto(kept));
}

const pick = (values, names) => Object.fromEntries(names.filter((name) => name in values).map((name) => [name, values[name]]));

function save(event) {
  event.preventDefault();
  const values = readForm(form);
  if (!values.tree) {
    say("Choose the tree first.");
    form.querySelector("input[name=tree]")?.focus();
    form.querySelector(".trees").scrollIntoView({ block: "center" });
    return;
  }
  outbox.add("/api/seen", writeEntry(values));
  const name = nameEntry(values).replace("Save: ", "");
  entryKey = makeKey();
  find("photo-shown").hidden = true;
  form.elements.photo.value = "";
  setForm(form, { ...usual, ...pick(values, STICKY) });
  changed();
  say(`Kept: ${name}.`);
  scrollTo({ top: 0 });
  void sending.flush();
  tellWaiting();
}

function writeEntry(values) {
  const isNone = values.found === "none";
  const animal = new Set(["stage", "condition", "behaviour", "height_m", "aspect", "branch", "marker"]);
  const body = { entry: entryKey, tree: values.tree, reviewer: values.reviewer };
  for (const name of SAID) body[name] = isNone && animal.has(name) ? "" : (values[name] ?? "");
  if (isNone) body.count = "0";
  if (values.when === "given") Object.assign(body, { date: values.date, time: values.time });
  else body.at = new Date().toISOString();
  return body;
}

async function choosePhoto() {
  const file = form.elements.photo.files[0];
  if (!file) return;
  if (file.size > MOST_PHOTO_BYTES) {
    form.elements.photo.value = "";
    say(`${file.name} is too large: at most 40 MB. Choose a smaller photo.`);
    return;
  }
  const key = entryKey;
  await box.keep(key, file);
  const kept = await box.read(key);
  if (key === entryKey && kept) showPhoto(kept);
  else void sending.flush();
}

async function showPhoto(kept) {
  find("photo-shown").hidden = false;
  find("photo-words").textContent = `${kept.name}, ${(kept.bytes.byteLength / 1e6).toFixed(1)} MB`;
  const canvas = find("photo-view");
  canvas.hidden = true;
  try {
    const picture = await createImageBitmap(new Blob([kept.bytes], { type: kept.type }));
    const share = Math.min(1, 320 / Math.max(picture.width, picture.height));
    canvas.width = Math.max(1, Math.round(picture.width * share));
    canvas.height = Math.max(1, Math.round(picture.height * share));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    canvas.hidden = false;
  } catch {
    // A kind that this browser cannot show (HEIC, for many); the server may still read it.
  }
}

async function leavePhoto() {
  form.elements.photo.value = "";
  find("photo-shown").hidden = true;
  await box.drop(entryKey);
}

function onAnswer(entry, data) {
  if (data.seen) showSeen(data.seen);
  if (data.sense) find("sense").textContent = data.sense;
  tellWaiting();
  void sending.flush();
}

// What is refused is not lost: it stands here with the reason until it is put back into the form or thrown away.
function onRefused(entry, sentence) {
  const kept = readRefused();
  kept.push({ body: entry.body, sentence });
  storage.setItem(refusedKey, JSON.stringify(kept));
  showRefused();
  tellWaiting();
}

function readRefused() {
  try {
    return JSON.parse(storage.getItem(refusedKey) ?? "[]");
  } catch {
    return [];
  }
}

function showRefused() {
  const kept = readRefused();
  const list = find("refused").querySelector("ul");
  find("refused").hidden = kept.length === 0;
  list.replaceChildren(
    ...kept.map((one, place) => {
      const item = document.createElement("li");
      item.append(`${one.body.tree}: ${one.sentence} `);
      const back = document.createElement("button");
      back.type = "button";
      back.textContent = "Put back into the form";
      back.addEventListener("click", () => putBack(place));
      item.append(back);
      return item;
    }),
  );
}

function putBack(place) {
  const kept = readRefused();
  const [{ body }] = kept.splice(place, 1);
  storage.setItem(refusedKey, JSON.stringify(kept));
  showRefused();
  entryKey = body.entry;
  const when = body.at ? splitMoment(body.at) : { date: body.date, time: body.time };
  setForm(form, { ...usual, ...pick(body, ["tree", "reviewer", ...SAID]), ...when, when: "given", found: body.count === "0" ? "none" : "seen" });
  void box.read(entryKey).then((found) => found && showPhoto(found));
  changed();
}

function splitMoment(stamp) {
  const moment = new Date(stamp);
  const local = new Date(moment.getTime() - moment.getTimezoneOffset() * 60000).toISOString();
  return { date: local.slice(0, 10), time: local.slice(11, 16) };
}

function showSeen(seen) {
  const list = find("recent");
  find("none-recent").hidden = true;
  const item = document.createElement("li");
  const link = document.createElement("a");
  link.href = seen.address;
  const tree = document.createElement("strong");
  tree.textContent = seen.tree;
  link.append(tree, ` ${seen.what}`);
  const when = document.createElement("span");
  when.className = "quiet";
  when.textContent = ` ${seen.when}${seen.picture ? ", with its photo" : ""}`;
  item.append(link, when);
  item.dataset.seen = seen.id;
  const before = list.querySelector(`[data-seen="${seen.id}"]`);
  if (before) before.replaceWith(item);
  else list.prepend(item);
}

function tellWaiting() {
  const entries = outbox.count();
  const photos = photosWaiting;
  const parts = [];
  if (entries) parts.push(`${entries} ${entries === 1 ? "record" : "records"}`);
  if (photos) parts.push(`${photos} ${photos === 1 ? "photo" : "photos"}`);
  find("waiting").hidden = parts.length === 0;
  find("waiting-words").textContent = `${parts.join(" and ")} kept in this phone, to be sent when the computer answers.`;
  find("save-file").hidden = entries === 0;
}

function say(sentence) {
  find("said").textContent = sentence;
}
