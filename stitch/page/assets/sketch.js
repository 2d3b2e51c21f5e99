// The picture of all scans: where they lie, what links them, and those set aside.

import { tileUrl } from "./asking.js";
import { aside, short } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";
const OVERLAP = 0.86; // of a scan's side from one to the next, where only names tell the place
const GAP = 0.12;

export function svg(name, attributes = {}, ...children) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

const typical = (scans, side) => scans.map((scan) => scan[side]).sort((a, b) => a - b)[scans.length >> 1];

// The map from scan px to the sketch as [a, b, c, d, e, f] for each scan that has a place.
function laid(state) {
  const known = state.scans.some((scan) => scan.place);
  const step = [typical(state.scans, "width") * OVERLAP, typical(state.scans, "height") * OVERLAP];
  return state.scans.map((scan) => {
    if (known) return scan.place && scan.place[0].flatMap((_, i) => [scan.place[0][i], scan.place[1][i]]);
    if (!scan.cell || (scan.group > 0 && state.links.length)) return null;
    return [1, 0, 0, 1, scan.cell[0] * step[0], scan.cell[1] * step[1]];
  });
}

const mapped = ([a, b, c, d, e, f], x, y) => [a * x + c * y + e, b * x + d * y + f];
const middle = (scan, map) => mapped(map, scan.width / 2, scan.height / 2);

function bounds(state, maps) {
  const points = state.scans.flatMap((scan, n) =>
    maps[n] ? [[0, 0], [scan.width, 0], [0, scan.height], [scan.width, scan.height]].map((p) => mapped(maps[n], ...p)) : []);
  const xs = points.map((p) => p[0]), ys = points.map((p) => p[1]);
  return points.length ? [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)] : [0, 0, 0, 0];
}

// Those without a place go in rows below the others.
function setAside(state, maps, [left, , right, bottom]) {
  const side = Math.max(typical(state.scans, "width"), typical(state.scans, "height"));
  const wide = Math.max(right - left, 3 * side);
  const top = bottom + (bottom ? 0.45 * side : 0);
  let x = left, y = top, tallest = 0;
  state.scans.forEach((scan, n) => {
    if (maps[n]) return;
    if (x > left && x + scan.width > left + wide) [x, y, tallest] = [left, y + tallest + GAP * side, 0];
    maps[n] = [1, 0, 0, 1, x, y];
    x += scan.width + GAP * side;
    tallest = Math.max(tallest, scan.height);
  });
  return top;
}

function scanDrawn(scan, n, map, chosen) {
  const size = { width: scan.width, height: scan.height };
  const image = svg("image", { ...size, href: tileUrl(n, scan.levels - 1, 0, 0), preserveAspectRatio: "none" });
  const turned = svg("g", { transform: `matrix(${map.join(" ")})` }, image, svg("rect", { ...size, class: "rim" }));
  const attributes = { class: chosen ? "scan chosen" : "scan", role: "button", tabindex: 0, "data-scan": n };
  return svg("g", { ...attributes, "aria-pressed": chosen, "aria-label": scan.name }, turned);
}

function label(scan, map, unit) {
  const [x, y] = middle(scan, map);
  const text = svg("text", { x, y: y + 5 * unit, "font-size": 15 * unit, "stroke-width": 5 * unit });
  text.textContent = short(scan.name);
  return text;
}

function lines(state, maps) {
  const line = (a, b, kind) => {
    const [x1, y1] = middle(state.scans[a], maps[a]), [x2, y2] = middle(state.scans[b], maps[b]);
    return [svg("line", { x1, y1, x2, y2, class: "casing" }), svg("line", { x1, y1, x2, y2, class: kind })];
  };
  return [
    ...state.links.flatMap(([a, b, isWeak]) => line(a, b, isWeak ? "link weak" : "link")),
    ...state.ties.flatMap(([a, b]) => line(a, b, "tied")),
  ];
}

export function draw(root, state, chosen) {
  const maps = laid(state);
  const isAnyAside = maps.some((map) => !map);
  const top = setAside(state, maps, bounds(state, maps));
  const [x0, y0, x1, y1] = bounds(state, maps);
  const margin = 0.03 * Math.max(x1 - x0, y1 - y0);
  const box = root.getBoundingClientRect();
  const unit = Math.max((x1 - x0) / (box.width || 700), (y1 - y0) / (box.height || 600));
  root.setAttribute("viewBox", [x0 - margin, y0 - margin, x1 - x0 + 2 * margin, y1 - y0 + 2 * margin].join(" "));
  const note = svg("text", { x: x0, y: top - 8 * unit, "font-size": 14 * unit, class: "note" });
  note.textContent = isAnyAside && maps.length > 1 ? aside : "";
  root.replaceChildren(
    ...state.scans.map((scan, n) => scanDrawn(scan, n, maps[n], n === chosen)), note, ...lines(state, maps),
    ...state.scans.map((scan, n) => label(scan, maps[n], unit)));
}
