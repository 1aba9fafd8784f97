// Every timed fill of every build, and the builds side by side.

import { get, path } from "./api.js";
import { byId, make, say, show } from "./dom.js";
import { explained } from "./explain.js";
import { count, day, plain, presentText, withUnit } from "./format.js";
import { watchBench } from "./watch.js";

const AGAIN_MS = 10000;
const NUMBERS = ["mmw_dry_ref", "mmw_as_read", "faradaic_efficiency", "flow_dry_ref_lpm"];
const TITLES = ["MMW dry", "MMW as read", "Faradaic", "Dry gas"];

let fills = [];
let builds = [];

watchBench("/fills");

const cell = (label, text) => make("td", { "data-label": label }, text);
const WORDS = { Fill: "fills", "Dry MMW against the first": "better" };
const wordOf = (title) => WORDS[title] ?? NUMBERS[TITLES.indexOf(title)];
const head = (title) => make("th", { scope: "col" }, wordOf(title) ? explained(title, wordOf(title)) : title);

function meanText(mean, key) {
  if (!mean || mean.value === null) return "–";
  const text = presentText(mean, key);
  if (mean.repeatability_s === null || !mean.value) return text;
  return `${text}, scatter ${withUnit(((100 * mean.repeatability_s) / Math.abs(mean.value)).toFixed(1), "%")}`;
}

function buildRow({ build, fills: numbers, days, means, difference }) {
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, build || "no build named"),
    cell("Fills", `${numbers.length} on ${count(days, "day")}`),
    ...NUMBERS.map((key, i) => cell(TITLES[i], meanText(means[key], key))),
    cell("Against the first", difference ? difference.words : "–"),
  );
}

function fillRow(fill) {
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, day(fill.stopped_utc)),
    cell("Build", fill.build || "–"),
    make(
      "td",
      { "data-label": "Run" },
      fill.run ? make("a", { href: path`/runs/${fill.run}` }, fill.run) : "by hand",
    ),
    cell("Fill", `${plain(fill.volume_ml, "mL")} in ${withUnit(fill.seconds.toFixed(1), "s")}`),
    ...NUMBERS.map((key, i) => cell(TITLES[i], fill.numbers[key] ? presentText(fill.numbers[key], key) : "–")),
    cell("By", [fill.who, fill.note].filter(Boolean).join(": ") || "–"),
  );
}

function draw() {
  const sought = byId("find").value.toLowerCase().split(/\s+/).filter(Boolean);
  const found = fills.filter((fill) => {
    const words = [fill.build, fill.run, fill.who, fill.note, day(fill.stopped_utc)].join(" ").toLowerCase();
    return sought.every((word) => words.includes(word));
  });
  byId("fill-rows").replaceChildren(...found.map(fillRow));
  byId("build-rows").replaceChildren(...builds.map(buildRow));
  show(byId("none-yet"), fills.length === 0);
  show(byId("all"), fills.length > 0);
  show(byId("side"), builds.length > 0);
  say(byId("basis"), fills.length ? `Dry gas at ${fills[0].reference}; ± is the expanded uncertainty, k = 2.` : "");
  say(
    byId("how-many"),
    fills.length === 0
      ? ""
      : found.length === fills.length
        ? count(fills.length, "fill")
        : `${found.length} of ${count(fills.length, "fill")}`,
  );
}

let shown = "";
async function load() {
  const trouble = byId("trouble");
  try {
    const answer = await get("/api/fills?limit=1000");
    fills = answer.fills;
    builds = answer.builds ?? [];
    show(trouble, false);
    const now = JSON.stringify([fills, builds]);
    if (now !== shown) draw(); // an unchanged list keeps the keyboard's place
    shown = now;
  } catch (error) {
    say(trouble, `The fills could not be read: ${error.message} Trying again.`);
    show(trouble, true);
  }
}

byId("build-heads").append(...["Build", "Fills", ...TITLES, "Dry MMW against the first"].map(head));
byId("fill-heads").append(...["Stopped", "Build", "Run", "Fill", ...TITLES, "By"].map(head));
byId("find").addEventListener("input", draw);
load();
setInterval(() => document.hidden || load(), AGAIN_MS);
document.addEventListener("visibilitychange", () => document.hidden || load());
