// The review of a run: totals, the numbers of each phase with their uncertainty and reference, time beyond limits,
// findings, gaps, assumptions.

import { make } from "./dom.js";
import { explained, wordKey } from "./explain.js";
import { clock, count, plain, presentText, span } from "./format.js";
import { shape } from "./shapes.js";

const TOTALS = [
  ["energy_wh", "Energy"],
  ["charge_ah", "Charge"],
  ["gas_as_read_l", "Gas, as read"],
  ["gas_dry_ref_l", "Gas, dry at reference"],
  ["water_split_ml", "Water split"],
  ["water_vapour_ml", "Water lost as vapour"],
];
const LEVELS = {
  low_trip: "below the low cut",
  low_warn: "below the low warning",
  warn: "above the warning",
  high: "above the high limit",
  trip: "above the cut limit",
};
const known = (number) => Number.isFinite(number?.value);

const RESULT = [
  "mmw_dry_ref",
  "mmw_as_read",
  "flow_dry_ref_lpm",
  "faradaic_efficiency",
  "energy_efficiency_hhv",
  "watt_hours_per_litre",
];

/** The numbers that speak for a run, and over which time they were had. */
function speaking(review) {
  if (review.headline) return { numbers: review.headline.numbers, over: review.headline };
  const steady = (review.phases ?? []).filter(({ phase, numbers }) => phase === "steady" && numbers);
  steady.sort((a, b) => b.duration_s - a.duration_s);
  if (steady.length) return { numbers: steady[0].numbers, over: steady[0] };
  return { numbers: review.numbers ?? {}, over: null };
}

/** The worst that is to be said of a run, in one sentence with its level. */
function verdict(review) {
  const trip = (review.trips ?? [])[0];
  if (trip) return ["critical", `The supply was cut at ${clock(trip.t_s)}: ${trip.detail || trip.cause}.`];
  const findings = review.findings ?? [];
  if (findings.length) return ["medium", findings.map(({ text }) => text).join(" ")];
  const raised = review.alarm_load?.raised ?? 0;
  if (raised) return ["", `${count(raised, "alarm was", "alarms were")} raised; nothing else stands out.`];
  return ["", "No alarm was raised, and nothing stands out."];
}

/** Fill `root` with what the run came to: before any chart, because that is what one asks first. */
export function showResult(root, review, run, labels) {
  const { numbers, over } = speaking(review);
  const peak = review.channels?.lye_temp;
  const facts = RESULT.filter((key) => known(numbers[key])).map((key) => [
    labels.get(key) ?? key.replaceAll("_", " "),
    presentText(numbers[key], key),
    key,
  ]);
  if (run.mmw_by_fills) {
    const { fills } = run.mmw_by_fills;
    facts.push([`MMW dry, by ${count(fills, "fill")}`, presentText(run.mmw_by_fills, "mmw_dry_ref"), "fills"]);
  }
  if (peak) {
    const number = { value: peak.max, u95: peak.max_u95, unit: peak.unit };
    facts.push(["Hottest lye", presentText(number, "lye_temp"), "peak_lye_temp"]);
  }
  const [level, words] = verdict(review);
  const said = make("p", { class: "verdict" }, level && shape(level), " ", words);
  if (level) said.dataset.level = level;
  const how = over
    ? `Means over ${span(over.duration_s)}, ${over.phase}, from ${clock(over.from_s)}; `
    : "Means of all powered time; ";
  const items = facts.map(([label, text, key]) =>
    make("div", {}, make("dt", {}, explained(label, key)), make("dd", {}, text)),
  );
  root.replaceChildren(
    make("h2", {}, "Result"),
    said,
    ...(items.length ? [make("dl", { class: "facts result-facts" }, ...items)] : []),
    make(
      "p",
      { class: "help" },
      `${how}gas dry at ${review.reference}; `,
      explained("± is the expanded uncertainty", "u"),
      ", k = 2.",
    ),
  );
}

/** Fill `root` with a review. `labels` maps number keys to their names. */
export function showReview(root, review, labels) {
  const parts = [
    make("h2", {}, "Review"),
    factList(review),
    numbersTable(review, labels),
    listPart("Findings", review.findings ?? [], findingItem, "Nothing stands out."),
    listPart(
      "Beyond limits",
      (review.limits ?? []).filter(({ seconds_beyond: seconds }) => seconds > 0),
      limitItem,
      "No channel was beyond a limit.",
    ),
    ...alarmRates(review.alarm_load),
    ...forecastParts(review.hindsight, review.forecasts_checked),
    listPart("Gaps", review.gaps?.list ?? [], gapItem, "No gaps.", gapWords(review)),
    listPart("Bad readings", Object.entries(review.bad_values ?? {}), badItem, "None."),
    listPart(
      "Assumptions",
      [...(review.assumptions ?? []), ...(review.notes ?? [])],
      (text) => make("li", {}, text),
      "None.",
    ),
  ];
  root.replaceChildren(...parts.filter(Boolean));
}

