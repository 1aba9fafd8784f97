// Numbers, units and times as people read them. A number is never shown finer than its uncertainty allows.

const UNIT_WORDS = { degC: "°C", "degC/min": "°C/min", "mL/min/W": "mL/min/W", 1: "", "%": "%" };
const NARROW_SPACE = "\u202f";
const MINUS = "\u2212";
const NOTHING = "–";

/** A unit as shown. */
export function unitText(unit) {
  return UNIT_WORDS[unit] ?? unit ?? "";
}

/** Whether a number of that key is a share, shown in percent. */
function isShare(key, unit) {
  return unit === "1" && /efficiency|fraction|duty/.test(key ?? "");
}

/** A value with a true minus sign. */
export function fixed(value, decimals) {
  const text = Math.abs(value).toFixed(decimals);
  return (value < 0 && Number(text) !== 0 ? MINUS : "") + text;
}

/** Decimals that leave two significant digits of the uncertainty `u` (GUM 7.2.6); may be negative. */
export function decimalsFor(u) {
  if (!(u > 0) || !Number.isFinite(u)) return null;
  let decimals = 1 - Math.floor(Math.log10(u));
  // 0.0996 rounds to 0.10, which needs one decimal fewer
  if (Number(u.toFixed(Math.max(0, Math.min(20, decimals)))) >= 10 ** (2 - decimals)) decimals -= 1;
  return decimals;
}

function rounded(value, decimals) {
  if (decimals >= 0) return fixed(value, Math.min(decimals, 12));
  const step = 10 ** -decimals;
  return fixed(Math.round(value / step) * step, 0);
}

/**
 * A number {value, u95, unit} as parts {value, u, unit}; value is "–" when there is none.
 * `fallback` is the number of decimals used where no uncertainty is known.
 */
export function present(number, key = "", fallback = 2) {
  const share = isShare(key, number?.unit);
  const unit = share ? "%" : unitText(number?.unit);
  if (!number || number.value === null || !Number.isFinite(number.value))
    return { value: NOTHING, u: "", unit };
  const factor = share ? 100 : 1;
  const u = number.u95 === null || number.u95 === undefined ? null : number.u95 * factor;
  const decimals = decimalsFor(u);
  if (decimals === null) return { value: fixed(number.value * factor, share ? 1 : fallback), u: "", unit };
  return { value: rounded(number.value * factor, decimals), u: rounded(u, decimals), unit };
}

/** A number as one text, "58.21 ± 0.64 °C". */
export function presentText(number, key = "", fallback = 2) {
  const { value, u, unit } = present(number, key, fallback);
  if (value === NOTHING) return NOTHING;
  const body = u ? `${value} ± ${u}` : value;
  return withUnit(body, unit);
}

/** Text and unit with a narrow no-break space between. */
export function withUnit(text, unit) {
  return unit ? `${text}${NARROW_SPACE}${unit}` : text;
}

/** A limit or alarm value: as few decimals as it needs. */
export function plain(value, unit) {
  if (value === null || value === undefined || !Number.isFinite(Number(value))) return "–";
  const number = Number(value);
  return withUnit(fixed(number, Number.isInteger(number) ? 0 : decimalsOf(number)), unitText(unit));
}

function decimalsOf(value) {
  const size = Math.abs(value);
  return size >= 100 ? 0 : size >= 10 ? 1 : 2;
}

/** Seconds as a stop-watch shows them: 4:07, 1:02:09, 26:00:00. */
export function clock(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return "–";
  const sign = seconds < 0 ? MINUS : "";
  const whole = Math.floor(Math.abs(seconds));
  const parts = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  const text = parts[0] > 0 ? parts : parts.slice(1);
  return sign + text.map((part, i) => (i === 0 ? String(part) : String(part).padStart(2, "0"))).join(":");
}

/** Seconds in words: "48 s", "12 min", "3 h 20 min". */
export function span(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return "–";
  if (seconds < 10) return `${seconds.toFixed(1)}${NARROW_SPACE}s`;
  if (seconds < 120) return `${Math.round(seconds)}${NARROW_SPACE}s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 120) return `${minutes}${NARROW_SPACE}min`;
  const left = minutes % 60;
  return `${Math.floor(minutes / 60)}${NARROW_SPACE}h${left ? ` ${left}${NARROW_SPACE}min` : ""}`;
}

// Dates are written as the reader's browser asks for them; the clock has 24 hours everywhere.
const LANGUAGES = navigator.languages;
const timeOfDay = new Intl.DateTimeFormat(LANGUAGES, {
  hour: "2-digit",
  minute: "2-digit",
  second: "2-digit",
  hourCycle: "h23",
});
const dayTimeSeconds = new Intl.DateTimeFormat(LANGUAGES, {
  day: "numeric",
  month: "short",
  year: "numeric",
  hour: "2-digit",
  minute: "2-digit",
  second: "2-digit",
  hourCycle: "h23",
});
const dayAndTime = new Intl.DateTimeFormat(LANGUAGES, {
  day: "numeric",
  month: "short",
  year: "numeric",
  hour: "2-digit",
  minute: "2-digit",
  hourCycle: "h23",
});

/** The offset of the reader's zone from UTC at that moment: "UTC+02:00"; "UTC" where there is none. */
export function zone(date) {
  const minutes = -date.getTimezoneOffset();
  if (minutes === 0) return "UTC";
  const size = Math.abs(minutes);
  const two = (n) => String(n).padStart(2, "0");
  return `UTC${minutes < 0 ? "-" : "+"}${two(Math.floor(size / 60))}:${two(size % 60)}`;
}

/** Wall-clock time of a Unix time in seconds or an ISO text, 24 h, in the reader's zone. */
export function wall(moment) {
  const date = typeof moment === "number" ? new Date(moment * 1000) : new Date(moment);
  return Number.isNaN(date.getTime()) ? "–" : timeOfDay.format(date);
}

/** Date and time of an ISO text, in the reader's zone, which is named. */
export function day(moment) {
  const date = new Date(moment);
  return Number.isNaN(date.getTime()) ? "–" : `${dayAndTime.format(date)} ${zone(date)}`;
}

/** Date and time to the second of an ISO text, in the reader's zone, which is named. */
export function moment(text) {
  const date = new Date(text);
  return Number.isNaN(date.getTime()) ? "–" : `${dayTimeSeconds.format(date)} ${zone(date)}`;
}

/** Counting words: count(1, "alarm") is "1 alarm", count(3, "alarm") is "3 alarms". */
export function count(n, word, many = `${word}s`) {
  return `${n} ${n === 1 ? word : many}`;
}
