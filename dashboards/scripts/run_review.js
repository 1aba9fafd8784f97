// The review of a run: the numbers of each part with their uncertainty and reference, findings, gaps, assumptions.

import { make } from "./dom.js";
import { clock, plain, presentText, span } from "./format.js";

const SUMS = [
  ["duration_s", "Duration", (value) => span(value)],
  ["energy_wh", "Energy", (value) => plain(value, "Wh")],
  ["gas_litres_as_read", "Gas, as read", (value) => plain(value, "L")],
  ["gas_litres_dry_ref", "Gas, dry at reference", (value) => plain(value, "L")],
  ["water_ml", "Water used, by charge", (value) => plain(value, "mL")],
];

/** The value of an entry that may be a bare number or {value, ...}. */
const valueOf = (entry) => (entry !== null && typeof entry === "object" ? entry.value : entry);

/** Fill `root` with a review. `labels` maps number keys to their names. */
export function showReview(root, review, labels) {
  const parts = review.parts ?? [];
  const facts = SUMS.filter(([key]) => Number.isFinite(valueOf(review[key]))).map(([key, label, text]) => [label, text(valueOf(review[key]))]);
  const peak = review.peak_lye_temp;
  if (Number.isFinite(valueOf(peak))) facts.push(["Hottest lye", plain(valueOf(peak), "degC") + (Number.isFinite(peak?.at_s) ? ` at ${clock(peak.at_s)}` : "")]);
  root.replaceChildren(...[
    make("h2", {}, "Review"),
    make("dl", { class: "facts" }, ...facts.map(([label, text]) => make("div", {}, make("dt", {}, label), make("dd", {}, text)))),
    parts.length > 0 && numbersTable(parts, labels, review.reference),
    listPart("Findings", review.findings, ({ text, causes = [] }) => make("li", {}, make("strong", {}, text), causes.length > 0 && make("ol", {}, ...causes.map((cause) => make("li", {}, cause)))), "Nothing stands out."),
    listPart("Gaps", review.gaps, gapItem, "No gaps: every frame arrived."),
    listPart("Assumptions", review.assumptions, (text) => make("li", {}, text), "None."),
  ].filter(Boolean));
}

function gapItem(gap) {
  const text = `${clock(gap.from_s)} to ${clock(gap.to_s)}${gap.source ? `, ${gap.source}` : ""}${Number.isFinite(gap.missing) ? `: ${gap.missing} frames missing` : ""}`;
  return make("li", {}, text);
}

function numbersTable(parts, labels, reference) {
  const keys = [...new Set(parts.flatMap(({ numbers }) => Object.keys(numbers ?? {})))].filter((key) => parts.some(({ numbers }) => Number.isFinite(numbers?.[key]?.value)));
  const caption = `Means of each part; ± is the expanded uncertainty, k = 2${reference ? `; gas dry at ${reference}` : ""}`;
  const head = make("tr", {}, make("th", { scope: "col" }, "Number"), ...parts.map(({ name, from_s: from, to_s: to }) => make("th", { scope: "col" }, name, make("span", { class: "help" }, `${clock(from)} to ${clock(to)}`))));
  const rows = keys.map((key) => make("tr", {}, make("th", { scope: "row" }, labels.get(key) ?? key.replaceAll("_", " ")), ...parts.map(({ numbers }) => make("td", {}, presentText(numbers?.[key], key)))));
  return make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Numbers of the review" }, make("table", { class: "review-table" }, make("caption", {}, caption), make("thead", {}, head), make("tbody", {}, ...rows)));
}

function listPart(title, items, item, empty) {
  if (items === undefined) return null;
  return make("section", { class: "review-part" }, make("h3", {}, title), items.length > 0 ? make("ul", {}, ...items.map(item)) : make("p", { class: "quiet" }, empty));
}