function factList(review) {
  const facts = [
    ["Duration", span(review.duration_s)],
    ["Powered", span(review.powered_s)],
  ];
  const peak = review.channels?.lye_temp;
  if (peak) {
    const number = { value: peak.max, u95: peak.max_u95, unit: peak.unit };
    facts.push(["Hottest lye", `${presentText(number, "lye_temp")} at ${clock(peak.max_at_s)}`]);
  }
  for (const [key, label] of TOTALS)
    if (known(review.totals?.[key])) facts.push(total(label, review.totals[key], key));
  return make(
    "dl",
    { class: "facts" },
    ...facts.map(([label, text]) => make("div", {}, make("dt", {}, label), make("dd", {}, text))),
  );
}

/** A total; where part of the run is missing, of how much of it, and what it comes to with the gaps bridged. */
function total(label, said, key) {
  const name = said.by ? `${label}, by ${said.by}` : label;
  const text = presentText(said, key);
  if (!known(said.whole)) return [name, text];
  const part = `of the recorded ${span(said.recorded_s)} of ${span(said.whole_s)}`;
  return [name, `${text} ${part}; ${presentText(said.whole, key)} with the gaps bridged`];
}

function numbersTable(review, labels) {
  const columns = (review.phases ?? [])
    .filter(({ numbers }) => numbers)
    .map(({ phase, from_s: from, to_s: to, numbers }) => ({
      title: phase,
      help: `${clock(from)} to ${clock(to)}`,
      numbers,
    }));
  if (review.numbers)
    columns.unshift({ title: "all powered", help: span(review.powered_s), numbers: review.numbers });
  if (columns.length === 0)
    return make(
      "p",
      { class: "quiet" },
      "The stack was never powered in this run, so there are no numbers to average.",
    );
  const keys = [...new Set(columns.flatMap(({ numbers }) => Object.keys(numbers)))].filter((key) =>
    columns.some(({ numbers }) => known(numbers[key])),
  );
  const head = make(
    "tr",
    {},
    make("th", { scope: "col" }, "Number"),
    ...columns.map(({ title, help }) =>
      make("th", { scope: "col" }, phaseName(title), make("span", { class: "help" }, help)),
    ),
  );
  const rows = keys.map((key) =>
    make(
      "tr",
      {},
      make("th", { scope: "row" }, explained(labels.get(key) ?? key.replaceAll("_", " "), key)),
      ...columns.map(({ numbers }) => make("td", {}, presentText(numbers[key], key))),
    ),
  );
  const caption = `Means of each phase; gas dry at ${review.reference}; ± is the expanded uncertainty, k = 2`;
  return make(
    "div",
    { class: "scroll", tabindex: 0, role: "group", "aria-label": "Numbers of the review" },
    make(
      "table",
      { class: "review-table" },
      make("caption", {}, caption),
      make("thead", {}, head),
      make("tbody", {}, ...rows),
    ),
  );
}

const PHASES = new Set(["warm_up", "steady", "cool_down", "supply_off", "disturbed"]);
const phaseName = (phase) => (PHASES.has(wordKey(phase)) ? explained(phase, wordKey(phase)) : phase);

function findingItem({ text, causes = [], phases = [] }) {
  const where = phases
    .map(
      ({ phase, from_s: from, share }) => `${phase} from ${clock(from)}, ${Math.round(100 * share)} % of it`,
    )
    .join("; ");
  return make(
    "li",
    {},
    make("strong", {}, text),
    where && make("p", { class: "quiet" }, where),
    causes.length > 0 && make("ol", {}, ...causes.map((cause) => make("li", {}, cause))),
  );
}

function limitItem({ channel, level, limit, unit, seconds_beyond: seconds, first_at_s: first }) {
  return make(
    "li",
    {},
    `${channel.replaceAll("_", " ")} ${LEVELS[level] ?? level} of ${plain(limit, unit)} for ${span(seconds)}${Number.isFinite(first) ? `, first at ${clock(first)}` : ""}`,
  );
}

const percent = (share) => `${Number((100 * share).toPrecision(2))}\u202f%`;

/** How many alarms a person had to answer, beside what EEMUA 191 aims at. */
function alarmRates(load) {
  if (!load) return [];
  if (!load.raised) return [listPart("Alarm rates", [], null, "No alarm was raised.")];
  const shares = load.priority_share ?? {};
  const rows = [
    [
      "Raised in ten minutes, on average",
      load.per_10_min === null
        ? `${load.raised} in all; shorter than ten minutes`
        : `${Number(load.per_10_min.toPrecision(2))}: ${load.rating}`,
      "1 very likely acceptable, 2 manageable at most",
    ],
    ["Most in any ten minutes", String(load.most_in_10_min), "10; more are a flood"],
    ["Time in flood", percent(load.flood_share), "below 1\u202f%"],
    ["Chattering: three or more in a minute", load.chattering.join(", ") || "none", "none"],
    ["Standing for more than a day", load.stale.join(", ") || "none", "fewer than 5"],
    [
      "Low, medium, high, critical",
      ["low", "medium", "high", "critical"].map((level) => percent(shares[level] ?? 0)).join(", "),
      "about 80, 15, 5 %",
    ],
    [
      "Most frequent",
      load.loudest
        .slice(0, 5)
        .map(({ alarm, raised }) => `${alarm} (${raised})`)
        .join(", "),
      "",
    ],
  ];
  const caption = "Alarm rates of this run, beside the aims of EEMUA 191";
  return [make("h3", {}, "Alarm rates"), plainTable(caption, ["Measure", "This run", "Aim"], rows)];
}

