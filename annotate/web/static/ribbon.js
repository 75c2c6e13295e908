// The ribbon along the foot: the whole clip as a thin band, below it the part round this candidate with sharpness as shade
// and its views as ticks. Moving along it moves the view; resting on it asks for the steadied loop.

import { shape } from "./shapes.js";

const WHOLE_HEIGHT = 7;
const NEAR_TOP = 12;
const NEAR_HEIGHT = 24;
const HEIGHT = 49;
const WIDTH = 1000;
const REST_MS = 450; // shorter starts loops in passing, longer feels stuck (tried by hand, no source)
const MOST_SHADE = 9;

export function makeRibbon(element, { onMove, onRest }) {
  let card = null;
  let shown = 0;
  let rest = 0;

  function draw(next) {
    card = next;
    const drawing = shape("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, preserveAspectRatio: "none" });
    drawing.setAttribute("aria-hidden", "true");
    const { ribbon } = card;
    band(drawing, ribbon.whole, 0, WHOLE_HEIGHT);
    band(drawing, ribbon.near, NEAR_TOP, NEAR_HEIGHT);
    const from = (ribbon.from_s / ribbon.duration_s) * WIDTH;
    const until = (ribbon.until_s / ribbon.duration_s) * WIDTH;
    drawing.append(
      shape("rect", { class: "span", x: from, y: 0, width: Math.max(4, until - from), height: WHOLE_HEIGHT, "vector-effect": "non-scaling-stroke" }),
    );
    for (const view of card.views) {
      const x = place(view.time_s);
      drawing.append(shape("rect", { class: "tick", "data-rank": view.rank, x: x - 1.5, y: NEAR_TOP + NEAR_HEIGHT + 2, width: 3, height: 9 }));
    }
    drawing.append(shape("line", { class: "now-line", y1: NEAR_TOP - 2, y2: HEIGHT, "vector-effect": "non-scaling-stroke" }));
    element.replaceChildren(drawing);
    element.setAttribute("aria-valuemax", String(card.views.length));
  }

  function band(drawing, shades, top, height) {
    drawing.append(shape("rect", { class: "ground", x: 0, y: top, width: WIDTH, height }));
    const step = WIDTH / Math.max(1, shades.length);
    shades.forEach((shade, index) => {
      if (shade > 0) {
        drawing.append(
          shape("rect", { class: "shade", x: index * step, y: top, width: step, height, "fill-opacity": (shade / MOST_SHADE) * 0.85 }),
        );
      }
    });
  }

  function place(timeS) {
    const { from_s: from, until_s: until } = card.ribbon;
    return ((timeS - from) / Math.max(1e-6, until - from)) * WIDTH;
  }

  function mark(index) {
    shown = index;
    const view = card.views[index];
    const x = place(view.time_s);
    const line = element.querySelector(".now-line");
    line.setAttribute("x1", x);
    line.setAttribute("x2", x);
    for (const tick of element.querySelectorAll(".tick")) {
      const now = Number(tick.dataset.rank) === view.rank;
      tick.classList.toggle("now", now);
      tick.setAttribute("height", now ? 13 : 9);
    }
    const inTime = order();
    element.setAttribute("aria-valuenow", String(inTime.indexOf(index) + 1));
    element.setAttribute("aria-valuetext", `${view.moment}, view ${inTime.indexOf(index) + 1} of ${inTime.length}, sharpness ${Math.round(view.sharpness * 100)} of 100`);
  }

  function order() {
    return card.views.map((_, index) => index).sort((a, b) => card.views[a].time_s - card.views[b].time_s);
  }

  function nearest(event) {
    const box = element.getBoundingClientRect();
    const share = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
    const inWhole = event.clientY - box.top < (WHOLE_HEIGHT / HEIGHT) * box.height;
    const { from_s: from, until_s: until, duration_s: duration } = card.ribbon;
    const timeS = inWhole ? share * duration : from + share * (until - from);
    let best = 0;
    card.views.forEach((view, index) => {
      if (Math.abs(view.time_s - timeS) < Math.abs(card.views[best].time_s - timeS)) best = index;
    });
    return best;
  }

  function follow(event) {
    if (!card) return;
    const index = nearest(event);
    if (index !== shown) onMove(index);
    clearTimeout(rest);
    rest = setTimeout(() => onRest(index), REST_MS);
  }

  function step(by) {
    const inTime = order();
    const at = inTime.indexOf(shown) + by;
    if (at >= 0 && at < inTime.length) {
      onMove(inTime[at]);
      clearTimeout(rest);
    }
  }

  element.addEventListener("pointerdown", (event) => {
    element.setPointerCapture(event.pointerId);
    follow(event);
  });
  element.addEventListener("pointermove", (event) => {
    if (event.pointerType === "mouse" || event.buttons) follow(event);
  });
  for (const name of ["pointerleave", "pointerup", "pointercancel"]) {
    element.addEventListener(name, (event) => {
      if (event.pointerType === "mouse" && name === "pointerup") return;
      clearTimeout(rest);
    });
  }
  return { draw, mark, step };
}
