// The sentences of the page.

const places = (value) => (value < 0.995 ? 2 : value < 9.95 ? 1 : 0);
export const px = (value) => `${value.toFixed(places(value))} px`;
export const mm = (value) => `${value.toFixed(value < 0.00995 ? 3 : value < 0.995 ? 2 : 1)} mm`;
export const both = (inPx, inMm) => `${px(inPx)} (${mm(inMm)})`;

export const todo = {
  first: (a, b) => `Find a spot that you recognise in both. Click it in ${a} or in ${b}.`,
  second: (other) => `Now click the same spot in ${other}.`,
  waiting: () => "Looking closely …",
  apart: () => "Marked as not touching: these two will not be joined to each other.",
  rulerFirst: () => "Ruler: click the first of the two places, in either scan.",
  rulerSecond: () => "Ruler: click the second place, in either scan.",
};

export function tieSaid(tie) {
  const isToldAlready = !tie.agrees || tie.moved_px < 0.005 || /\d/.test(tie.said);
  return isToldAlready ? tie.said : `${tie.said.replace(/\.$/, "")}: ${both(tie.moved_px, tie.moved_mm)}.`;
}

// Of a tie that contradicts the rest, what was said of it tells how far off it is.
export const residualSaid = (tie) => (tie.residual_px === null || tie.doubt ? "" : `Off by ${both(tie.residual_px, tie.residual_mm)}.`);

export const twoPages = (pages) =>
  `This job is open in ${pages} pages. All show the same ties; a change in one shows in the others.`;

export const drawn = (state) => {
  if (state.scans.some((scan) => scan.place)) {
    return state.ties.length ? "As the scans lie, by the last run and the ties." : "As the scans lie, by the last run.";
  }
  if (state.scans.some((scan) => scan.cell)) {
    return state.is_grid
      ? "Where the scans lie is not known yet. They are drawn by their names."
      : "Where the scans lie is not known yet. They are drawn in the order of their names.";
  }
  return "Where the scans lie is not known yet.";
};

export const aside = "Set aside: no link yet";
export const short = (name, most = 22) => (name.length > most ? `${name.slice(0, most - 1)}…` : name);
