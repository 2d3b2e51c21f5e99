// The page: all scans, or one pair of them; what is saved, what went wrong, what other pages did.

import { AllScans } from "./all.js";
import { Refused, STOPPED, change, listen, look } from "./asking.js";
import { listenToKeys } from "./keys.js";
import { PairView } from "./pair.js";
import { twoPages } from "./words.js";

const by = (id) => document.getElementById(id);
const desk = { state: null, pages: 1, change: changed, alarm };
const all = new AllScans(openPair);
const pair = new PairView(desk);

function alarm(text) {
  by("alarm").textContent = text;
  by("alarm").hidden = !text;
}

function say(text) {
  const among = desk.pages > 1 ? twoPages(desk.pages) : "";
  by("said").textContent = [text, among].filter(Boolean).join(" ");
}

// Run what may be refused; the refusal is shown. True when it went well.
async function trying(act) {
  try {
    await act();
    alarm("");
    return true;
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    alarm(error.message);
    return false;
  }
}

function show() {
  const { state } = desk;
  document.title = `Ties: ${state.job}`;
  by("job").textContent = state.job;
  by("undo").disabled = !state.can_undo;
  by("redo").disabled = !state.can_redo;
  by("next").disabled = !nextWish();
  if (!by("all").hidden) all.show(state);
}

async function changed(body) {
  const isDone = await trying(async () => {
    const told = await change(desk, body);
    desk.state = told.state;
    say("Saved in ties.csv.");
    if (["undo", "redo"].includes(body.do) && told.about) await follow(told.about);
  });
  show();
  return isDone;
}

// After undo and redo the pair it was about is shown, so that nothing changes out of sight.
async function follow([a, b]) {
  const shown = pair.pair && [pair.pair.a, pair.pair.b].sort().join() === [a, b].sort().join();
  if (shown) await pair.refresh();
  else if (pair.pair && a !== b) await openPair(a, b);
}

async function openPair(a, b) {
  by("all").hidden = true;
  by("pair").hidden = false;
  await trying(() => pair.open(a, b));
  show();
  if (pair.panes) pair.panes.a.table.focus({ preventScroll: true });
}

function backToAll() {
  pair.close();
  by("pair").hidden = true;
  by("all").hidden = false;
  all.chosen = null;
  show();
}

// The first thing wanted that is not the pair shown.
function nextWish() {
  const shown = pair.pair ? [pair.pair.a, pair.pair.b] : [];
  return desk.state.wanted.find((one) => one.b !== null && !(shown.includes(one.a) && shown.includes(one.b)));
}

function next() {
  const wish = nextWish();
  if (wish) openPair(wish.a, wish.b);
}

async function told({ revision, pages }) {
  if (pages !== desk.pages) {
    desk.pages = pages;
    say("");
  }
  if (desk.state && revision <= desk.state.revision) return;
  await trying(async () => {
    desk.state = await look("state");
    await pair.refresh();
  });
  show();
}

function start() {
  by("back").addEventListener("click", backToAll);
  by("next").addEventListener("click", next);
  by("undo").addEventListener("click", () => changed({ do: "undo" }).then(() => pair.refresh()));
  by("redo").addEventListener("click", () => changed({ do: "redo" }).then(() => pair.refresh()));
  by("show-keys").addEventListener("click", () => by("keys").showModal());
  listenToKeys({
    paneOf: (target) => pair.panes && Object.values(pair.panes).find((pane) => pane.table === target),
    lens: () => pair.toggleLens(),
    next,
    undo: () => by("undo").click(),
    redo: () => by("redo").click(),
    escape: () => pair.pair && !pair.forget() && backToAll(),
  });
  window.addEventListener("resize", () => !by("all").hidden && desk.state && all.show(desk.state));
  listen(told, (isLost) => alarm(isLost ? STOPPED : ""));
}

await trying(async () => {
  desk.state = await look("state");
});
by("all").hidden = false;
if (desk.state) show();
start();
