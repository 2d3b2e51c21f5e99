// All scans of the job, and what is wanted next.

import { draw } from "./sketch.js";
import { drawn } from "./words.js";

const by = (id) => document.getElementById(id);

export class AllScans {
  constructor(open) {
    this.open = open; // (a, b): show this pair
    this.chosen = null;
    const sketch = by("sketch");
    sketch.addEventListener("click", (event) => this.choose(event));
    sketch.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      this.choose(event);
    });
  }

  show(state) {
    this.state = state;
    by("how-drawn").textContent = drawn(state);
    by("stopped").hidden = !state.stopped;
    by("stopped-why").textContent = state.stopped ? state.stopped[0] : "";
    by("wanted").replaceChildren(...state.wanted.map((one) => this.wish(one)));
    by("wanted-title").hidden = !state.wanted.length;
    by("ready").hidden = state.wanted.length > 0;
    by("command").textContent = state.next_command;
    draw(by("sketch"), state, this.chosen);
  }

  wish(one) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = one.said;
    button.addEventListener("click", () => (one.b === null ? this.pick(one.a) : this.open(one.a, one.b)));
    const item = document.createElement("li");
    item.append(button);
    return item;
  }

  choose(event) {
    const scan = event.target.closest("[data-scan]");
    if (scan) this.pick(Number(scan.dataset.scan));
  }

  pick(number) {
    const first = this.chosen;
    this.chosen = first === null ? number : null;
    if (first !== null && first !== number) {
      this.open(first, number);
      return;
    }
    draw(by("sketch"), this.state, this.chosen);
    document.querySelector(`[data-scan="${number}"]`).focus();
  }
}
