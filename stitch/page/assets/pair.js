// Two scans side by side, and the making of their ties.

import { look } from "./asking.js";
import { drawCards } from "./cards.js";
import { Pane } from "./pane.js";
import { expected } from "./placing.js";
import { askLength } from "./ruler.js";
import { todo } from "./words.js";

const by = (id) => document.getElementById(id);
const SHOWN_SCALE = 0.7; // css px for a scan px when one tie is shown
const other = { a: "b", b: "a" };

export class PairView {
  // desk: {state, change(body), alarm(text)}
  constructor(desk) {
    Object.assign(this, { desk, panes: null, pair: null, pending: null, ruler: null, waiting: false, hasLens: true });
    by("apart").addEventListener("click", () => this.setApart());
    by("measure").addEventListener("click", () => this.toggleRuler());
    by("lens").addEventListener("click", () => this.toggleLens());
  }

  async open(a, b) {
    this.close();
    const pair = await look(`pair/${a}/${b}`);
    this.pair = pair;
    const { scans } = this.desk.state;
    by("pair-title").textContent = `${scans[a].name} and ${scans[b].name}`;
    const make = (side, number, turn) =>
      new Pane(by(`pane-${side}`), number, scans[number], turn, {
        placed: (px) => this.placed(side, px),
        changed: () => this.draw(),
        failed: (url) => look(url).catch((refused) => this.desk.alarm(refused.message)),
      });
    this.panes = { a: make("a", a, pair.turns[0]), b: make("b", b, pair.turns[1]) };
    for (const pane of Object.values(this.panes)) pane.useLens(this.hasLens);
    this.draw();
  }

  close() {
    if (this.panes) Object.values(this.panes).forEach((pane) => pane.close());
    Object.assign(this, { panes: null, pair: null, pending: null, ruler: null, waiting: false });
  }

  async refresh() {
    if (!this.pair) return;
    const { a, b } = this.pair;
    const pair = await look(`pair/${a}/${b}`);
    if (this.pair && this.pair.a === a && this.pair.b === b) this.pair = pair;
    this.draw();
  }

  get turns() {
    return { a: this.panes.a.turn, b: this.panes.b.turn };
  }

  name(side) {
    return this.desk.state.scans[this.pair[side]].name;
  }

  placed(side, px) {
    if (this.waiting || !this.pair) return;
    if (this.ruler) this.measured(side, px);
    else if (this.pair.is_apart) this.draw();
    else if (this.pending && this.pending.side !== side) this.tie(side, px);
    else this.begin(side, px);
  }

  begin(side, px) {
    const guess = expected(this.desk.state, this.pair, side, px, this.turns);
    const far = this.panes[other[side]];
    this.pending = { side, px, guess: guess && far.isInside(guess) ? guess : null };
    if (this.pending.guess && !far.isSeen(guess)) far.goTo(guess, this.panes[side].scale);
    this.draw();
    if (document.activeElement === this.panes[side].table && this.panes[side].cross) far.table.focus();
  }

  async tie(side, px) {
    const ends = { [this.pending.side]: this.pending.px, [side]: px };
    const turn = (this.turns.a - this.turns.b + 360) % 360;
    const { a, b } = this.pair;
    await this.busy(() => this.desk.change({ do: "tie", a, b, a_px: ends.a, b_px: ends.b, turn_deg: turn }));
  }

  async measured(side, px) {
    const place = { side, px };
    if (this.ruler.length === 0) {
      this.ruler.push(place);
      this.draw();
      return;
    }
    const [first, second] = [this.ruler[0], place];
    const length = await askLength();
    this.ruler = null;
    this.draw();
    if (length === null) return;
    const body = { a: this.pair[first.side], a_px: first.px, b: this.pair[second.side], b_px: second.px };
    await this.busy(() => this.desk.change({ do: "distance", ...body, length_mm: length }));
  }

  // A change that takes a moment; the place that was set is kept until it is saved.
  async busy(act) {
    this.waiting = true;
    this.draw();
    const isDone = await act();
    this.waiting = false;
    if (isDone) this.pending = null;
    await this.refresh();
  }

  setApart() {
    const { a, b, is_apart: isApart } = this.pair;
    return this.busy(() => this.desk.change({ do: isApart ? "touching" : "apart", a, b }));
  }

  toggleRuler() {
    this.ruler = this.ruler ? null : [];
    this.pending = null;
    this.draw();
  }

  // Esc: forget what was begun. False when there was nothing.
  forget() {
    if (!this.pending && !this.ruler) return false;
    this.pending = this.ruler = null;
    this.draw();
    return true;
  }

  toggleLens() {
    this.hasLens = !this.hasLens;
    by("lens").setAttribute("aria-pressed", String(this.hasLens));
    for (const pane of Object.values(this.panes)) pane.useLens(this.hasLens);
    this.draw();
  }

  showTie(tie) {
    this.panes.a.goTo(tie.a_px, SHOWN_SCALE);
    this.panes.b.goTo(tie.b_px, SHOWN_SCALE);
  }

  draw() {
    if (!this.panes) return;
    for (const side of ["a", "b"]) {
      this.panes[side].show(this.marks(side), this.rulers(side));
      const pinned = this.pending && this.pending.side === side ? this.pending.px : null;
      this.panes[side].pin(pinned);
    }
    by("todo").textContent = this.todo();
    by("pinned").textContent = [this.pair.link && `These two were ${this.pair.link}.`, this.pair.pinned].filter(Boolean).join(" ");
    by("apart").textContent = this.pair.is_apart ? "They do touch after all" : "These two do not touch";
    by("apart").disabled = this.pair.ties.length > 0;
    by("measure").setAttribute("aria-pressed", String(Boolean(this.ruler)));
    drawCards(by("ties"), by("distances"), this.pair, {
      show: (tie) => this.showTie(tie),
      untie: (tie) => this.busy(() => this.desk.change({ do: "untie", at: tie.at })),
      undistance: (one) => this.busy(() => this.desk.change({ do: "undistance", at: one.at })),
    });
  }

  marks(side) {
    const ties = this.pair.ties.map((tie, n) => {
      const label = `${n + 1}${tie.doubt ? " ?" : ""}`;
      return { kind: tie.doubt ? "doubted" : tie.agrees ? "sure" : "unsure", px: tie[`${side}_px`], label };
    });
    const { pending, ruler } = this;
    if (pending && pending.side === side) ties.push({ kind: "set", px: pending.px });
    if (pending && pending.side !== side && pending.guess) ties.push({ kind: "ghost", px: pending.guess });
    for (const place of ruler || []) if (place.side === side) ties.push({ kind: "set", px: place.px });
    return ties;
  }

  rulers(side) {
    return this.pair.distances
      .filter((one) => one.sides[0] === side && one.sides[1] === side)
      .map((one) => [one.from_px, one.to_px]);
  }

  todo() {
    if (this.waiting) return todo.waiting();
    if (this.ruler) return this.ruler.length ? todo.rulerSecond() : todo.rulerFirst();
    if (this.pair.is_apart) return todo.apart();
    return this.pending ? todo.second(this.name(other[this.pending.side])) : todo.first(this.name("a"), this.name("b"));
  }
}
