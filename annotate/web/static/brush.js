// The brush: an outline laid on a raster finer than the picture's pixels, painted over or rubbed out, and traced again.
// Places are [row, column] in px of the frame.

import { findBox, traceMask } from "./polygons.js";

const FINEST = 4; // raster elements to a pixel, so that a stroke's edge passes between pixels
const MOST_SIDE = 960; // elements: a raster of this size is traced while the hand moves on
const SPARE = 2;

export function makeBrush({ origin, size }) {
  const fine = Math.max(1, Math.min(FINEST, Math.floor(MOST_SIDE / Math.max(...size))));
  const canvas = document.createElement("canvas");
  canvas.height = Math.ceil(size[0] * fine);
  canvas.width = Math.ceil(size[1] * fine);
  const raster = canvas.getContext("2d", { willReadFrequently: true });
  let box = null; // what may be set, in elements

  // A pixel's centre is a whole number in the frame, and the middle of its elements here.
  const toRaster = ([row, column]) => [(column - origin[1] + 0.5) * fine, (row - origin[0] + 0.5) * fine];
  const toFrame = (row, column) => [(row + 0.5) / fine - 0.5 + origin[0], (column + 0.5) / fine - 0.5 + origin[1]];

  function grow(places, by) {
    const [low, high] = findBox(places);
    box = box
      ? [Math.min(box[0], low[0] - by), Math.min(box[1], low[1] - by), Math.max(box[2], high[0] + by), Math.max(box[3], high[1] + by)]
      : [low[0] - by, low[1] - by, high[0] + by, high[1] + by];
  }

  return {
    lay(points) {
      raster.globalCompositeOperation = "source-over";
      raster.clearRect(0, 0, canvas.width, canvas.height);
      box = null;
      if (points.length < 3) return;
      const places = points.map(toRaster);
      grow(places, SPARE);
      raster.beginPath();
      for (const [x, y] of places) raster.lineTo(x, y);
      raster.closePath();
      raster.fill();
    },
    stroke(from, to, radius, takesAway) {
      const [[x, y], [endX, endY]] = [toRaster(from), toRaster(to)];
      raster.globalCompositeOperation = takesAway ? "destination-out" : "source-over";
      raster.lineCap = "round";
      raster.lineWidth = 2 * radius * fine;
      raster.beginPath();
      raster.moveTo(x, y);
      raster.lineTo(endX + 1e-3, endY); // a line without length would paint nothing
      raster.stroke();
      if (!takesAway) grow([[x, y], [endX, endY]], radius * fine + SPARE);
    },
    // Returns the outlines of what is set, largest first.
    trace() {
      if (!box) return [];
      const left = Math.max(0, Math.floor(box[0]));
      const top = Math.max(0, Math.floor(box[1]));
      const width = Math.min(canvas.width, Math.ceil(box[2])) - left;
      const height = Math.min(canvas.height, Math.ceil(box[3])) - top;
      if (width <= 0 || height <= 0) return [];
      const { data } = raster.getImageData(left, top, width, height);
      const mask = new Uint8Array(width * height);
      for (let at = 0; at < mask.length; at += 1) mask[at] = data[4 * at + 3];
      return traceMask(mask, width, height).map((loop) => loop.map(([row, column]) => toFrame(row + top, column + left)));
    },
  };
}
