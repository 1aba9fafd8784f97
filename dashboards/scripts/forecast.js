// What the watch foresees of the lye temperature, in one sentence.

import { plain, span } from "./format.js";

/** A foreseen quantity as {value, low, high}: it may come as a number, as such an object, or as a list of the three. */
function band(entry) {
  if (Array.isArray(entry)) return { value: entry[0], low: entry[1], high: entry[2] };
  if (entry !== null && typeof entry === "object") return entry;
  return { value: entry ?? null, low: null, high: null };
}

function between(low, high, text) {
  return Number.isFinite(low) && Number.isFinite(high) ? ` (${text(low)} to ${text(high)})` : "";
}

/** The sentence, or "" when nothing is foreseen. The service's own words come first. */
export function forecastWords(forecast) {
  if (!forecast) return "";
  if (forecast.words) return forecast.words;
  const time = band(forecast.time_to_limit_s);
  const settles = band(forecast.steady_state_c);
  if (Number.isFinite(time.value))
    return `As it stands, it crosses the limit in about ${span(time.value)}${between(time.low, time.high, span)}`;
  const degrees = (value) => plain(value, "degC");
  if (Number.isFinite(settles.value))
    return `As it stands, it settles at about ${degrees(settles.value)}${between(settles.low, settles.high, degrees)}`;
  return forecast.reason ?? "";
}
