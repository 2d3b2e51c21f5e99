// Everything by keyboard. Single letters count only while a scan is chosen, so that they never surprise.

const MOVES = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function onScan(event, pane, acts) {
  const move = MOVES[event.key];
  if (move && event.ctrlKey) pane.moveScan(...move);
  else if (move) pane.moveCross(...move, event.shiftKey);
  else if (event.ctrlKey || event.metaKey || event.altKey) return;
  else if ((event.key === "Enter" || event.key === " ") && pane.cross) pane.told.placed(pane.cross);
  else if (event.key === "+" || event.key === "=") pane.zoom(1.4);
  else if (event.key === "-") pane.zoom(1 / 1.4);
  else if (event.key === "0") pane.whole();
  else if (event.key.toLowerCase() === "t") pane.turnBy(90);
  else if (event.key.toLowerCase() === "l") acts.lens();
  else if (event.key.toLowerCase() === "n") acts.next();
  else return;
  event.preventDefault();
}

function everywhere(event, acts) {
  if (document.querySelector("dialog[open]")) return;
  const isCommand = event.ctrlKey || event.metaKey;
  const key = event.key.toLowerCase();
  if (event.key === "Escape") acts.escape();
  else if (isCommand && key === "z" && !event.shiftKey) acts.undo();
  else if (isCommand && (key === "y" || (key === "z" && event.shiftKey))) acts.redo();
  else return;
  event.preventDefault();
}

export function listenToKeys(acts) {
  document.addEventListener("keydown", (event) => {
    if (event.target.closest("input, select")) return;
    const pane = acts.paneOf(event.target);
    if (pane) onScan(event, pane, acts);
    if (!event.defaultPrevented) everywhere(event, acts);
  });
}
