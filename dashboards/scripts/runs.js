// The list of runs: find one by any word of its name, build, bench or date; sort by any column.

import { get, path } from "./api.js";
import { byId, make, say, show } from "./dom.js";
import { count, day, plain, presentText, span } from "./format.js";
import { watchBench } from "./watch.js";

const AGAIN_MS = 10000;
const COLUMNS = [
  { key: "name", title: "Run", sort: (run) => (run.name || run.id).toLowerCase() },
  { key: "build", title: "Build", sort: (run) => (run.build ?? "").toLowerCase() },
  { key: "start_utc", title: "Started", sort: (run) => run.start_utc },
  { key: "duration_s", title: "Duration", sort: (run) => run.duration_s ?? 0 },
  { key: "peak_lye_temp", title: "Hottest lye", sort: (run) => run.peak_lye_temp ?? -Infinity },
  { key: "mmw", title: "MMW by fills", sort: (run) => run.mmw_by_fills?.value ?? -Infinity },
  { key: "alarm_count", title: "Alarms", sort: (run) => run.alarm_count ?? 0 },
  { key: "state", title: "State", sort: (run) => run.state },
];
const STATES = { recording: "recording now", ended: "ended" };

let runs = [];
const chosen = new Set(); // ids, in the order of choosing: the first one's build comes first
let order = { key: "start_utc", down: true };

watchBench("/runs");

const stateWords = (run) => (run.kind === "import" ? "imported log" : (STATES[run.state] ?? run.state ?? ""));
const haystack = (run) =>
  [run.name, run.build, run.bench, run.id, day(run.start_utc), stateWords(run)].join(" ").toLowerCase();

function row(run) {
  const peak =
    run.peak_lye_temp === null || run.peak_lye_temp === undefined ? "–" : plain(run.peak_lye_temp, "degC");
  const cell = (label, text) => make("td", { "data-label": label }, text);
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, make("a", { href: path`/runs/${run.id}` }, run.name || run.id)),
    cell("Build", run.build || "–"),
    cell("Started", day(run.start_utc)),
    cell("Duration", span(run.duration_s)),
    cell("Hottest lye", peak),
    cell("MMW by fills", run.mmw_by_fills ? presentText(run.mmw_by_fills, "mmw_dry_ref") : "–"),
    cell("Alarms", run.alarm_count ? count(run.alarm_count, "alarm") : "none"),
    cell("State", stateWords(run)),
    make(
      "td",
      { "data-label": "Compare" },
      make(
        "label",
        { class: "choose" },
        make("input", {
          type: "checkbox",
          "aria-label": `Compare ${run.name || run.id}`,
          checked: chosen.has(run.id),
          onchange: (event) => {
            if (event.target.checked) chosen.add(run.id);
            else chosen.delete(run.id);
            tellChosen();
          },
        }),
      ),
    ),
  );
}

const inTime = (ids) => {
  const start = new Map(runs.map((run) => [run.id, run.start_utc]));
  return [...ids].sort((a, b) => (start.get(a) < start.get(b) ? -1 : 1));
};

function tellChosen() {
  const ids = [...chosen].filter((id) => runs.some((run) => run.id === id));
  const builds = new Set(runs.filter(({ id }) => chosen.has(id)).map(({ build }) => build));
  const query = encodeURIComponent(ids.join(","));
  byId("compare-link").href = `/api/compare.html?runs=${query}`;
  byId("apart-link").href = `/api/compare.html?by=run&runs=${query}`;
  byId("polarisation-link").href = `/api/polarisation.html?runs=${query}`;
  const [earlier, later] = ids.length === 2 ? inTime(ids) : [];
  if (later) byId("against-link").href = path`/api/runs/${later}/report.html?against=${earlier}`;
  show(byId("against-link"), Boolean(later));
  show(byId("compare-link"), ids.length > 1 && builds.size > 1);
  show(byId("apart-link"), ids.length > 1);
  show(byId("polarisation-link"), ids.length > 0);
  const many = `${count(ids.length, "run")} of ${count(builds.size, "build")} chosen`;
  say(
    byId("chosen"),
    ids.length === 0
      ? "Choose two runs or more to compare their builds."
      : ids.length === 1
        ? `${many}: choose another to compare it with.`
        : `${many}.`,
  );
}

function draw() {
  const sought = byId("find").value.toLowerCase().split(/\s+/).filter(Boolean);
  const { sort } = COLUMNS.find(({ key }) => key === order.key);
  const found = runs.filter((run) => sought.every((word) => haystack(run).includes(word)));
  found.sort((a, b) => (sort(a) < sort(b) ? -1 : sort(a) > sort(b) ? 1 : 0) * (order.down ? -1 : 1));
  byId("run-rows").replaceChildren(...found.map(row));
  for (const head of document.querySelectorAll("th[data-key]"))
    head.setAttribute(
      "aria-sort",
      head.dataset.key === order.key ? (order.down ? "descending" : "ascending") : "none",
    );
  show(byId("run-table"), found.length > 0);
  show(byId("none-found"), runs.length > 0 && found.length === 0);
  show(byId("none-yet"), runs.length === 0);
  say(
    byId("how-many"),
    runs.length === 0
      ? ""
      : found.length === runs.length
        ? count(runs.length, "run")
        : `${found.length} of ${count(runs.length, "run")}`,
  );
}

function heads() {
  byId("run-heads").replaceChildren(
    ...COLUMNS.map(({ key, title }) =>
      make(
        "th",
        { scope: "col", "data-key": key },
        make(
          "button",
          {
            type: "button",
            class: "sort",
            onclick: () => {
              order = { key, down: order.key === key ? !order.down : key !== "name" && key !== "build" };
              draw();
            },
          },
          title,
        ),
      ),
    ),
    make("th", { scope: "col" }, "Compare"),
  );
}

let shown = "";
async function load() {
  const trouble = byId("trouble");
  try {
    const answer = await get("/api/runs?limit=1000");
    runs = answer.runs.filter(({ kind }) => kind !== "standby");
    show(trouble, false);
    const now = JSON.stringify(runs);
    if (now !== shown) draw(); // an unchanged list keeps the keyboard's place
    shown = now;
  } catch (error) {
    say(trouble, `The list could not be read: ${error.message} Trying again.`);
    show(trouble, true);
  }
}

heads();
byId("find").addEventListener("input", draw);
load();
setInterval(() => document.hidden || load(), AGAIN_MS);
document.addEventListener("visibilitychange", () => document.hidden || load());
