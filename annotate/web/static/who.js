// Who judges: the name in the panel of keys and name. A name typed there is kept for this browser, until the review is started under
// another name.

const NAME_KEY = "leafshade-reviewer";

const find = (id) => document.getElementById(id);

export function makeWho(reviewer) {
  const field = find("reviewer");
  wirePanel(find("ways"));
  try {
    const kept = JSON.parse(localStorage.getItem(NAME_KEY) ?? "{}");
    if (kept.instead === reviewer && kept.name) field.value = kept.name;
    field.addEventListener("change", () => {
      localStorage.setItem(NAME_KEY, JSON.stringify({ instead: reviewer, name: field.value.trim() }));
    });
  } catch {
    // The name then lasts as long as the page.
  }
  return () => field.value.trim() || reviewer;
}

// The panel lies over the answers; it goes as soon as one turns to something else.
export function wirePanel(panel) {
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
