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

/** A chart plugin that draws the limits in view as dashed lines with their names. */
export function limitLines(list, unit, colours) {
  const draw = (u) => {
    const { ctx, bbox } = u;
    const scale = devicePixelRatio || 1;
    ctx.save();
    ctx.font = `${12 * scale}px system-ui, sans-serif`;
    ctx.textAlign = "right";
    ctx.lineWidth = scale;
    list.forEach((limit, i) => {
      const y = u.valToPos(limit.value, "y", true);
      const line = Math.round(y) + (scale % 2) / 2; // on the pixels, not between them
      if (!(y >= bbox.top && y <= bbox.top + bbox.height)) return; // the words beside the chart name them all
      ctx.strokeStyle = colours("limit");
      ctx.setLineDash([7 * scale, 4 * scale]);
      ctx.beginPath();
      ctx.moveTo(bbox.left, line);
      ctx.lineTo(bbox.left + bbox.width, line);
      ctx.stroke();
      ctx.setLineDash([]);
      const text = `${limit.name} ${plain(limit.value, unit)}`;
      const right = bbox.left + bbox.width - (6 + (i % 2) * 112) * scale; // staggered: 60 and 65 may stand close
      const under = y - bbox.top < 16 * scale;
      const at = y + (under ? 3 : -3) * scale;
      ctx.textBaseline = under ? "top" : "bottom";
      ctx.fillStyle = colours("sheet");
      ctx.fillRect(
        right - ctx.measureText(text).width - 3 * scale,
        under ? at - scale : at - 13 * scale,
        ctx.measureText(text).width + 6 * scale,
        14 * scale,
      );
      ctx.fillStyle = colours("ink-2");
      ctx.fillText(text, right, at);
    });
    ctx.restore();
  };
  return { hooks: { drawAxes: [draw] } };
}
