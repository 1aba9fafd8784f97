// The list of runs with what each came to: find one by any word, sort by any column, rename, note, delete and undo.

import { get, path, send } from "./api.js";
import { byId, make, say, show } from "./dom.js";
import { explained } from "./explain.js";
import { count, day, plain, presentText, span } from "./format.js";
import { changeForm } from "./run_change.js";
import { importForm } from "./run_import.js";
import { Results, resultCell, verdictOf } from "./run_results.js";
import { knownName } from "./person.js";
import { watchBench } from "./watch.js";

const AGAIN_MS = 10000;
const number = (key) => (run) => run.result?.numbers[key]?.value ?? -Infinity;
const COLUMNS = [
  { key: "name", title: "Run", sort: (run) => (run.name || run.id).toLowerCase() },
  { key: "build", title: "Build", sort: (run) => (run.build ?? "").toLowerCase() },
  { key: "start_utc", title: "Started", sort: (run) => run.start_utc },
  { key: "duration_s", title: "Duration", sort: (run) => run.duration_s ?? 0 },
  { key: "mmw", title: "MMW dry", sort: number("mmw_dry_ref") },
  { key: "flow", title: "Dry gas", sort: number("flow_dry_ref_lpm") },
  { key: "peak_lye_temp", title: "Hottest lye", sort: (run) => run.peak_lye_temp ?? -Infinity },
  { key: "fills", title: "Fills", sort: (run) => run.fill_count ?? 0 },
  { key: "verdict", title: "What stands out", sort: (run) => (run.cut ? 1e6 : (run.alarm_count ?? 0)) },
];
const STATES = { recording: "recording now", ended: "ended" };

let runs = [];
let order = { key: "start_utc", down: true };
const rows = new Map(); // the row of each run that is shown

watchBench("/runs");

const results = new Results((id, result) => {
  const run = runs.find((one) => one.id === id);
  if (!run) return;
  run.result = result;
  fillResult(run);
});

const stateWords = (run) => (run.kind === "import" ? "imported log" : (STATES[run.state] ?? run.state ?? ""));
const haystack = (run) =>
  [run.name, run.build, run.bench, run.id, run.note, day(run.start_utc), stateWords(run)].join(" ").toLowerCase();

const cell = (label, ...inside) => make("td", { "data-label": label }, ...inside);

function fillsText(run) {
  if (!run.fill_count) return "none";
  return run.mmw_by_fills
    ? `${run.fill_count}: ${presentText(run.mmw_by_fills, "mmw_dry_ref")}`
    : String(run.fill_count);
}

/** Results come later than their row; they change its cells only, so that the keyboard keeps its place. */
function fillResult(run) {
  const shown = rows.get(run.id);
  if (!shown) return;
  const working = results.working(run);
  shown.mmw.replaceChildren(resultCell(run.result, "mmw_dry_ref", working));
  shown.flow.replaceChildren(resultCell(run.result, "flow_dry_ref_lpm", working));
  shown.verdict.replaceChildren(verdictOf(run));
}

function row(run) {
  const peak =
    run.peak_lye_temp === null || run.peak_lye_temp === undefined ? "–" : plain(run.peak_lye_temp, "degC");
  const state = run.state === "recording" || run.kind === "import" ? stateWords(run) : "";
  const shown = { mmw: cell("MMW dry"), flow: cell("Dry gas"), verdict: cell("What stands out") };
  rows.set(run.id, shown);
  const line = make(
    "tr",
    {},
    make(
      "th",
      { scope: "row" },
      make("a", { href: path`/runs/${run.id}` }, run.name || run.id),
      state && make("span", { class: "help" }, state),
      run.note && make("span", { class: "help run-note" }, run.note),
    ),
    cell(
      "Build",
      run.build
        ? make("a", { href: `/build?name=${encodeURIComponent(run.build)}` }, run.build)
        : "–",
    ),
    cell("Started", day(run.start_utc)),
    cell("Duration", span(run.duration_s)),
    shown.mmw,
    shown.flow,
    cell("Hottest lye", peak),
    cell("Fills", fillsText(run)),
    shown.verdict,
    make(
      "td",
      { "data-label": "Change", class: "change-cell" },
      make(
        "button",
        {
          type: "button",
          class: "quiet-button",
          "aria-label": `Change ${run.name || run.id}`,
          onclick: (event) => openChange(run, event.currentTarget),
        },
        "Change",
      ),
    ),
  );
  fillResult(run);
  return line;
}

