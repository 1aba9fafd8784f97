// What the watch foresees of the lye temperature: a sentence, and the numbers with their bands behind it.

import { make, say, show, tag } from "./dom.js";
import { explained } from "./explain.js";
import { plain, span, wall } from "./format.js";

/** A foreseen quantity as {value, low, high}: flat keys, an object, or a list of the three. */
function band(forecast, key, flat = [key, `${key}_low`, `${key}_high`]) {
  const entry = forecast[key];
  if (Array.isArray(entry)) return { value: entry[0], low: entry[1], high: entry[2] };
  if (entry !== null && typeof entry === "object") return entry;
  const [value, low, high] = flat.map((name) => forecast[name] ?? null);
  return { value, low, high };
}

/** Time to the watched limit [s], with its band; null beyond what is looked at. */
export const timeBand = (forecast) =>
  band(forecast, "time_to_limit_s", [
    "time_to_limit_s",
    "time_to_limit_low_s",
    "time_to_limit_high_s",
  ]);
/** Where it settles [degC], with its band; null where it does not. */
export const settleBand = (forecast) =>
  band(forecast, "steady_state_c", ["steady_state_c", "steady_state_low_c", "steady_state_high_c"]);

/**
 * The limits that lie ahead of `temp` [degC], as {name, limit_c, left_s}, the nearest first; `since` is the forecast's age
 * [s], by which the times are counted down. Those that are passed are left out: there is no time to them.
 */
export function limitsAhead(forecast, temp, since = 0) {
  const limits = Object.entries(forecast?.limits ?? {});
  if (!limits.length && Number.isFinite(forecast?.limit_c))
    limits.push([forecast.limit ?? "high", { limit_c: forecast.limit_c, time_s: timeBand(forecast).value }]);
  const beyond = (limit) => Number.isFinite(temp) && temp >= limit;
  return limits
    .filter(([, { limit_c: at, time_s: time }]) => Number.isFinite(time) && time > 0 && !beyond(at))
    .map(([name, { limit_c: at, time_s: time }]) => ({ name, limit_c: at, left_s: Math.max(0, time - since) }))
    .sort((a, b) => a.limit_c - b.limit_c);
}

/** Time in words: "less than a minute", "4 min". */
const soon = (seconds) => (seconds < 60 ? "less than a minute" : span(60 * Math.round(seconds / 60)));

const degrees = (value) => plain(Math.round(value), "degC");

function between(low, high, text) {
  return Number.isFinite(low) && Number.isFinite(high) ? ` (${text(low)} to ${text(high)})` : "";
}

/**
 * The sentence, or "" when nothing is foreseen. The service's own words come first, unless `temp`, the reading of now,
 * has passed the limit of which they speak: then the cut is what lies ahead.
 */
export function forecastWords(forecast, temp = null, since = 0) {
  if (!forecast) return "";
  if (Number.isFinite(temp) && Number.isFinite(forecast.limit_c) && temp >= forecast.limit_c) {
    const cut = limitsAhead(forecast, temp, since).find(({ name }) => name === "trip");
    const above = `The lye is above its limit of ${plain(forecast.limit_c, "degC")}.`;
    return cut ? `${above} The supply is cut at ${plain(cut.limit_c, "degC")}, in about ${soon(cut.left_s)}.` : above;
  }
  if (forecast.words) return forecast.words;
  const time = timeBand(forecast);
  const settles = settleBand(forecast);
  if (Number.isFinite(time.value))
    return `As it stands, it crosses the limit in about ${span(time.value)}${between(time.low, time.high, span)}`;
  const warm = (value) => plain(value, "degC");
  if (Number.isFinite(settles.value))
    return `As it stands, it settles at about ${warm(settles.value)}${between(settles.low, settles.high, warm)}`;
  return forecast.reason ?? "";
}

