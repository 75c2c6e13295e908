// The pen: an outline corrected or drawn by points and by a brush, with mouse, finger or keys, over the picture in the glass.
// Places are [row, column] in px of the frame; the pen draws in CSS px, so that its line is thin at any nearness. It knows nothing
// of candidates and sends nothing.

import { makeBrush } from "./brush.js";
import { distance, findBox, findCrossing, findMiddle, measureArea, measureOff, simplify } from "./polygons.js";
import { shape } from "./shapes.js";

const NEAREST = 40; // a body of 6 px is then as large as a thumb's tip
const NEARER_STEP = 1.5;
const FILLED_SHARE = 0.55; // of the glass, that the outline fills at first: room is left about it to draw in
const TIDY_PX = 0.25; // points that change the line by less are left out: an outline found by the search has one at every pixel
const STEP_PX = 0.5; // of an arrow key; eight with Shift
const BROAD_STEPS = 8;
const PAN_SHARE = 0.12; // of the glass, that an arrow key moves the picture where no point is chosen
const REACH_PX = { mouse: 12, pen: 18, touch: 26 }; // CSS px about a point or the line that still take hold of it
const THINNEST_PX = 0.5;
const BRUSH_STEP = 1.3;
const MOST_STEPS_BACK = 200;
const HANDLE_PX = 4.5;
const CROSS_PX = 9;

