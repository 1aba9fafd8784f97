// The lane of marks and alarms above a run's charts, on the same time axis: buttons, not pixels, so that they can be
// reached and read without seeing them. And the lines that carry them down through the charts.

import { colours } from "./chart.js";
import { make, say } from "./dom.js";
import { clock, count } from "./format.js";
import { shape } from "./shapes.js";

const NEAR_PX = 26;
const FLOOD = 4; // so many alarms that stand close become one bar
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
      alarm: row.title || row.cause || row.alarm,
    });
  }
  return made.sort((a, b) => a.t - b.t);
}

/** The state that a transition leads to, or comes from. */
export const stateTo = (row) => row.to ?? row.state_to;
export const stateFrom = (row) => row.from ?? row.state_from;

const gravestOf = (events) =>
  [...events].sort((a, b) => GRAVITY.indexOf(a.shape) - GRAVITY.indexOf(b.shape))[0];

/**
 * Events in view as {floods, rest}. Alarms that follow one another within `near` seconds are a flood {from, to, events}:
 * hundreds of lines across a chart would say nothing but that they were many.
 */
export function floodsOf(events, near) {
  const chains = [];
  for (const event of events) {
    if (!event.alarm) continue;
    const last = chains.at(-1);
    if (last && event.t - last.at(-1).t <= near) last.push(event);
    else chains.push([event]);
  }
  const floods = chains
    .filter((chain) => chain.length >= FLOOD && chain.at(-1).t - chain[0].t > near)
    .map((chain) => ({ from: chain[0].t, to: chain.at(-1).t, events: chain }));
  const merged = new Set(floods.flatMap((flood) => flood.events));
  return { floods, rest: events.filter((event) => !merged.has(event)) };
}

/** A flood in words: from when to when, how many, and of which alarms. */
function floodWords({ from, to, events }) {
  const counts = new Map();
  for (const { alarm } of events) counts.set(alarm, (counts.get(alarm) ?? 0) + 1);
  const each = [...counts].sort((a, b) => b[1] - a[1]).map(([alarm, n]) => `${alarm} (${n})`);
  return `${clock(from)} to ${clock(to)}: ${count(events.length, "alarm")}: ${each.join(", ")}`;
}

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
    const seen = this.events.filter(({ t }) => t >= from && t <= to);
    const { floods, rest } = floodsOf(seen, (NEAR_PX / width) * (to - from));
    const groups = [];
    for (const event of rest) {
      const x = ((event.t - from) / (to - from)) * width;
      const last = groups.at(-1);
      if (last && x - last.x < NEAR_PX) last.events.push(event);
      else groups.push({ x, events: [event] });
    }
    this.rail.replaceChildren(
      ...floods.map((flood) => this.#bar(flood, width)),
      ...groups.map((group) => this.#button(group)),
    );
    if (seen.length === 0)
      say(
        this.words,
        this.events.length ? "No marks or alarms in view." : "No marks, no alarms in this run.",
      );
    else say(this.words, "");
  }

  #bar(flood, width) {
    const { from, to } = this.stretch;
    const text = floodWords(flood);
    const button = make(
      "button",
      { type: "button", class: "lane-flood", "aria-label": text, title: text },
      make("span", { class: "lane-count" }, count(flood.events.length, "alarm")),
    );
    button.dataset.level = gravestOf(flood.events).level;
    button.style.left = `${((flood.from - from) / (to - from)) * width}px`;
    button.style.width = `${((flood.to - flood.from) / (to - from)) * width}px`;
    return this.#telling(button, text);
  }

  #button({ x, events }) {
    const gravest = gravestOf(events);
    const text = events.map(({ t, text: words }) => `${clock(t)} ${words}`).join("; ");
    const button = make(
      "button",
      { type: "button", class: "lane-event", "aria-label": text, title: text },
      shape(gravest.shape),
      events.length > 1 && make("span", { class: "lane-count" }, String(events.length)),
    );
    if (gravest.level) button.dataset.level = gravest.level;
    button.style.left = `${x}px`;
    return this.#telling(button, text);
  }

  #telling(button, text) {
    const tell = () => say(this.words, text);
    button.addEventListener("click", tell);
    button.addEventListener("focus", tell);
    button.addEventListener("mouseenter", tell);
    return button;
  }
}