/** What stands behind the sentence, as lines: when, where it settles, what is not known. */
export function forecastLines(forecast, now) {
  if (!forecast) return [];
  const time = timeBand(forecast);
  const settles = settleBand(forecast);
  const lines = [];
  const crosses = Number.isFinite(time.value);
  const cut = forecast.limits?.trip;
  const limit = Number.isFinite(forecast.limit_c) ? plain(forecast.limit_c, "degC") : "the limit";
  if (crosses && time.value > 0)
    lines.push(
      `Crosses ${limit} at about ${wall(now + time.value).slice(0, 5)}` +
        (Number.isFinite(time.low) && time.low !== time.high
          ? `, between ${wall(now + time.low).slice(0, 5)} and ${
              Number.isFinite(time.high) ? wall(now + time.high).slice(0, 5) : "never"
            }`
          : ""),
    );
  if (Number.isFinite(cut?.time_s) && cut.time_s > 0)
    lines.push(`Cut at ${plain(cut.limit_c, "degC")} at about ${wall(now + cut.time_s).slice(0, 5)}`);
  if (!crosses && forecast.words) {
    // the sentence says where it settles
  } else if (Number.isFinite(settles.value))
    lines.push(
      `Would settle at about ${degrees(settles.value)}` +
        (Number.isFinite(settles.high)
          ? between(settles.low, settles.high, degrees)
          : Number.isFinite(settles.low)
            ? ` (${degrees(settles.low)} or more; perhaps it does not settle)`
            : ""),
    );
  else if (Number.isFinite(settles.low))
    lines.push(`No temperature at which it settles is foreseen; the lowest possible is ${degrees(settles.low)}`);
  else if (crosses) lines.push("No temperature at which it settles is foreseen");
  if (forecast.confidence) lines.push(`Confidence: ${forecast.confidence}`);
  const unknowns = forecast.unknowns ?? [];
  if (unknowns.length) lines.push(`Not known: ${unknowns.join("; ")}`);
  return lines;
}

/** Why there is no forecast, or "" where this bench has none. */
export function whyNone(bench, latest) {
  const measured = new Set((bench?.channels ?? []).map(({ name }) => name));
  if (!measured.has("amps") || !(measured.has("volts") || measured.has("watts"))) return "";
  const amps = latest.get("amps")?.value;
  const least = bench.supply?.powered_above_amps ?? 0.2;
  if (Number.isFinite(amps) && Math.abs(amps) <= least)
    return "Nothing is foreseen while no current flows.";
  return "No forecast yet: it needs temperature, current and voltage for some minutes.";
}

/** The words beside the temperature. */
export class ForecastWords {
  constructor(bench) {
    this.bench = bench;
    this.words = make("p", { class: "foreseen-words" });
    this.lines = make("ul", { class: "plain-list" });
    this.root = make("div", { class: "foreseen", role: "group", "aria-label": "Forecast" }, this.words, this.lines);
    this.said = "";
  }

  /**
   * `level` is that of the forecast's standing alarm, or ""; `unseen` is why nothing is foreseen now, or ""; `since` is how
   * old the forecast is [s].
   */
  tell(assessment, latest, level, unseen = "", since = 0) {
    const known = assessment?.forecast ?? null;
    const forecast = unseen ? null : known;
    const words = unseen ? (known ? `Not known: ${unseen}.` : "") : forecast ? forecastWords(forecast, latest.get("lye_temp")?.value, since) : assessment ? whyNone(this.bench, latest) : "";
    const now = assessment?.utc ? Date.parse(assessment.utc) / 1000 : Date.now() / 1000;
    const lines = forecastLines(forecast, now);
    say(this.words, words);
    const key = lines.join("\n");
    if (key !== this.said) {
      this.said = key;
      this.lines.replaceChildren(
        ...lines.map((text) => make("li", {}, text.startsWith("Confidence") ? explained(text, "confidence") : text)),
      );
    }
    show(this.lines, lines.length > 0);
    show(this.root, words !== "");
    tag(this.root, "level", level);
  }
}

/** A chart plugin: at the right edge, where it would settle: a dot, its band as a bracket, an arrow for beyond. */
export function settleMark(read, colours) {
  const draw = (u) => {
    const forecast = read();
    if (!forecast) return;
    const { value, low, high } = settleBand(forecast);
    if (!Number.isFinite(value) && !Number.isFinite(low)) return;
    const { ctx, bbox } = u;
    const scale = devicePixelRatio || 1;
    const x = bbox.left + bbox.width + 5 * scale;
    const bottom = bbox.top + bbox.height;
    const at = (degC) =>
      Number.isFinite(degC)
        ? Math.min(bottom, Math.max(bbox.top, u.valToPos(degC, "y", true)))
        : bbox.top;
    ctx.save();
    ctx.strokeStyle = ctx.fillStyle = colours("ink-2");
    ctx.lineWidth = 2 * scale;
    ctx.beginPath();
    ctx.moveTo(x, at(low ?? value));
    ctx.lineTo(x, at(high ?? Infinity));
    ctx.stroke();
    const y = Number.isFinite(value) ? u.valToPos(value, "y", true) : -Infinity;
    ctx.beginPath();
    if (y >= bbox.top && y <= bottom) ctx.arc(x, y, 4 * scale, 0, 2 * Math.PI);
    else {
      const [tip, back] = y < bbox.top ? [bbox.top, bbox.top + 8 * scale] : [bottom, bottom - 8 * scale];
      ctx.moveTo(x, tip);
      ctx.lineTo(x - 4.5 * scale, back);
      ctx.lineTo(x + 4.5 * scale, back);
    }
    ctx.fill();
    ctx.restore();
  };
  return { hooks: { draw: [draw] } };
}
