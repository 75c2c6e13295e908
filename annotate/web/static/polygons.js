// Closed polygons of [row, column] in px of the frame: simplified, checked, found from a mask. Pure functions; nothing is drawn.

// Returns twice the signed area.
function wind(points) {
  return points.reduce((sum, [row, column], at) => {
    const [nextRow, nextColumn] = points[(at + 1) % points.length];
    return sum + row * nextColumn - nextRow * column;
  }, 0);
}

export function measureArea(points) {
  return Math.abs(wind(points)) / 2;
}

export function findMiddle(points) {
  const [low, high] = findBox(points);
  return [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2];
}

export function findBox(points) {
  const rows = points.map(([row]) => row);
  const columns = points.map(([, column]) => column);
  return [
    [Math.min(...rows), Math.min(...columns)],
    [Math.max(...rows), Math.max(...columns)],
  ];
}

// Returns the two edges that cross, as the indices of their first points; null where the line goes round once. The server checks
// by the same rule (annotate/logbook/outlines.py).
export function findCrossing(points) {
  for (let one = 0; one < points.length; one += 1) {
    for (let other = one + 2; other < points.length; other += 1) {
      if (cross(points, one, other)) return [one, other];
    }
  }
  return null;
}

function cross(points, one, other) {
  const [a, b] = [points[one], points[(one + 1) % points.length]];
  const [c, d] = [points[other], points[(other + 1) % points.length]];
  return side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0;
}

function side([row, column], [endRow, endColumn], [otherRow, otherColumn]) {
  return Math.sign((endRow - row) * (otherColumn - column) - (endColumn - column) * (otherRow - row));
}

// Returns fewer points that stay within `tolerance` px of the line (Ramer 1972, doi:10.1016/S0146-664X(72)80017-0).
export function simplify(points, tolerance) {
  if (points.length < 5) return points;
  // A closed line is parted at two points far from each other, which stay.
  const far = points.reduce((best, point, at) => (distance(point, points[0]) > distance(points[best], points[0]) ? at : best), 0);
  const there = thin(points.slice(0, far + 1), tolerance);
  const back = thin([...points.slice(far), points[0]], tolerance);
  const kept = [...there.slice(0, -1), ...back.slice(0, -1)];
  return kept.length >= 3 ? kept : points;
}

function thin(line, tolerance) {
  const [first, last] = [line[0], line[line.length - 1]];
  let worst = 0;
  let at = 0;
  for (let index = 1; index < line.length - 1; index += 1) {
    const off = measureOff(line[index], first, last).off;
    if (off > worst) [worst, at] = [off, index];
  }
  if (worst <= tolerance) return [first, last];
  return [...thin(line.slice(0, at + 1), tolerance).slice(0, -1), ...thin(line.slice(at), tolerance)];
}

export function distance([row, column], [otherRow, otherColumn]) {
  return Math.hypot(row - otherRow, column - otherColumn);
}

// Returns how far a point is from the piece of line between two others, and where on it the nearest place is.
export function measureOff(point, first, last) {
  const along = [last[0] - first[0], last[1] - first[1]];
  const length = along[0] ** 2 + along[1] ** 2;
  const share = length ? Math.min(1, Math.max(0, ((point[0] - first[0]) * along[0] + (point[1] - first[1]) * along[1]) / length)) : 0;
  const place = [first[0] + share * along[0], first[1] + share * along[1]];
  return { off: distance(point, place), place };
}

// Returns the outlines of what is set in a mask, largest first: marching squares, between the pixels where the mask passes the half.
// `mask` is width x height of 0 to 255; points are [row, column] of it. Holes are left out.
export function traceMask(mask, width, height) {
  const at = (x, y) => (x < 0 || y < 0 || x >= width || y >= height ? 0 : mask[y * width + x]);
  const next = new Map();
  const places = new Map();
  for (let y = -1; y < height; y += 1) {
    let b = 0;
    let c = 0;
    for (let x = -1; x < width; x += 1) {
      const a = b;
      const d = c;
      b = at(x + 1, y);
      c = at(x + 1, y + 1);
      const kind = (a > 127 ? 1 : 0) | (b > 127 ? 2 : 0) | (c > 127 ? 4 : 0) | (d > 127 ? 8 : 0);
      if (kind === 0 || kind === 15) continue;
      const corners = [a, b, c, d];
      for (const [from, to] of STEPS[kind]) next.set(mark(x, y, from, corners), mark(x, y, to, corners));
    }
  }

  // An edge of a cell is known by its pixel and direction, so that two cells name the one between them alike.
  function mark(x, y, edge, corners) {
    const [a, b] = [corners[edge], corners[(edge + 1) % 4]];
    const share = (127.5 - a) / (b - a);
    const name = [`${x},${y},-`, `${x + 1},${y},|`, `${x},${y + 1},-`, `${x},${y},|`][edge];
    places.set(name, [
      [y, x + share],
      [y + share, x + 1],
      [y + 1, x + 1 - share],
      [y + 1 - share, x],
    ][edge]);
    return name;
  }

  const loops = [];
  while (next.size) {
    const loop = [];
    let [name] = next.keys();
    while (next.has(name)) {
      loop.push(places.get(name));
      const following = next.get(name);
      next.delete(name);
      name = following;
    }
    loops.push(loop);
  }
  return loops.filter((loop) => wind(loop) < 0).sort((one, other) => wind(one) - wind(other));
}

// For each of the sixteen kinds of cell, from which edge to which its outline goes, what is set on the left; edges clockwise from
// the top. Two corners across from each other are parted.
const STEPS = [
  [],
  [[0, 3]],
  [[1, 0]],
  [[1, 3]],
  [[2, 1]],
  [[0, 3], [2, 1]],
  [[2, 0]],
  [[2, 3]],
  [[3, 2]],
  [[0, 2]],
  [[1, 0], [3, 2]],
  [[1, 2]],
  [[3, 1]],
  [[0, 1]],
  [[3, 0]],
  [],
];
