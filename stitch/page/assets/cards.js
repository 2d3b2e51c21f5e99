// The ties of a pair and its ruler distances, each in a line of words.

import { mm, residualSaid, tieSaid } from "./words.js";

function made(tag, text, kind = "") {
  const element = document.createElement(tag);
  element.textContent = text;
  element.className = kind;
  return element;
}

function button(text, label, act) {
  const element = made("button", text);
  element.type = "button";
  element.setAttribute("aria-label", label);
  element.addEventListener("click", act);
  return element;
}

function tieLine(tie, number, acts) {
  const line = made("li", "", tie.doubt ? "doubted" : tie.agrees ? "" : "unsure");
  const show = button(`Tie ${number + 1}`, `Show tie ${number + 1} in both scans`, () => acts.show(tie));
  show.className = "show";
  const words = made("p", "");
  words.append(made("span", residualSaid(tie), "figure"), " ", made("span", tieSaid(tie)));
  if (tie.doubt) words.prepend(made("strong", `${tie.doubt[0].toUpperCase()}${tie.doubt.slice(1)} `));
  if (tie.note) words.append(" ", made("span", tie.note, "soft"));
  line.append(show, words, button("Remove", `Remove tie ${number + 1}`, () => acts.untie(tie)));
  return line;
}

function distanceLine(one, acts) {
  const line = made("li", "", "distance");
  line.append(made("p", `Ruler: ${mm(one.length_mm)} between two places.`));
  line.append(button("Remove", `Remove the ruler reading of ${mm(one.length_mm)}`, () => acts.undistance(one)));
  return line;
}

// The newest first, so that what a click came to is seen at once; before it those that contradict the rest.
function inOrder(ties) {
  const newest = ties.map((tie, number) => [tie, number]).reverse();
  return [...newest.filter(([tie]) => tie.doubt), ...newest.filter(([tie]) => !tie.doubt)];
}

export function drawCards(ties, distances, pair, acts) {
  ties.replaceChildren(...inOrder(pair.ties).map(([tie, number]) => tieLine(tie, number, acts)));
  distances.replaceChildren(...pair.distances.map((one) => distanceLine(one, acts)));
}
