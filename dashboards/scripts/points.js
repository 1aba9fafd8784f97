// Results against time: a point for each, with its U as a bar. A few of them, so drawn as SVG; the table beneath has them.

import { make } from "./dom.js";
import { day, fixed, presentText } from "./format.js";

const SVG = "http://www.w3.org/2000/svg";
const HEIGHT = 240;
const LEFT = 48;
const RIGHT = 16;
const TOP = 14;
const BOTTOM = 34;

function part(tag, attributes, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  element.append(...children);
  return element;
}

/** Round values between `low` and `high`, 1, 2 or 5 times a power of ten apart. */
export function roundTicks(low, high, most = 5) {
  const rough = (high - low) / most;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough * (1 - 1e-9));
  const ticks = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + step * 1e-9; n += 1) ticks.push(n * step);
  return { ticks, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

/** A figure of sets of points {t, value, u95, unit, label, href}; it fits its width and is drawn again when that changes. */
export function pointsChart({ title, unit, sets }) {
  const all = sets.flatMap(({ points }) => points);
  if (all.length === 0) return make("p", { class: "quiet" }, "No result to draw yet.");
  const place = make("div", { class: "points" });
  const draw = () => {
    const width = Math.max(280, Math.floor(place.clientWidth));
    place.replaceChildren(drawn(title, sets, all, width));
  };
  new ResizeObserver(draw).observe(place);
  const several = sets.filter(({ points }) => points.length > 0);
  const keys = several.map(({ name, points }) => {
    const kind = sets.findIndex((set) => set.name === name);
    return make("span", { class: "point-key" }, make("span", { class: `point-sample point-${kind}` }), `${name} (${points.length})`);
  });
  return make(
    "figure",
    { class: "point-figure" },
    make("figcaption", {}, `${title} [${unit}], with ± U (k = 2) `, ...keys),
    place,
  );
}

function drawn(title, sets, all, width) {
  const low = Math.min(...all.map(({ value, u95 }) => value - (u95 ?? 0)));
  const high = Math.max(...all.map(({ value, u95 }) => value + (u95 ?? 0)));
  const air = 0.08 * (high - low) || 0.1 * Math.abs(high) || 1;
  const [from, to] = [Math.min(...all.map(({ t }) => t)), Math.max(...all.map(({ t }) => t))];
  const inner = width - LEFT - RIGHT - 16;
  const x = (t) => LEFT + 8 + (to > from ? (inner * (t - from)) / (to - from) : inner / 2);
  const y = (value) => TOP + ((HEIGHT - TOP - BOTTOM) * (high + air - value)) / (high - low + 2 * air);
  const words = all.map(({ label, ...number }) => `${label}: ${presentText(number, "mmw_dry_ref")}`).join("; ");
  const svg = part("svg", { viewBox: `0 0 ${width} ${HEIGHT}`, width, height: HEIGHT, role: "group", "aria-label": `${title}. ${words}` });
  const { ticks, decimals } = roundTicks(low - air, high + air);
  for (const tick of ticks) {
    svg.append(part("line", { class: "point-grid", x1: LEFT, x2: width - RIGHT, y1: y(tick), y2: y(tick) }));
    svg.append(part("text", { class: "point-tick", x: LEFT - 6, y: y(tick) + 4, "text-anchor": "end" }, fixed(tick, decimals)));
  }
  const date = (t) => day(new Date(1000 * t).toISOString()).split(",")[0];
  const ends = to > from ? [[from, "start"], [to, "end"]] : [[from, "middle"]];
  for (const [t, anchor] of ends)
    svg.append(part("text", { class: "point-tick", x: x(t), y: HEIGHT - 10, "text-anchor": anchor }, date(t)));
  sets.forEach(({ points }, kind) => {
    for (const point of points) svg.append(onePoint(point, kind, x(point.t), y));
  });
  return svg;
}

function onePoint({ value, u95, label, href, unit }, kind, x, y) {
  const link = part("a", { href, class: `point point-${kind}`, "aria-label": `${label}: ${presentText({ value, u95, unit }, "mmw_dry_ref")}` });
  link.append(part("title", {}, `${label}: ${presentText({ value, u95, unit }, "mmw_dry_ref")}`));
  link.append(part("circle", { class: "point-target", cx: x, cy: y(value), r: 14 }));
  if (u95) link.append(part("path", { class: "point-bar", d: `M${x} ${y(value - u95)}V${y(value + u95)}M${x - 4} ${y(value - u95)}h8M${x - 4} ${y(value + u95)}h8` }));
  link.append(
    kind === 0
      ? part("circle", { class: "point-mark", cx: x, cy: y(value), r: 4.5 })
      : part("rect", { class: "point-mark", x: x - 4, y: y(value) - 4, width: 8, height: 8 }),
  );
  return link;
}
