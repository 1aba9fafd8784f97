// One chart of one quantity over time: uPlot in our colours, with limits, a cursor for mouse and keyboard, and a
// spoken reading of the cursor. What is drawn here is also in words and in a table beside it.

import { tag } from "./dom.js";
import { limitLines, strokeByLimits } from "./limits.js";

/** Whether the chart library is here; without it the pages still show every number and table. */
export const chartsWork = () => typeof globalThis.uPlot === "function";

let cache = new Map();
/** A colour of the style sheet by name ("ink", "trace"), as the theme of the moment has it. */
export function colours(name) {
  if (!cache.has(name))
    cache.set(name, getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim());
  return cache.get(name);
}

const living = new Set();
for (const query of ["(prefers-color-scheme: dark)", "(forced-colors: active)", "(prefers-contrast: more)"]) {
  matchMedia(query).addEventListener("change", () => {
    cache = new Map();
    for (const chart of living) chart.plot.redraw(false, true);
  });
}

/** Width of the value axis and of the air at the other end, for what lies along the time axis. */
export const AXIS_WIDTH = 52;
export const AIR_RIGHT = 10;
const FONT = "12px system-ui, sans-serif";
const DASHES = [[], [6, 4], [2, 3]];
const TICK_SPACE = 84;
const SECONDS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400];

/** Round times between `from` and `to` [s] for an axis of that width [px]; the same for every chart that shares one. */
export function timeTicks(from, to, width) {
  const least = ((to - from) * TICK_SPACE) / Math.max(1, width);
  const step = SECONDS.find((seconds) => seconds >= least) ?? SECONDS.at(-1) * Math.ceil(least / SECONDS.at(-1));
  const ticks = [];
  for (let at = Math.ceil(from / step) * step; at <= to; at += step) ticks.push(at);
  return ticks;
}

/** Bounds of the value axis: the data, at least `minSpan`, and the limits where `limits` says so. */
export function valueRange({ minSpan, limits, always, floor }) {
  return (_u, low, high) => {
    let min = Number.isFinite(low) ? low : 0;
    let max = Number.isFinite(high) ? high : min + minSpan;
    for (const limit of limits) {
      const near = limit.side === "above" ? max > 0.8 * limit.value : min < 1.25 * limit.value;
      if (always || near) {
        min = Math.min(min, limit.value);
        max = Math.max(max, limit.value);
      }
    }
    const lack = minSpan - (max - min);
    if (lack > 0) {
      min -= lack / 2;
      max += lack / 2;
    }
    const air = 0.08 * (max - min);
    min -= air;
    max += air;
    if (floor !== undefined && min < floor && low >= floor) min = floor;
    return [min, max];
  };
}

/** A chart in `holder`. See the arguments for what it needs; `data` is uPlot's [x, y1, y2 ...]. */
export class Chart {
  constructor(holder, spec) {
    this.holder = holder;
    this.spec = { limits: [], minSpan: 1, form: "line", decimals: 1, ...spec };
    this.range = [0, 1];
    this.plot = new globalThis.uPlot(this.#options(), this.#empty(), holder);
    living.add(this);
    this.watcher = new ResizeObserver(() => this.#fit());
    this.watcher.observe(holder);
    this.#fit();
    this.#keys();
  }

  /** Draw `data` with the time axis from `from` to `to`. */
  draw(data, from, to) {
    this.range = [from, to];
    this.plot.setData(data, true);
  }

  /** Move the time axis and keep the data. */
  view(from, to) {
    this.range = [from, to];
    this.plot.setScale("x", { min: from, max: to });
  }

  destroy() {
    living.delete(this);
    this.watcher.disconnect();
    this.plot.destroy();
  }

  #empty() {
    return [[], ...this.#series().map(() => [])];
  }

  #fit() {
    const width = Math.floor(this.holder.clientWidth);
    const height = Math.floor(this.holder.clientHeight);
    if (width > 0 && height > 0 && (width !== this.plot.width || height !== this.plot.height))
      this.plot.setSize({ width, height });
  }

  /** One line a quantity, or with `form` "extremes" its lowest and highest, or with "uncertainty" the value and ± U. */
  #series() {
    const { series, limits, form } = this.spec;
    return series.flatMap(({ label }, i) => {
      const plain = () => colours(i === 0 ? "trace" : "trace-2");
      const stroke = i === 0 ? strokeByLimits(limits, colours) : plain;
      const line = {
        label,
        stroke,
        width: 1.6,
        dash: DASHES[i % DASHES.length],
        points: { show: false },
        spanGaps: false,
      };
      const edge = { label: `${label}, bound`, points: { show: false }, spanGaps: false };
      if (form === "extremes")
        return [
          { ...line, width: 1 },
          { ...line, width: 1 },
        ];
      if (form === "uncertainty") return [line, edge, edge];
      return [line];
    });
  }