export function makePen({ glass, picture, layer, limits, looking, say, onChange }) {
  const line = [shape("polygon", { class: "outline-shade" }), shape("polygon", { class: "outline-line" })];
  const wrong = shape("path", { class: "pen-wrong" });
  const handles = shape("g", {});
  const ring = shape("circle", { class: "pen-ring", visibility: "hidden" });
  const cross = shape("path", { class: "pen-cross" }); // where the first point will be put
  layer.append(...line, wrong, handles, ring, cross);

  let area = null; // { origin, size } of the picture drawn in
  let points = [];
  let chosen = -1;
  let tool = "points";
  let brush = null;
  let radius = 2;
  let back = []; // what the outline was before each step
  let before = ""; // the outline as it was when the pen was taken up
  let nearness = 1;
  let shift = [0, 0];
  let held = null; // what the pointer holds: a point, the picture, or the brush
  let spot = null; // where the brush is
  let isPainting = false; // Space is down

  // ---- where things are

  function measure() {
    const [inner, outer] = [picture.getBoundingClientRect(), glass.getBoundingClientRect()];
    return {
      scale: inner.width / area.size[1],
      left: inner.left - outer.left,
      top: inner.top - outer.top,
      width: outer.width,
      height: outer.height,
      outer,
    };
  }

  const toGlass = ([row, column], m) => [m.left + (column - area.origin[1] + 0.5) * m.scale, m.top + (row - area.origin[0] + 0.5) * m.scale];
  const toFrame = ([x, y], m) => [(y - m.top) / m.scale - 0.5 + area.origin[0], (x - m.left) / m.scale - 0.5 + area.origin[1]];
  const findPlace = (event, m) => toFrame([event.clientX - m.outer.left, event.clientY - m.outer.top], m);
  const findCentre = (m) => clamp(toFrame([m.width / 2, m.height / 2], m));

  function clamp([row, column]) {
    return [row, column].map((value, axis) => {
      const low = area.origin[axis] - 0.5;
      return Math.min(low + area.size[axis], Math.max(low, Math.round(value * 100) / 100));
    });
  }

  // ---- drawing

  function draw() {
    if (!area) return;
    const m = measure();
    layer.setAttribute("viewBox", `0 0 ${m.width} ${m.height}`);
    const places = points.map((point) => toGlass(point, m));
    const text = places.map((place) => place.join(",")).join(" ");
    for (const polygon of line) polygon.setAttribute("points", text);
    const crossing = points.length > 3 ? findCrossing(points) : null;
    wrong.setAttribute("d", crossing ? crossing.map((at) => `M${places[at]}L${places[(at + 1) % places.length]}`).join("") : "");
    handles.replaceChildren(...(tool === "points" ? places.map(([x, y], at) => drawHandle(x, y, at === chosen)) : []));
    const [x, y] = [m.width / 2, m.height / 2];
    cross.setAttribute("d", points.length || tool !== "points" ? "" : `M${x - CROSS_PX},${y}h${2 * CROSS_PX}M${x},${y - CROSS_PX}v${2 * CROSS_PX}`);
    const isBrush = tool !== "points" && spot;
    ring.setAttribute("visibility", isBrush ? "visible" : "hidden");
    if (isBrush) {
      const [cx, cy] = toGlass(spot, m);
      for (const [name, value] of Object.entries({ cx, cy, r: radius * m.scale })) ring.setAttribute(name, String(value));
      ring.classList.toggle("takes", tool === "take");
    }
  }

  function drawHandle(x, y, isChosen) {
    const side = isChosen ? 1.6 * HANDLE_PX : HANDLE_PX;
    return shape("rect", { class: isChosen ? "pen-point chosen" : "pen-point", x: x - side, y: y - side, width: 2 * side, height: 2 * side });
  }

  function change() {
    draw();
    onChange();
  }

  // ---- steps and the way back

  function keepStep() {
    back.push(JSON.stringify(points));
    if (back.length > MOST_STEPS_BACK) back.shift();
  }

  function undo() {
    if (!back.length) {
      say("There is nothing to undo in this outline.");
      return;
    }
    points = JSON.parse(back.pop());
    chosen = Math.min(chosen, points.length - 1);
    say(`One step back; ${tellPoints()}.`);
    change();
  }

  function replace(next, words) {
    keepStep();
    points = next.map(clamp);
    chosen = -1;
    say(words);
    change();
  }

  // ---- points

  function choose(by) {
    if (!points.length) {
      say("There is no point yet; I adds one.");
      return;
    }
    chosen = chosen < 0 ? 0 : (chosen + by + points.length) % points.length;
    tellPoint();
    draw();
  }

  function tellPoint() {
    const [row, column] = points[chosen];
    say(`Point ${chosen + 1} of ${points.length}: row ${row.toFixed(1)}, column ${column.toFixed(1)}.`);
  }

  function tellPoints() {
    return points.length === 1 ? "1 point" : `${points.length} points`;
  }

  // Halfway to the next one; the first is put where one looks, the second beside it.
  function add() {
    if (points.length >= limits.most_corners) {
      say(`An outline has at most ${limits.most_corners} points; take some away first.`);
      return;
    }
    const m = measure();
    const from = chosen < 0 ? points.length - 1 : chosen;
    const to = (from + 1) % Math.max(1, points.length);
    let place = findCentre(m);
    if (points.length === 1) place = [points[0][0], points[0][1] + 40 / m.scale];
    else if (points.length === 2 && from === 1) place = [points[1][0] + 40 / m.scale, (points[0][1] + points[1][1]) / 2];
    else if (points.length > 1) place = [0, 1].map((axis) => (points[from][axis] + points[to][axis]) / 2);
    insert(from + 1, place);
  }

  function insert(at, place) {
    keepStep();
    points.splice(at, 0, clamp(place));
    chosen = at;
    tellPoint();
    change();
  }

  function remove() {
    if (chosen < 0) {
      say("Choose a point first, then take it away.");
      return;
    }
    keepStep();
    points.splice(chosen, 1);
    chosen = points.length ? chosen % points.length : -1;
    say(`Taken away; ${tellPoints()} left.`);
    change();
  }

  function move(rows, columns, isBroad) {
    const m = measure();
    const by = STEP_PX * (isBroad ? BROAD_STEPS : 1);
    if (tool !== "points") {
      const from = spot ?? findCentre(m);
      spot = clamp([from[0] + rows * by, from[1] + columns * by]);
      if (isPainting) paint(from, spot);
      draw();
    } else if (chosen >= 0) {
      keepStep();
      const [row, column] = points[chosen];
      points[chosen] = clamp([row + rows * by, column + columns * by]);
      tellPoint();
      change();
    } else {
      pan([-columns * PAN_SHARE * m.width, -rows * PAN_SHARE * m.height]);
    }
  }

  // ---- the brush

  function startStroke(from) {
    keepStep();
    brush ??= makeBrush(area);
    brush.lay(points);
    paint(from, from);
  }

  function paint(from, to) {
    brush.stroke(from, to, radius, tool === "take");
    const loops = brush.trace();
    points = loops.length ? simplify(loops[0], TIDY_PX).map(clamp) : [];
    chosen = -1;
    change();
  }

  function endStroke() {
    if (!points.length) say("Nothing is left; Z takes it back.");
    else if (brush.trace().length > 1) say("It is in several parts: the largest is the outline.");
    else say(`The outline has ${tellPoints()}.`);
  }

  function resize(by) {
    const most = Math.max(...area.size) / 4;
    radius = Math.min(most, Math.max(THINNEST_PX, radius * by));
    spot ??= findCentre(measure());
    say(`The brush is ${(2 * radius).toFixed(1)} px broad.`);
    draw();
  }

  function take(name) {
    tool = name;
    if (name !== "points") spot ??= points.length ? findMiddle(points) : findCentre(measure());
    say(TOOL_WORDS[name]);
    change();
  }

  // ---- near and far

  function aim() {
    looking.aim(nearness, shift);
    draw();
  }

  function pan([x, y]) {
    shift = [shift[0] + x, shift[1] + y];
    aim();
  }

  function centre(place) {
    const m = measure();
    const [x, y] = toGlass(place, m);
    pan([m.width / 2 - x, m.height / 2 - y]);
  }

  function goNearer(by) {
    const place = tool !== "points" && spot ? spot : chosen >= 0 ? points[chosen] : points.length ? findMiddle(points) : findCentre(measure());
    nearness = Math.min(NEAREST, Math.max(1, nearness * NEARER_STEP ** by));
    aim();
    if (nearness > 1) centre(place);
    else {
      shift = [0, 0];
      aim();
    }
  }

  function fill() {
    const m = measure();
    const [low, high] = findBox(points);
    const side = Math.max(high[0] - low[0], high[1] - low[1], 4) * m.scale;
    nearness = Math.min(NEAREST, Math.max(1, (FILLED_SHARE * Math.min(m.width, m.height)) / side));
    aim();
    centre(findMiddle(points));
  }

  // ---- the pointer

  layer.addEventListener("pointerdown", (event) => {
    event.stopPropagation(); // the glass would hide the outline while it is held
    if (!area || event.button > 0) return;
    event.preventDefault();
    layer.focus({ preventScroll: true });
    layer.setPointerCapture(event.pointerId);
    const m = measure();
    const place = findPlace(event, m);
    held = tool === "points" ? takeHold(place, REACH_PX[event.pointerType] / m.scale, event) : { brush: true, at: place };
    if (held.brush) {
      spot = clamp(place);
      startStroke(place);
    }
  });

  // The nearest point in reach, else the line, where a new point arises; else, in an outline just begun, a point more; else the
  // picture itself, which can be moved under the glass.
  function takeHold(place, reach, event) {
    const near = points.reduce((best, point, at) => (distance(point, place) < distance(points[best] ?? [1e9, 1e9], place) ? at : best), -1);
    if (near >= 0 && distance(points[near], place) <= reach) {
      keepStep();
      chosen = near;
      tellPoint();
      draw();
      return { point: near };
    }
    const edge = points.length < 2 ? -1 : points.findIndex((point, at) => measureOff(place, point, points[(at + 1) % points.length]).off <= reach);
    if (edge >= 0) {
      insert(edge + 1, place);
      return { point: edge + 1 };
    }
    if (points.length < 3 || event.shiftKey) {
      insert(points.length, place);
      return { point: points.length - 1 };
    }
    return { from: [event.clientX, event.clientY] };
  }

  layer.addEventListener("pointermove", (event) => {
    if (!area) return;
    const m = measure();
    const place = findPlace(event, m);
    if (tool !== "points" && event.pointerType === "mouse") spot = clamp(place);
    if (held?.brush) {
      paint(held.at, place);
      held.at = place;
      spot = clamp(place);
    } else if (held?.point !== undefined) {
      points[held.point] = clamp(place);
      change();
      return;
    } else if (held?.from) {
      pan([event.clientX - held.from[0], event.clientY - held.from[1]]);
      held.from = [event.clientX, event.clientY];
      if (chosen >= 0) chosen = -1;
    }
    draw();
  });

  for (const kind of ["pointerup", "pointercancel"]) {
    layer.addEventListener(kind, (event) => {
      event.stopPropagation();
      if (held?.brush) endStroke();
      if (held?.point !== undefined) tellPoint();
      held = null;
      draw();
    });
  }
  layer.addEventListener("contextmenu", (event) => event.preventDefault());
  new ResizeObserver(draw).observe(glass);

  const arrows = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };

  return {
    // Takes the pen up over a picture; `start` is the outline to begin with, empty for something new.
    // `aimed`, where given, is how near the picture is already, and how far it was moved.
    begin({ origin, size, start, isTidied = false, aimed = null }) {
      area = { origin, size };
      brush = null;
      points = (isTidied ? simplify(start, TIDY_PX) : start).map(clamp);
      before = JSON.stringify(points);
      back = [];
      chosen = -1;
      spot = null;
      isPainting = false;
      held = null;
      tool = "points";
      nearness = aimed?.nearness ?? 1;
      shift = aimed?.shift ?? [0, 0];
      radius = points.length ? Math.max(1, Math.sqrt(measureArea(points)) / 5) : Math.max(1.5, Math.max(...size) / 80);
      layer.removeAttribute("hidden");
      glass.classList.add("penned");
      aim();
      if (points.length) fill();
      layer.focus({ preventScroll: true });
      onChange();
    },
    end() {
      area = null;
      layer.setAttribute("hidden", "");
      glass.classList.remove("penned");
    },
    // Returns why the outline cannot be kept as it is, in a sentence; empty where it can.
    findFault() {
      if (points.length < 3) return `An outline needs at least 3 points; there ${points.length === 1 ? "is 1" : `are ${points.length || "none"}`}. Add some.`;
      if (points.length > limits.most_corners) return `An outline has at most ${limits.most_corners} points; take some away.`;
      if (findCrossing(points)) return "The outline crosses itself where it is dashed; move or take away a point there.";
      if (measureArea(points) < limits.least_area_px) return "The outline has next to no area; draw it round the whole body.";
      return "";
    },
    undo,
    choose,
    add,
    remove,
    take,
    resize: (by) => resize(BRUSH_STEP ** by),
    goNearer,
    replace,
    centre: () => area && findCentre(measure()),
    pan: (name) => move(...arrows[name], false),
    pressArrow: (name, isBroad) => move(...arrows[name], isBroad),
    // Space: the brush is put down where it stands, and paints along until the key is let go.
    pressSpace() {
      if (tool === "points") {
        add();
        return;
      }
      if (isPainting) return;
      isPainting = true;
      spot ??= findCentre(measure());
      startStroke(spot);
    },
    releaseSpace() {
      if (!isPainting) return;
      isPainting = false;
      endStroke();
    },
    get tool() {
      return tool;
    },
    get points() {
      return points;
    },
    get isChanged() {
      return JSON.stringify(points) !== before;
    },
  };
}

const TOOL_WORDS = {
  points: "Points: drag one, or press the line to add one. Keys: comma and full stop choose, arrows move.",
  add: "The brush adds to the outline. Keys: arrows move it, Space paints.",
  take: "The brush takes away from the outline. Keys: arrows move it, Space rubs out.",
};