function openChange(run, opener) {
  const dialog = byId("change");
  dialog.replaceChildren(
    changeForm(run, {
      saved: (changed) => {
        Object.assign(run, changed);
        dialog.close();
        draw();
        find(run)?.focus();
      },
      deleted: () => {
        dialog.close();
        runs = runs.filter((one) => one !== run);
        offerUndo(run);
        draw();
        loadDeleted();
      },
      cancelled: () => {
        dialog.close();
        opener.focus();
      },
    }),
  );
  dialog.showModal();
}

const find = (run) =>
  [...document.querySelectorAll("#run-rows button")].find(
    (button) => button.getAttribute("aria-label") === `Change ${run.name || run.id}`,
  );

function offerUndo(run) {
  const place = byId("undo");
  const button = make("button", { type: "button", onclick: () => restore(run, place) }, "Undo");
  place.replaceChildren(`Deleted: ${run.name || run.id}. `, button);
  show(place, true);
  button.focus();
}

async function restore(run, place) {
  try {
    await send(path`/api/runs/${run.id}/restore`, { who: knownName() || "somebody at the page" });
    place.replaceChildren(`Restored: ${run.name || run.id}.`);
    show(place, true);
    shown = "";
    await Promise.all([load(), loadDeleted()]);
    find(run)?.focus();
  } catch (error) {
    say(place, `It could not be restored: ${error.message}`);
  }
}

async function loadDeleted() {
  try {
    const gone = (await get("/api/runs?deleted=true&limit=100")).runs;
    show(byId("deleted"), gone.length > 0);
    byId("deleted-list").replaceChildren(
      ...gone.map((run) =>
        make(
          "li",
          {},
          `${run.name || run.id}, ${day(run.start_utc)} `,
          make(
            "button",
            {
              type: "button",
              "aria-label": `Restore ${run.name || run.id}`,
              onclick: () => restore(run, byId("undo")),
            },
            "Restore",
          ),
        ),
      ),
    );
  } catch {
    show(byId("deleted"), false); // the list above says that the service is away
  }
}

function draw() {
  const sought = byId("find").value.toLowerCase().split(/\s+/).filter(Boolean);
  const { sort } = COLUMNS.find(({ key }) => key === order.key);
  const found = runs.filter((run) => sought.every((word) => haystack(run).includes(word)));
  found.sort((a, b) => (sort(a) < sort(b) ? -1 : sort(a) > sort(b) ? 1 : 0) * (order.down ? -1 : 1));
  rows.clear();
  byId("run-rows").replaceChildren(...found.map(row));
  results.want(found);
  for (const head of document.querySelectorAll("th[data-key]"))
    head.setAttribute(
      "aria-sort",
      head.dataset.key === order.key ? (order.down ? "descending" : "ascending") : "none",
    );
  show(byId("run-table"), found.length > 0);
  show(byId("basis"), found.length > 0);
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
    make("th", { scope: "col" }, "Change"),
  );
}

let shown = "";
async function load() {
  const trouble = byId("trouble");
  try {
    const answer = await get("/api/runs?limit=1000");
    const listed = answer.runs.filter(({ kind }) => kind !== "standby");
    show(trouble, false);
    const now = JSON.stringify(listed);
    // An unchanged list keeps the keyboard's place; so does one that somebody is changing.
    if (now !== shown && !byId("change").open) {
      for (const run of listed) run.result ??= results.known(run);
      runs = listed;
      draw();
      shown = now;
    }
  } catch (error) {
    say(trouble, `The list could not be read: ${error.message} Trying again.`);
    show(trouble, true);
  }
}

heads();
const WORDS = [
  ["MMW (millilitres of gas per minute and watt), dry", "mmw_dry_ref"],
  ["dry gas", "flow_dry_ref_lpm"],
  ["hottest lye", "peak_lye_temp"],
  ["timed fills", "fills"],
  ["what stands out", "verdict"],
  ["± U", "u"],
];
byId("words").append(...WORDS.flatMap(([label, key], i) => [i ? ", " : "", explained(label, key)]));
byId("import").append(importForm(() => load()));
byId("find").addEventListener("input", draw);
load();
loadDeleted();
setInterval(() => document.hidden || load(), AGAIN_MS);
document.addEventListener("visibilitychange", () => document.hidden || load());
