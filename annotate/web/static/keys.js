// Keys and holding. Single keys can be switched off (WCAG 2.1, 2.1.4), and never act while something is being written.

const KEYS_KEY = "leafshade-single-keys";

const find = (id) => document.getElementById(id);

// `findMode` returns what takes all keys for a while, such as the pen: its acts, and whether an element is part of it, which has its
// keys always; null for the usual acts.
export function wireKeys({ acts, hold, leaveDetails, findMode }) {
  const isOn = keepSwitch(find("single-keys"));

  addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const mode = findMode();
    if (mode) {
      if (isOn() || mode.owns(event.target)) act(event, key, mode.acts, mode.mayRepeat);
      return;
    }
    if (key === "Escape" && find("details")?.hidden === false) {
      leaveDetails();
      return;
    }
    const isOnRibbon = event.target.id === "ribbon" && key.startsWith("Arrow"); // a slider has its arrows always
    if (isOn() || isOnRibbon) act(event, key, acts, (name) => name.startsWith("Arrow"));
  });
  addEventListener("keyup", (event) => {
    if (event.key.toLowerCase() === "h") hold(false);
    if (event.key === " ") findMode()?.releaseSpace();
  });

  function act(event, key, chosen, mayRepeat) {
    if (isWriting(event.target) && key !== "Escape") return;
    if ((key === " " || (key === "Enter" && chosen.Enter)) && event.target.closest("button, summary, a, input")) return;
    if (key === "h") hold(true);
    else if (chosen[key]) {
      event.preventDefault();
      // A key that stays down must not judge one candidate after another.
      if (!event.repeat || mayRepeat(key)) chosen[key](event);
    }
  }
}

export function wireHolding(glass, hold) {
  glass.addEventListener("pointerdown", () => hold(true));
  for (const kind of ["pointerup", "pointercancel", "pointerleave"]) glass.addEventListener(kind, () => hold(false));
  glass.addEventListener("contextmenu", (event) => event.preventDefault());
  addEventListener("blur", () => hold(false));
}

function isWriting(element) {
  return element.closest?.("select, textarea, input:not([type=checkbox])") != null;
}

function keepSwitch(box) {
  try {
    box.checked = localStorage.getItem(KEYS_KEY) !== "off";
    box.addEventListener("change", () => localStorage.setItem(KEYS_KEY, box.checked ? "on" : "off"));
  } catch {
    // The switch then lasts as long as the page.
  }
  return () => box.checked;
}