/** Forecasts against what happened: did their bands hold, did warnings come in time, how far off was what was said. */
function forecastParts(told, checked) {
  if (!told?.stretches?.length) return [];
  const between = (low, high, text) =>
    low === null || low === undefined
      ? "–"
      : `${text(low)} to ${high === null || high === undefined ? "never" : text(high)}`;
  const known = (value) => value !== null && value !== undefined;
  const degrees = (value) => `${value.toFixed(1)}\u202f°C`;
  const signed = (value, decimals, unit) =>
    `${value < 0 ? "\u2212" : "+"}${Math.abs(value).toFixed(decimals)}\u202f${unit}`;
  const warnings = told.warnings.map(({ raised_s: at, words, lead_s: lead }) => [
    clock(at),
    words,
    known(lead) ? span(lead) : "–",
  ]);
  for (const at of told.missed) warnings.push([clock(at), "the limit was crossed and no warning stood", "none"]);
  const times = told.stretches.flatMap(({ said }) =>
    said.map((x) => [
      clock(x.at_s),
      known(x.said_s) ? span(x.said_s) : "not reached",
      between(x.low_s, x.high_s, span),
      span(x.true_s),
      known(x.error) ? signed(100 * x.error, 0, "%") : "–",
    ]),
  );
  const ends = told.stretches.flatMap(({ settling, settled_c: settled }) =>
    settling.map((x) => [
      clock(x.at_s),
      percent(x.share),
      known(x.said_c) ? degrees(x.said_c) : "does not settle",
      between(x.low_c, x.high_c, degrees),
      degrees(settled),
      known(x.error_c) ? signed(x.error_c, 1, "K") : "–",
    ]),
  );
  const parts = [
    ["Warnings, and what came of them", ["Warned at", "What came of it", "Lead"], warnings],
    [
      "Time to the limit: what was said, and what it was",
      ["At", "Said", "Band, 5 to 95 %", "It was", "Error"],
      times,
    ],
    [
      "Settling temperature: what was said, and what it was",
      ["At", "Of the rise", "Said", "Band, 5 to 95 %", "It settled at", "Error"],
      ends,
    ],
  ];
  const tables = parts.filter(([, , rows]) => rows.length > 0).map((part) => plainTable(...part));
  const lead = tables.length
    ? "A forecast speaks of present conditions; it is judged only for as long as nobody changed them."
    : "In no stretch of it did the lye cross its limit or settle.";
  const bands = checked?.checked
    ? `In ${checked.held} of ${checked.checked} forecasts that could be checked what came lay in the band, which should hold ${Math.round(100 * checked.band)} of a hundred.`
    : "";
  return [
    make("h3", {}, "Forecasts against what happened"),
    make("p", { class: "quiet" }, lead),
    bands && make("p", {}, bands),
    ...tables,
  ];
}

function plainTable(caption, heads, rows) {
  return make(
    "div",
    { class: "scroll", tabindex: 0, role: "group", "aria-label": caption },
    make(
      "table",
      {},
      make("caption", {}, caption),
      make("thead", {}, make("tr", {}, ...heads.map((text) => make("th", { scope: "col" }, text)))),
      make(
        "tbody",
        {},
        ...rows.map(([head, ...cells]) =>
          make("tr", {}, make("th", { scope: "row" }, head), ...cells.map((text) => make("td", {}, text))),
        ),
      ),
    ),
  );
}

function gapItem({ source, from_s: from, seconds }) {
  return make("li", {}, `${source}: nothing for ${span(seconds)} from ${clock(from)}`);
}

function gapWords({ gaps }) {
  if (!gaps) return "";
  const missing = Object.entries(gaps.missing_frames ?? {})
    .filter(([, n]) => n > 0)
    .map(([source, n]) => `${count(n, "frame")} missing from ${source}`);
  return [gaps.count > 0 ? `${count(gaps.count, "gap")}, ${span(gaps.seconds)} in all` : "", ...missing]
    .filter(Boolean)
    .join("; ");
}

function badItem([channel, { uncertain, bad, missing }]) {
  const parts = [
    [uncertain, "uncertain"],
    [bad, "bad"],
    [missing, "missing"],
  ]
    .filter(([n]) => n > 0)
    .map(([n, word]) => `${n} ${word}`);
  return make("li", {}, `${channel.replaceAll("_", " ")}: ${parts.join(", ")}`);
}

function listPart(title, items, item, empty, lead = "") {
  const nothing = items.length === 0 && !lead;
  return make(
    "section",
    { class: "review-part" },
    make("h3", {}, title),
    lead && make("p", {}, `${lead}.`),
    items.length > 0 && make("ul", {}, ...items.map(item)),
    nothing && make("p", { class: "quiet" }, empty),
  );
}