  #bands() {
    const { series, form } = this.spec;
    if (form === "line") return undefined;
    const step = form === "extremes" ? 2 : 3;
    return series.map((_one, i) => ({
      series: [step * i + step, step * i + step - 1],
      fill: () => colours(i === 0 ? "spread" : "spread-2"),
    }));
  }

  #options() {
    const { limits, unit, sync, drag, plugins = [] } = this.spec;
    const axis = {
      font: FONT,
      stroke: () => colours("ink-3"),
      ticks: { show: true, size: 4, width: 1, stroke: () => colours("rule") },
    };
    const series = this.#series();
    return {
      width: 300,
      height: 120,
      pxAlign: 1,
      padding: [8, AIR_RIGHT, 0, 0],
      legend: { show: false },
      cursor: {
        y: false,
        drag: { x: Boolean(drag), y: false, dist: 6, setScale: false },
        bind: drag ? { dblclick: () => () => null } : {},
        points: { size: 7, width: 1.5, stroke: () => colours("ink"), fill: () => colours("sheet") },
        sync: sync ? { key: sync, setSeries: false } : undefined,
      },
      scales: {
        x: { time: false, range: () => this.range },
        y: { range: valueRange(this.spec) },
      },
      axes: [
        {
          ...axis,
          size: this.spec.time.shared ? 6 : 24,
          gap: 2,
          splits: (_u, _axis, from, to) => this.#ticks(from, to),
          values: (u, splits) => (this.spec.time.shared ? splits.map(() => "") : this.#timeLabels(u, splits)),
          grid: { width: 1, stroke: () => colours("grid") },
        },
        { ...axis, size: AXIS_WIDTH, gap: 4, space: 24, grid: { width: 1, stroke: () => colours("grid") } },
      ],
      series: [{}, ...series],
      bands: this.#bands(),
      plugins: [limitLines(limits, unit, colours), ...plugins],
      hooks: {
        setSelect: [(u) => this.#selected(u)],
        setCursor: [(u) => this.spec.onCursor?.(u.cursor.idx, u)],
        // Tells tests and styles that pixels are there; costs nothing.
        draw: [() => tag(this.holder, "drawn", "yes")],
      },
    };
  }

  /** A stretch was dragged over: hand it on, and take the grey away. */
  #selected(u) {
    const { left, width } = u.select;
    if (width < 6) return;
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.spec.drag?.(u.posToVal(left, "x"), u.posToVal(left + width, "x"));
  }

  #ticks(from, to) {
    return timeTicks(from, to, this.plot ? this.plot.bbox.width / devicePixelRatio : 300);
  }

  /** Times under the axis; one whose text would be cut off at an end is left out. */
  #timeLabels(u, splits) {
    const width = u.bbox.width / devicePixelRatio;
    return splits.map((at) => {
      const x = u.valToPos(at, "x");
      return x < 8 || x > width - 20 ? "" : this.spec.time.label(at);
    });
  }

  /** Arrow keys move the cursor in time; the reading goes into aria-valuetext. */
  #keys() {
    const { holder, plot } = this;
    holder.tabIndex = 0;
    holder.setAttribute("role", "slider");
    holder.setAttribute("aria-label", `${this.spec.label}, place in time`);
    holder.setAttribute("aria-valuemin", "0");
    holder.setAttribute("aria-valuemax", "100");
    holder.setAttribute("aria-valuenow", "100");
    holder.setAttribute("aria-valuetext", "no place chosen; use the arrow keys");
    holder.addEventListener("keydown", (event) => {
      const width = plot.over.clientWidth;
      const steps = { ArrowLeft: -1, ArrowRight: 1, ArrowDown: -1, ArrowUp: 1, PageUp: 10, PageDown: -10 };
      let left = plot.cursor.left >= 0 ? plot.cursor.left : width;
      if (event.shiftKey || event.ctrlKey || event.metaKey || event.altKey) return;
      if (event.key in steps) left += (steps[event.key] * width) / 100;
      else if (event.key === "Home") left = 0;
      else if (event.key === "End") left = width;
      else return;
      event.preventDefault();
      left = Math.max(0, Math.min(width - 1, left));
      plot.setCursor({ left, top: plot.over.clientHeight / 2 }, true, true);
      holder.setAttribute("aria-valuenow", String(Math.round((100 * left) / width)));
      holder.setAttribute("aria-valuetext", this.spec.reading?.(plot.cursor.idx) || "no reading here");
    });
    holder.addEventListener("blur", () => plot.setCursor({ left: -10, top: -10 }, true, true));
  }
}
