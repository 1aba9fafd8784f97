// The one time axis of all trends: it stays in view at the foot of the sheet, and its marks are those of every chart.

import { AIR_RIGHT, AXIS_WIDTH, timeTicks } from "./chart.js";
import { make } from "./dom.js";
import { wall } from "./format.js";

/** The axis; `view()` gives [from, to] in Unix seconds. */
export class TimeAxis {
  constructor(view) {
    this.view = view;
    this.rail = make("div", { class: "time-rail" });
    // The charts say the same by keys and tables: spoken, these marks would be noise.
    this.root = make("div", { class: "time-axis", "aria-hidden": "true" }, make("span", { class: "time-name" }, "Time"), this.rail);
    this.key = "";
  }

  draw() {
    const width = this.rail.clientWidth - AXIS_WIDTH - AIR_RIGHT;
    if (width <= 0) return;
    const [from, to] = this.view();
    const ticks = timeTicks(from, to, width);
    const key = `${width} ${from} ${to}`;
    if (key === this.key) return;
    this.key = key;
    while (this.rail.children.length < ticks.length) this.rail.append(make("span", { class: "time-tick" }));
    while (this.rail.children.length > ticks.length) this.rail.lastChild.remove();
    ticks.forEach((at, i) => {
      const mark = this.rail.children[i];
      const x = ((at - from) / (to - from)) * width;
      mark.textContent = x < 24 || x > width - 24 ? "" : wall(at);
      mark.style.insetInlineStart = `${AXIS_WIDTH + x}px`;
    });
  }
}
