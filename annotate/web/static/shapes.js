// Makes elements of drawings.

const SVG = "http://www.w3.org/2000/svg";

export function shape(name, attributes) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, String(value));
  return made;
}

// The shape of an answer, the same as in templates/shapes.html.
export function answerShape(answer) {
  const made = shape("svg", { class: "shape", viewBox: "0 0 16 16", "aria-hidden": "true", focusable: "false" });
  const dashed = answer === "open" ? { "stroke-dasharray": "2 2.1" } : {};
  const filled = answer === "confirm" ? { fill: "currentColor" } : {};
  made.append(shape("circle", { cx: 8, cy: 8, r: 6.5, ...dashed, ...filled }));
  if (answer === "dismiss") made.append(shape("path", { d: "M3.4 12.6 12.6 3.4" }));
  if (answer === "unsure") made.append(shape("path", { d: "M8 1.5a6.5 6.5 0 0 0 0 13z", fill: "currentColor" }));
  return made;
}
