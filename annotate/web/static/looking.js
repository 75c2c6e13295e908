// The enlarged view and the small whole frame: pictures, outlines, nearness. Nothing here knows of answers.

import { shape } from "./shapes.js";

const NEARNESS = [1, 1.5, 2.25, 3.4];
const RING_SPARE = 1.6; // the ring stands clear of the animal, so that it hides nothing of it

export function makeLooking({ onChoose }) {
  const held = document.getElementById("held");
  const glass = document.getElementById("glass");
  const picture = document.getElementById("view");
  const outline = document.getElementById("outline");
  const beside = document.getElementById("beside");
  const frame = document.getElementById("frame");
  const ring = document.getElementById("ring");
  const strip = document.getElementById("strip");
  let card = null;
  let index = 0;
  let near = 0;
  let isShown = true;
  let isHeld = false;

  function fillStrip(onChoose) {
    const inTime = card.views.map((view, at) => [view, at]).sort(([one], [other]) => one.time_s - other.time_s);
    strip.replaceChildren(
      ...inTime.map(([view, at]) => {
        const button = document.createElement("button");
        const image = document.createElement("img");
        button.type = "button";
        button.dataset.at = String(at);
        image.src = view.url;
        image.alt = view.label;
        image.draggable = false;
        button.append(image);
        button.addEventListener("click", () => onChoose(at));
        return button;
      }),
    );
  }

  function show(next, at) {
    card = next;
    frame.src = card.frame.url;
    frame.alt = card.frame.label;
    fillStrip(onChoose);
    drawRing(card.views[0]); // the frame is that of the best view, whichever view is enlarged
    turnTo(at);
  }

  function turnTo(at) {
    index = at;
    const view = card.views[index];
    picture.alt = view.label;
    swap(view.url);
    fit(view);
    for (const button of strip.children) button.setAttribute("aria-current", String(Number(button.dataset.at) === at));
  }

  function swap(address) {
    if (picture.getAttribute("src") !== address) picture.src = address;
  }

  function fit(view) {
    const [top, left] = view.origin_px;
    const [height, width] = view.size_px;
    held.style.setProperty("--aspect", String(width / height));
    outline.setAttribute("viewBox", `${left - 0.5} ${top - 0.5} ${width} ${height}`);
    for (const polygon of outline.children) polygon.setAttribute("points", writePoints(view.outline));
    beside.setAttribute("viewBox", outline.getAttribute("viewBox"));
    beside.replaceChildren(
      ...(view.beside ?? []).flatMap((other) => [
        shape("polygon", { class: "outline-shade", points: writePoints(other) }),
        shape("polygon", { class: "outline-line beside-line", points: writePoints(other) }),
      ]),
    );
    const [row, column, rowEnd, columnEnd] = view.box;
    held.style.setProperty("--place-x", `${(100 * ((column + columnEnd) / 2 - left)) / width}%`);
    held.style.setProperty("--place-y", `${(100 * ((row + rowEnd) / 2 - top)) / height}%`);
  }

  function drawRing(view) {
    const [rows, columns] = card.frame.size_px;
    const [row, column, rowEnd, columnEnd] = view.box;
    ring.setAttribute("viewBox", `0 0 ${columns} ${rows}`);
    const least = 0.04 * Math.max(rows, columns);
    const radius = Math.max(least, (RING_SPARE * Math.hypot(rowEnd - row, columnEnd - column)) / 2);
    for (const circle of ring.children) {
      circle.setAttribute("cx", String((column + columnEnd) / 2));
      circle.setAttribute("cy", String((row + rowEnd) / 2));
      circle.setAttribute("r", String(radius));
    }
  }

  function goNearer(by) {
    near = Math.min(NEARNESS.length - 1, Math.max(0, near + by));
    aim(NEARNESS[near], [0, 0]);
    return near;
  }

  // Shows the picture so many times enlarged about its place, and then moved on the glass by (x, y) CSS px.
  function aim(scale, [x, y]) {
    held.style.setProperty("--nearer", String(scale));
    held.style.setProperty("--shift-x", `${x}px`);
    held.style.setProperty("--shift-y", `${y}px`);
  }

  function bare() {
    glass.classList.toggle("bare", isHeld || !isShown);
  }

  return {
    show,
    turnTo,
    goNearer,
    aim,
    // Shows a picture that is no view: the whole frame, or the surroundings cut from it.
    showOther(other) {
      picture.alt = other.label;
      swap(other.url);
      const ends = [other.origin_px[0] + other.size_px[0], other.origin_px[1] + other.size_px[1]];
      fit({ ...other, outline: [], box: [...other.origin_px, ...ends] });
    },
    // The same view of a card whose outlines have changed.
    refresh(next) {
      card = next;
      drawRing(card.views[0]);
      fit(card.views[index]);
    },
    // Back to the view, as near as it was.
    showView() {
      if (card) turnTo(index);
      aim(NEARNESS[near], [0, 0]);
    },
    get index() {
      return index;
    },
    holdBare(on) {
      isHeld = on;
      bare();
    },
    toggleOutline() {
      isShown = !isShown;
      bare();
      return isShown;
    },
    togglePixels: () => held.classList.toggle("plain-pixels"),
    playLoop: (address) => swap(address),
    stopLoop: () => card && swap(card.views[index].url),
  };
}

export function writePoints(points) {
  return points.map(([row, column]) => `${column},${row}`).join(" ");
}

export function fetchPictures(card) {
  const best = [card.views[0].url, card.frame.url];
  const rest = card.views.slice(1).map((view) => view.url);
  return Promise.all([...best, ...rest].map(fetchPicture));
}

function fetchPicture(address) {
  return new Promise((resolve) => {
    const image = new Image();
    image.onload = () => image.decode().then(resolve, resolve);
    image.onerror = resolve;
    image.src = address;
  });
}
