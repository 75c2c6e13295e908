// A whole frame under the glass: nearer and farther by keys, wheel or two fingers, moved by dragging or by arrows. It knows nothing
// of answers.

const NEAREST = 24; // a body of 10 px in a frame of 3840 px is then as long as a thumb
const STEP = 1.5;
const PAN_SHARE = 0.12; // of the glass, that an arrow moves the picture
const WHEEL_PX = 240; // of turning the wheel, for one step

export function makePlainLooking({ glass, held, size_px: [rows, columns] }) {
  let nearness = 1;
  let shift = [0, 0]; // CSS px, of the picture's middle from that of the glass
  const down = new Map(); // pointers on the glass -> their places

  held.style.setProperty("--aspect", String(columns / rows));

  function aim(scale, moved) {
    [nearness, shift] = [scale, moved];
    held.style.setProperty("--nearer", String(scale));
    held.style.setProperty("--shift-x", `${moved[0]}px`);
    held.style.setProperty("--shift-y", `${moved[1]}px`);
  }

  // The picture never leaves the glass farther than its own edge.
  function keepIn(scale, moved) {
    const spare = [held.offsetWidth * scale - glass.clientWidth, held.offsetHeight * scale - glass.clientHeight];
    aim(scale, moved.map((value, axis) => Math.max(-Math.max(0, spare[axis]) / 2, Math.min(Math.max(0, spare[axis]) / 2, value))));
  }

  // Times nearer about a place of the glass, counted from its middle.
  function near(times, about = [0, 0]) {
    const scale = Math.min(NEAREST, Math.max(1, nearness * times));
    const ratio = scale / nearness;
    keepIn(scale, shift.map((value, axis) => about[axis] - (about[axis] - value) * ratio));
  }

  const pan = ([x, y]) => keepIn(nearness, [shift[0] + x, shift[1] + y]);

  function fromMiddle([x, y]) {
    const box = glass.getBoundingClientRect();
    return [x - box.left - box.width / 2, y - box.top - box.height / 2];
  }

  glass.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    event.preventDefault();
    glass.setPointerCapture(event.pointerId);
    down.set(event.pointerId, [event.clientX, event.clientY]);
  });
  glass.addEventListener("pointermove", (event) => {
    const before = down.get(event.pointerId);
    if (!before) return;
    const now = [event.clientX, event.clientY];
    const other = [...down].find(([id]) => id !== event.pointerId)?.[1];
    down.set(event.pointerId, now);
    if (!other) {
      pan([now[0] - before[0], now[1] - before[1]]);
      return;
    }
    const apart = (place) => Math.max(1, Math.hypot(place[0] - other[0], place[1] - other[1]));
    pan([(now[0] - before[0]) / 2, (now[1] - before[1]) / 2]);
    near(apart(now) / apart(before), fromMiddle([(now[0] + other[0]) / 2, (now[1] + other[1]) / 2]));
  });
  for (const kind of ["pointerup", "pointercancel"]) glass.addEventListener(kind, (event) => down.delete(event.pointerId));
  glass.addEventListener(
    "wheel",
    (event) => {
      event.preventDefault();
      near(STEP ** (-event.deltaY / WHEEL_PX), fromMiddle([event.clientX, event.clientY]));
    },
    { passive: false },
  );
  glass.addEventListener("contextmenu", (event) => event.preventDefault());
  new ResizeObserver(() => glass.classList.contains("penned") || pan([0, 0])).observe(glass);

  return {
    aim,
    goNearer: (by) => near(STEP ** by),
    press: ([x, y]) => pan([-x * PAN_SHARE * glass.clientWidth, -y * PAN_SHARE * glass.clientHeight]),
    get aimed() {
      return { nearness, shift };
    },
  };
}
