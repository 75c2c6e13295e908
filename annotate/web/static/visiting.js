// One visit is written: only what was changed is sent, through the outbox; what is typed is kept as a draft until it has arrived.

import { makeOutbox } from "./outbox.js";

const find = (id) => document.getElementById(id);
const state = JSON.parse(find("state").textContent);
const form = find("visit");
const draftKey = `leafshade-visit-draft:${state.logbook}:${state.visit}`;
const KEYS = ["site", "date", "reviewer"];

if (form) start();

function start() {
  // What the page came with, and not what stands in it now: something may have been chosen before this ran.
  const before = Object.fromEntries(listFields().map((field) => [field.name, readDefault(field).trim()]));
  const outbox = makeOutbox({ mark: state.logbook, box: "visit", onAnswer, onRefused, onTrouble: tell, onCalm: tell });
  readDraft();
  form.addEventListener("input", keepDraft);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    find("refused").hidden = true;
    outbox.add("/api/visits", listChanged());
    tell();
  });
  tellChanged();
  void outbox.flush();
  tell();

  function listFields() {
    return [...form.elements].filter((field) => field.name);
  }

  function readDefault(field) {
    if (!field.options) return field.defaultValue;
    return ([...field.options].find((option) => option.defaultSelected) ?? field.options[0]).value;
  }

  function readFields() {
    return Object.fromEntries(listFields().map((field) => [field.name, field.value.trim()]));
  }

  function listChanged() {
    const now = readFields();
    const body = { page: state.visit };
    for (const field of form.elements) {
      if (!field.name) continue;
      const isKey = KEYS.includes(field.name);
      if (!isKey && now[field.name] === before[field.name]) continue;
      const tree = field.closest("[data-tree]")?.dataset.tree;
      if (tree) ((body.trees ??= {})[tree] ??= {})[field.dataset.name] = now[field.name];
      else body[field.name] = now[field.name];
    }
    return body;
  }

  function tellChanged() {
    const number = Object.keys(listChanged()).length - KEYS.length - 1;
    find("save").disabled = number === 0 && state.visit !== 0;
  }

  function keepDraft() {
    tellChanged();
    try {
      localStorage.setItem(draftKey, JSON.stringify(readFields()));
    } catch {
      // What is typed then lasts as long as the page.
    }
  }

  function readDraft() {
    try {
      const draft = JSON.parse(localStorage.getItem(draftKey) ?? "{}");
      for (const [name, value] of Object.entries(draft)) if (form.elements[name]) form.elements[name].value = value;
      if (Object.keys(draft).some((name) => draft[name] !== before[name])) find("said").textContent = "Not saved yet: what you typed here before.";
    } catch {
      // Not written here; left as it is.
    }
  }

  function onAnswer(entry, data) {
    if (entry.body.page === state.visit) {
      try {
        localStorage.removeItem(draftKey);
      } catch {
        // It then lasted as long as the page.
      }
      location.assign(data.visit.address);
    }
    tell();
  }

  // What was typed still stands in the form, and in the draft.
  function onRefused(entry, sentence) {
    find("refused").querySelector("p").textContent = sentence;
    find("refused").hidden = false;
    find("refused").scrollIntoView({ block: "center" });
    tell();
  }

  function tell() {
    find("waiting").hidden = outbox.count() === 0;
  }
}
