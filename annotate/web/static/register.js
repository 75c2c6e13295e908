// The register's forms: only what was changed is sent; what is wrong stands beneath its field; what was typed is kept in the
// browser until it is saved, so that a reload or a lost connection loses nothing.

const main = document.getElementById("main");

for (const select of document.querySelectorAll("[data-now]")) {
  select.addEventListener("change", () => select.form.requestSubmit());
}

for (const form of document.querySelectorAll("[data-register]")) prepare(form);

function prepare(form) {
  const draft = `leafshade-register:${main.dataset.mark}:${location.pathname}:${form.dataset.register}`;
  const fields = [...form.querySelectorAll("input, textarea")];
  const said = form.querySelector("[data-said]");
  let sending = false;
  let key = newKey();

  bringBack();
  form.addEventListener("input", () => {
    said.textContent = "";
    keep();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    void save();
  });

  function changed() {
    return fields.filter((field) => field.value !== field.defaultValue);
  }

  function keep() {
    key = newKey();
    const typed = Object.fromEntries(changed().map((field) => [field.name, field.value]));
    try {
      if (Object.keys(typed).length) sessionStorage.setItem(draft, JSON.stringify(typed));
      else sessionStorage.removeItem(draft);
    } catch {
      // No storage here: what was typed lives as long as the page.
    }
  }

  function bringBack() {
    let typed = null;
    try {
      typed = JSON.parse(sessionStorage.getItem(draft));
    } catch {
      typed = null;
    }
    if (!typed) return;
    for (const field of fields) if (typeof typed[field.name] === "string") field.value = typed[field.name];
    for (const field of changed()) field.closest("details")?.setAttribute("open", "");
    if (changed().length) said.textContent = "What you had typed and not yet saved was brought back.";
  }

  async function save() {
    if (sending) return;
    clearWrongs();
    const given = changed();
    if (!given.length) {
      said.textContent = "Nothing was changed.";
      return;
    }
    const body = Object.fromEntries(given.map((field) => [field.name, field.value]));
    Object.assign(body, { key, logbook: main.dataset.mark, reviewer: main.dataset.reviewer });
    body.was = form.dataset.was ?? "";
    if (form.dataset.site) body.site = form.dataset.site;
    sending = true;
    said.textContent = "Saving …";
    const reply = await post(form.dataset.register, body);
    sending = false;
    if (reply.sentence) {
      said.textContent = "";
      showWrong("", reply.sentence);
    } else if (reply.data.saved) {
      try {
        sessionStorage.removeItem(draft);
        if (reply.data.notes.length) sessionStorage.setItem("leafshade-register-note", reply.data.notes.join(" "));
        sessionStorage.setItem("leafshade-register-saved", "yes");
      } catch {
        // The page says less then, nothing else.
      }
      location.assign(reply.data.address);
      if (location.pathname === new URL(reply.data.address, location.href).pathname) location.reload();
    } else {
      said.textContent = "Not saved.";
      key = newKey();
      for (const problem of reply.data.problems) showWrong(problem.field, problem.sentence);
      form.querySelector('[aria-invalid="true"]')?.focus();
    }
  }

  function clearWrongs() {
    for (const place of form.querySelectorAll("[data-wrong]")) place.hidden = true;
    for (const field of fields) field.removeAttribute("aria-invalid");
  }

  function showWrong(name, sentence) {
    const place = [...form.querySelectorAll("[data-wrong]")].find((one) => one.dataset.wrong === name);
    const shown = place ?? form.querySelector('[data-wrong=""]');
    shown.textContent = sentence.charAt(0).toUpperCase() + sentence.slice(1) + ".";
    shown.hidden = false;
    const field = fields.find((one) => one.name === name);
    field?.setAttribute("aria-invalid", "true");
    field?.closest("details")?.setAttribute("open", "");
  }
}

tellSaved();

function tellSaved() {
  try {
    if (!sessionStorage.getItem("leafshade-register-saved")) return;
    const note = sessionStorage.getItem("leafshade-register-note") ?? "";
    sessionStorage.removeItem("leafshade-register-saved");
    sessionStorage.removeItem("leafshade-register-note");
    const said = document.querySelector("[data-said]");
    if (said) said.textContent = note ? `Saved. Note: ${note}.` : "Saved.";
  } catch {
    // Without storage the page simply shows what is now saved.
  }
}

function newKey() {
  return `${String(Date.now()).padStart(15, "0")}-${Math.random().toString(36).slice(2, 12)}`;
}

async function post(address, body) {
  try {
    const response = await fetch(address, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
    });
    const data = await response.json();
    if (response.ok) return { data };
    return { sentence: (data.sentence ?? "The server could not take it").replace(/\.$/, "") };
  } catch {
    return { sentence: "The server does not answer, and nothing is saved yet; what you typed stays here: try again" };
  }
}
