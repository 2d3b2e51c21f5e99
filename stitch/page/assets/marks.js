// What is drawn over a scan: ties, a place just set, the keyboard's cross, ruler lines.

import { svg } from "./sketch.js";

const RING = 11;

function twice(name, attributes) {
  return [svg(name, { ...attributes, class: "casing" }), svg(name, { ...attributes, class: "line" })];
}

function ring(x, y, mark) {
  const text = svg("text", { x: x + RING + 9, y: y - RING + 5 });
  text.textContent = mark.label;
  const width = 12 + 8 * mark.label.length;
  const plate = svg("rect", { x: x + RING + 9 - width / 2, y: y - RING - 9, width, height: 19, rx: 3, class: "plate" });
  const dot = svg("circle", { cx: x, cy: y, r: 1.5, class: "dot" });
  return svg("g", { class: `tie ${mark.kind}` }, ...twice("circle", { cx: x, cy: y, r: RING }), dot, plate, text);
}

function crossing(x, y, kind) {
  const d = [[1, 0], [-1, 0], [0, 1], [0, -1]].map(([i, j]) => `M${x + 5 * i} ${y + 5 * j}L${x + 20 * i} ${y + 20 * j}`);
  return svg("g", { class: kind }, ...twice("path", { d: d.join("") }));
}

const ghost = (x, y) => svg("g", { class: "ghost" }, ...twice("circle", { cx: x, cy: y, r: 26 }));

// marks: [{kind, px, label?}], rulers: [[px, px]]; seen: scan px to px of the table.
export function drawMarks(root, marks, rulers, seen) {
  const made = rulers.map(([p, q]) => {
    const [x1, y1] = seen(p), [x2, y2] = seen(q);
    return svg("g", { class: "ruler" }, ...twice("line", { x1, y1, x2, y2 }));
  });
  for (const mark of marks) {
    const [x, y] = seen(mark.px);
    if (mark.kind === "ghost") made.push(ghost(x, y));
    else if (mark.label) made.push(ring(x, y, mark));
    else made.push(crossing(x, y, mark.kind));
  }
  root.replaceChildren(...made);
}