/**
 * A chart plugin for marks and alarms: a line down through the chart at a single alarm or trip, a bar along its upper edge
 * over a flood, and a short stroke on the time axis at a note.
 */
export function eventLines(read) {
  const draw = (u) => {
    const { ctx, bbox } = u;
    const scale = devicePixelRatio || 1;
    const { min, max } = u.scales.x;
    if (!(max > min)) return;
    const at = (t) => u.valToPos(t, "x", true);
    const { floods, rest } = floodsOf(
      read().filter(({ t }) => t >= min && t <= max),
      ((NEAR_PX * scale) / bbox.width) * (max - min),
    );
    ctx.save();
    ctx.lineWidth = scale;
    for (const { from, to, events } of floods) {
      ctx.fillStyle = colours(gravestOf(events).level);
      ctx.fillRect(at(from), bbox.top, Math.max(2 * scale, at(to) - at(from)), 4 * scale);
    }
    for (const { t, level } of rest) {
      const x = at(t);
      ctx.strokeStyle = colours(level || "ink-2");
      ctx.lineWidth = level ? scale : 2 * scale;
      ctx.beginPath();
      ctx.moveTo(x, level ? bbox.top : bbox.top + bbox.height - 9 * scale);
      ctx.lineTo(x, bbox.top + bbox.height);
      ctx.stroke();
    }
    ctx.restore();
  };
  return { hooks: { drawAxes: [draw] } };
}

const SHADED = { "supply off": "shade-1", "cool-down": "shade-1", disturbed: "shade-2" };

/** A chart plugin that shades the phases behind the trace: no current, and current being switched; `withNames` writes their names. */
export function phaseShades(read, withNames) {
  const named = withNames ? [] : null;
  const draw = (u) => {
    const { ctx, bbox } = u;
    const scale = devicePixelRatio || 1;
    const { min, max } = u.scales.x;
    if (!(max > min)) return;
    ctx.save();
    named?.splice(0);
    for (const { phase, from_s: from, to_s: to } of read()) {
      if (to <= min || from >= max) continue;
      const left = u.valToPos(Math.max(from, min), "x", true);
      const width = u.valToPos(Math.min(to, max), "x", true) - left;
      if (SHADED[phase]) {
        ctx.fillStyle = colours(SHADED[phase]);
        ctx.fillRect(left, bbox.top, width, bbox.height);
      }
      ctx.fillStyle = colours("edge");
      if (from > min) ctx.fillRect(Math.round(left), bbox.top, scale, 5 * scale);
      named?.push({ phase, left, width });
    }
    ctx.restore();
  };
  // The names come last, each on a ground of its own, so that no line of a limit crosses them.
  const name = (u) => {
    const { ctx, bbox } = u;
    const scale = devicePixelRatio || 1;
    ctx.save();
    ctx.font = `${12 * scale}px system-ui, sans-serif`;
    ctx.textBaseline = "top";
    ctx.textAlign = "left";
    for (const { phase, left, width } of named.splice(0)) {
      const wide = ctx.measureText(phase).width;
      if (wide + 12 * scale > width) continue;
      ctx.fillStyle = colours("sheet");
      ctx.fillRect(left + 3 * scale, bbox.top + 6 * scale, wide + 6 * scale, 16 * scale);
      ctx.fillStyle = colours("ink-2");
      ctx.fillText(phase, left + 6 * scale, bbox.top + 8 * scale);
    }
    ctx.restore();
  };
  return { hooks: { drawClear: [draw], draw: named ? [name] : [] } };
}
