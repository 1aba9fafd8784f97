// Limits of a channel: their order, their names, which one a value is beyond, and how a chart draws them.

import { plain } from "./format.js";

// From the mildest to the gravest on each side; `level` is the colour and shape that goes with it.
const ABOVE = [
  { key: "warn", name: "warning", level: "medium" },
  { key: "high", name: "high", level: "high" },
  { key: "trip", name: "cut", level: "critical" },
];
const BELOW = [
  { key: "low_warn", name: "low warning", level: "medium" },
  { key: "low_trip", name: "low cut", level: "critical" },
];

/** The limits of a channel as a list of {key, name, level, value, side}, mildest first. */
export function limitList(limits) {
  if (!limits) return [];
  const pick = (rows, side) =>
    rows
      .filter(({ key }) => typeof limits[key] === "number")
      .map((row) => ({ ...row, value: limits[row.key], side }));
  return [...pick(ABOVE, "above"), ...pick(BELOW, "below")];
}

/** The gravest limit that `value` is beyond, or null. */
export function beyond(list, value) {
  if (value === null || value === undefined || !Number.isFinite(value)) return null;
  return (
    list.filter((limit) => (limit.side === "above" ? value >= limit.value : value <= limit.value)).at(-1) ??
    null
  );
}

/** The limits in words: "warning 50 °C, high 60 °C, cut 65 °C". */
export function limitWords(list, unit) {
  return list
    .map((limit) => `${limit.name.replaceAll(" ", "\u00a0")}\u00a0${plain(limit.value, unit)}`)
    .join(", ");
}

/** A stroke that is ink where the value is in bounds and takes the limit's colour beyond it. */
export function strokeByLimits(list, colours, base = "trace") {
  if (!list.length) return () => colours(base);
  return (u) => {
    const { top, height } = u.bbox;
    if (!(height > 0) || u.scales.y.min === null || u.scales.y.min === undefined) return colours(base);
    const at = (value) => Math.min(1, Math.max(0, (u.valToPos(value, "y", true) - top) / height));
    // From the top edge down: gravest above, milder, ink, milder below, gravest below.
    const above = list.filter((l) => l.side === "above").sort((a, b) => b.value - a.value);
    const below = list.filter((l) => l.side === "below").sort((a, b) => b.value - a.value);
    const edges = [...above.map((l) => at(l.value)), ...below.map((l) => at(l.value))];
    const fills = [
      ...above.map((l) => colours(l.level)),
      colours(base),
      ...below.map((l) => colours(l.level)),
    ];
    const gradient = u.ctx.createLinearGradient(0, top, 0, top + height);
    let from = 0;
    fills.forEach((fill, i) => {
      const to = Math.max(from, edges[i] ?? 1);
      gradient.addColorStop(from, fill);
      gradient.addColorStop(to, fill);
      from = to;
    });
    return gradient;
  };
}

const LABEL_HEIGHT = 13;
const LABEL_AIR = 3;

/**
 * Where the names of limits stand, so that none lies on another's line or on another's name where there is room: above
 * its line or under it, at the right edge or further left.
 *
 * `lines` is a list of {y, width} of those in view [px]; gives for each {right, top} of its name, `right` counted from
 * the right edge of the plot, which is `height` high and `width` wide.
 */
export function placeLabels(lines, width, height) {
  const placed = [];
  const boxes = (y, size) => {
    const columns = [6];
    for (const { right, width: other } of placed) columns.push(right + other + 2 * LABEL_AIR);
    const rows = [y - LABEL_AIR - LABEL_HEIGHT, y + LABEL_AIR];
    return columns.filter((right) => right + size <= width).flatMap((right) => rows.map((top) => ({ right, top, width: size })));
  };
  const apart = (a, b) =>
    a.top + LABEL_HEIGHT <= b.top || b.top + LABEL_HEIGHT <= a.top || a.right + a.width <= b.right || b.right + b.width <= a.right;
  for (const { y, width: size } of lines) {
    const within = boxes(y, size).filter(({ top }) => top >= 0 && top + LABEL_HEIGHT <= height);
    const clear = (box) => placed.every((other) => apart(box, other));
    const crossed = (box) => lines.some((other) => other.y !== y && other.y > box.top - 1 && other.y < box.top + LABEL_HEIGHT + 1);
    placed.push(within.find((box) => clear(box) && !crossed(box)) ?? within.find(clear) ?? { right: 6, top: y + LABEL_AIR, width: size });
  }
  return placed;
}

/** A chart plugin that draws the limits in view as dashed lines with their names. */
export function limitLines(list, unit, colours) {
  const draw = (u) => {
    const { ctx, bbox } = u;
    const scale = devicePixelRatio || 1;
    ctx.save();
    ctx.font = `${12 * scale}px system-ui, sans-serif`;
    ctx.textAlign = "right";
    ctx.textBaseline = "top";
    ctx.lineWidth = scale;
    const seen = list
      .map((limit) => ({ y: u.valToPos(limit.value, "y", true), text: `${limit.name} ${plain(limit.value, unit)}` }))
      .filter(({ y }) => y >= bbox.top && y <= bbox.top + bbox.height); // the words beside the chart name them all
    const lines = seen.map(({ y, text }) => ({ y: (y - bbox.top) / scale, width: ctx.measureText(text).width / scale + 4 }));
    const places = placeLabels(lines, bbox.width / scale, bbox.height / scale);
    seen.forEach(({ y, text }, i) => {
      const line = Math.round(y) + (scale % 2) / 2; // on the pixels, not between them
      ctx.strokeStyle = colours("limit");
      ctx.setLineDash([7 * scale, 4 * scale]);
      ctx.beginPath();
      ctx.moveTo(bbox.left, line);
      ctx.lineTo(bbox.left + bbox.width, line);
      ctx.stroke();
      const { right, top, width } = places[i];
      const [x, at] = [bbox.left + bbox.width - right * scale, bbox.top + top * scale];
      ctx.fillStyle = colours("sheet");
      ctx.fillRect(x - (width - 2) * scale, at, width * scale, LABEL_HEIGHT * scale);
      ctx.fillStyle = colours("ink-2");
      ctx.fillText(text, x, at + scale);
    });
    ctx.restore();
  };
  return { hooks: { drawAxes: [draw] } };
}
