// The lane of marks and alarms above a run's charts, on the same time axis: buttons, not pixels, so that they can be
// reached and read without seeing them. And the lines that carry them down through the charts.

import { colours } from "./chart.js";
import { make, say } from "./dom.js";
import { clock } from "./format.js";
import { shape } from "./shapes.js";

const NEAR_PX = 26;
const GRAVITY = ["critical", "high", "medium", "low", "note"];

/** Marks and raised alarms as events {t, shape, level, text}, in order of time. */
export function eventsOf(marks, transitions) {
  const made = marks.map(({ t_s: t, kind, text, who }) => {
    const grave = kind === "trip";
    return {
      t,
      shape: grave ? "critical" : "note",
      level: grave ? "critical" : "",
      text: `${text}${who ? ` (${who})` : ""}`,
    };
  });
  for (const row of transitions) {
    if (stateTo(row) !== "unacknowledged") continue;
    made.push({
      t: row.t_s,
      shape: row.priority,
      level: row.priority,
      text: `Alarm, ${row.priority}: ${row.title || row.cause || row.alarm}`,
    });
  }
  return made.sort((a, b) => a.t - b.t);
}

/** The state that a transition leads to, or comes from. */
export const stateTo = (row) => row.to ?? row.state_to;
export const stateFrom = (row) => row.from ?? row.state_from;

/** The lane. */
export class Lane {
  constructor(root) {
    this.events = [];
    this.rail = make("div", { class: "lane-rail", role: "group", "aria-label": "Marks and alarms in view" });
    this.words = make("p", { class: "lane-words", role: "status" });
    root.append(this.rail, this.words);
    this.watcher = new ResizeObserver(() => this.#lay());
    this.watcher.observe(this.rail);
    this.stretch = null;
  }

  show(events, stretch) {
    this.events = events;
    this.stretch = { from: stretch.from, to: stretch.to };
    this.#lay();
  }

  #lay() {
    const width = this.rail.clientWidth;
    if (!this.stretch || width <= 0) return;
    const { from, to } = this.stretch;
    const groups = [];
    for (const event of this.events) {
      if (event.t < from || event.t > to) continue;
      const x = ((event.t - from) / (to - from)) * width;
      const last = groups.at(-1);
      if (last && x - last.x < NEAR_PX) last.events.push(event);
      else groups.push({ x, events: [event] });
    }
    this.rail.replaceChildren(...groups.map((group) => this.#button(group)));
    if (groups.length === 0)
      say(
        this.words,
        this.events.length ? "No marks or alarms in view." : "No marks, no alarms in this run.",
      );
    else say(this.words, "");
  }

  #button({ x, events }) {
    const gravest = [...events].sort((a, b) => GRAVITY.indexOf(a.shape) - GRAVITY.indexOf(b.shape))[0];
    const text = events.map(({ t, text: words }) => `${clock(t)} ${words}`).join("; ");
    const button = make(
      "button",
      { type: "button", class: "lane-event", "aria-label": text, title: text },
      shape(gravest.shape),
      events.length > 1 && make("span", { class: "lane-count" }, String(events.length)),
    );
    if (gravest.level) button.dataset.level = gravest.level;
    button.style.left = `${x}px`;
    const tell = () => say(this.words, text);
    button.addEventListener("click", tell);
    button.addEventListener("focus", tell);
    button.addEventListener("mouseenter", tell);
    return button;
  }
}

/** A chart plugin that draws a line at each event. */
export function eventLines(read) {
  const draw = (u) => {
    const { ctx, bbox } = u;
    const scale = devicePixelRatio || 1;
    ctx.save();
    ctx.lineWidth = scale;
    for (const { t, level } of read()) {
      const x = u.valToPos(t, "x", true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.strokeStyle = colours(level || "limit");
      ctx.setLineDash(level ? [] : [2 * scale, 3 * scale]);
      ctx.beginPath();
      ctx.moveTo(x, bbox.top);
      ctx.lineTo(x, bbox.top + bbox.height);
      ctx.stroke();
    }
    ctx.restore();
  };
  return { hooks: { drawAxes: [draw] } };
}
