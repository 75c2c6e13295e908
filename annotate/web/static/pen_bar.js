// The bar of the pen: its buttons, and the keys that stand for them while an outline is drawn. The pen itself stands in outlining.js.

const ARROWS = ["ArrowUp", "ArrowDown", "ArrowLeft", "ArrowRight"];

// `own` are acts of the page beside or instead of the pen's; `isOpen` says whether the pen is in hand.
export function wirePenBar({ bar, pen, layer, own, keep, leave, isOpen }) {
  const acts = {
    p: () => pen.take("points"),
    a: () => pen.take("add"),
    t: () => pen.take("take"),
    ".": () => pen.choose(1),
    ",": () => pen.choose(-1),
    i: pen.add,
    x: pen.remove,
    Delete: pen.remove,
    Backspace: pen.remove,
    z: pen.undo,
    "[": () => pen.resize(-1),
    "]": () => pen.resize(1),
    "+": () => pen.goNearer(1),
    "=": () => pen.goNearer(1),
    "-": () => pen.goNearer(-1),
    " ": pen.pressSpace,
    Enter: keep,
    Escape: leave,
    ...own,
  };
  for (const key of ARROWS) acts[key] = (event) => pen.pressArrow(key, event.shiftKey);
  for (const button of bar.querySelectorAll("[data-key]")) {
    button.addEventListener("click", (event) => {
      acts[button.dataset.key](event);
      // A press by hand, not by the keyboard, leaves no focus on the button.
      if (event.detail > 0 && isOpen()) layer.focus({ preventScroll: true });
    });
  }
  bar.addEventListener("submit", (event) => {
    event.preventDefault();
    keep();
  });

  return {
    acts,
    owns: (element) => bar.contains(element) || element === layer,
    mayRepeat: (key) => ARROWS.includes(key) || key === "[" || key === "]",
    releaseSpace: pen.releaseSpace,
  };
}

export function tellTool(bar, pen) {
  for (const button of bar.querySelectorAll("[data-tool]")) button.setAttribute("aria-pressed", String(button.dataset.tool === pen.tool));
  bar.dataset.tool = pen.tool === "points" ? "points" : "brush";
}
