// Where a place of one scan is to be expected in the other, from the ties there are or the last run.

const turned = ([x, y], c, s) => [c * x - s * y, s * x + c * y];
const mean = (points) => [0, 1].map((i) => points.reduce((sum, p) => sum + p[i], 0) / points.length);
const minus = (p, q) => [p[0] - q[0], p[1] - q[1]];

// The rotation that takes directions of `from` to `to`: of two and more points that of least squares.
function rotation(from, to, ifOne) {
  if (from.length < 2) return [Math.cos(ifOne), Math.sin(ifOne)];
  const p0 = mean(from), q0 = mean(to);
  let c = 0, s = 0;
  from.forEach((point, n) => {
    const p = minus(point, p0), q = minus(to[n], q0);
    c += p[0] * q[0] + p[1] * q[1];
    s += p[0] * q[1] - p[1] * q[0];
  });
  const length = Math.hypot(c, s) || 1;
  return [c / length, s / length];
}

function byTies(from, to, ratio, turn, px) {
  const [c, s] = rotation(from, to, turn);
  const away = turned(minus(px, mean(from)), c, s);
  const middle = mean(to);
  return [middle[0] + ratio * away[0], middle[1] + ratio * away[1]];
}

function byPlaces([[a, b, c], [d, e, f]], [[g, h, i], [j, k, l]], [x, y]) {
  const u = a * x + b * y + c - i, v = d * x + e * y + f - l;
  const area = g * k - h * j;
  return [(k * u - h * v) / area, (g * v - j * u) / area];
}

// pair: as the server tells it; side: of px, "a" or "b"; turns: as the panes are turned. Null when nothing tells it.
export function expected(state, pair, side, px, turns) {
  const [near, far] = side === "a" ? ["a", "b"] : ["b", "a"];
  const from = state.scans[pair[near]], to = state.scans[pair[far]];
  if (pair.ties.length) {
    const [p, q] = [near, far].map((end) => pair.ties.filter((tie) => !tie.doubt).map((tie) => tie[`${end}_px`]));
    if (!p.length) return null;
    const turn = ((turns[near] - turns[far]) * Math.PI) / 180;
    return byTies(p, q, to.ppi / from.ppi, turn, px);
  }
  return from.place && to.place ? byPlaces(from.place, to.place, px) : null;
}
