// One build: what it is, what its runs and fills came to over time, what stands between it and other builds.

import { get, path, send } from "./api.js";
import { byId, freshId, make, say, show } from "./dom.js";
import { explained } from "./explain.js";
import { day, plain, presentText, span, withUnit } from "./format.js";
import { act, filled, nameField, outcome } from "./person.js";
import { pointsChart } from "./points.js";
import { resultCell, Results, verdictOf } from "./run_results.js";
import { watchBench } from "./watch.js";

const name = new URLSearchParams(location.search).get("name") ?? "";
const KINDS = {
  better: "better",
  worse: "worse",
  different: "different",
  alike: "alike",
  day: "build or day, not told apart",
  unknown: "not told",
  not_compared: "not compared",
};
let build = null;
const shown = new Map();

watchBench("/builds");

const results = new Results((id, result) => {
  const run = build.runs.find((one) => one.id === id);
  if (!run) return;
  run.result = result;
  fill(run);
  chart();
});

const WORDS = {
  "MMW dry": "mmw_dry_ref",
  "Dry gas": "flow_dry_ref_lpm",
  Faradaic: "faradaic_efficiency",
  "Hottest lye": "peak_lye_temp",
  "What stands out": "verdict",
  "Second is": "better",
  Fill: "fills",
};
const head = (title) => make("th", { scope: "col" }, WORDS[title] ? explained(title, WORDS[title]) : title);
const cell = (label, ...inside) => make("td", { "data-label": label }, ...inside);
const nothing = (text) => make("p", { class: "quiet" }, text);

function table(caption, heads, rows) {
  return make(
    "div",
    { class: "scroll", tabindex: 0, role: "group", "aria-label": caption },
    make(
      "table",
      { class: "run-table" },
      make("caption", { class: "spoken" }, caption),
      make("thead", {}, make("tr", {}, ...heads.map(head))),
      make("tbody", {}, ...rows),
    ),
  );
}

function fill(run) {
  const cells = shown.get(run.id);
  const working = results.working(run);
  cells.mmw.replaceChildren(resultCell(run.result, "mmw_dry_ref", working));
  cells.flow.replaceChildren(resultCell(run.result, "flow_dry_ref_lpm", working));
  cells.faradaic.replaceChildren(resultCell(run.result, "faradaic_efficiency", working));
  cells.verdict.replaceChildren(verdictOf(run));
}

function runRow(run) {
  const cells = {
    mmw: cell("MMW dry"),
    flow: cell("Dry gas"),
    faradaic: cell("Faradaic"),
    verdict: cell("What stands out"),
  };
  shown.set(run.id, cells);
  const peak = run.peak_lye_temp === null ? "–" : plain(run.peak_lye_temp, "degC");
  const line = make(
    "tr",
    {},
    make("th", { scope: "row" }, make("a", { href: path`/runs/${run.id}` }, run.name || run.id)),
    cell("Started", day(run.start_utc)),
    cell("Duration", span(run.duration_s)),
    cells.mmw,
    cells.flow,
    cells.faradaic,
    cell("Hottest lye", peak),
    cells.verdict,
  );
  fill(run);
  return line;
}

/** Dry MMW of every run and every fill against time, with U. */
function chart() {
  const of = (when, number, label, href) =>
    Number.isFinite(number?.value) && { t: Date.parse(when) / 1000, ...number, label, href };
  const runs = build.runs
    .map((run) => of(run.start_utc, run.result?.numbers.mmw_dry_ref, run.name || run.id, path`/runs/${run.id}`))
    .filter(Boolean);
  const fills = build.fills
    .map((one) => of(one.stopped_utc, one.numbers.mmw_dry_ref, `fill of ${day(one.stopped_utc)}`, "/fills"))
    .filter(Boolean);
  byId("points").replaceChildren(
    pointsChart({
      title: "MMW dry, of each run and fill",
      unit: "mL/min/W",
      sets: [
        { name: "runs", points: runs },
        { name: "timed fills", points: fills },
      ],
    }),
  );
}

function drawResults() {
  const root = byId("results");
  root.replaceChildren(make("div", { id: "points" }));
  if (build.runs.length === 0) root.append(nothing("No run of this build yet."));
  else
    root.append(
      table(
        "Runs of this build",
        ["Run", "Started", "Duration", "MMW dry", "Dry gas", "Faradaic", "Hottest lye", "What stands out"],
        build.runs.map(runRow),
      ),
    );
  chart();
  results.want(build.runs);
}

function difference({ kind, low, high }) {
  const words = KINDS[kind] ?? kind;
  if (low === null || high === null) return words;
  const percent = (share) => withUnit(`${share < 0 ? "\u2212" : "+"}${Math.abs(100 * share).toFixed(1)}`, "%");
  return `${words}, ${percent(low)} to ${percent(high)}`;
}

function drawComparisons() {
  byId("comparisons").replaceChildren(
    build.comparisons.length === 0
      ? nothing("Not compared with another build yet. Choose two under Builds.")
      : table(
          "Comparisons of this build",
          ["Second build", "against first", "Second is", "When", "Runs", "Again"],
          build.comparisons.map((one) =>
            make(
              "tr",
              {},
              make("th", { scope: "row" }, one.second),
              cell("against first", one.first),
              cell("Second is", difference(one)),
              cell("When", day(one.utc)),
              cell("Runs", String(one.runs)),
              cell(
                "Again",
                make(
                  "a",
                  {
                    href: `/api/compare.html?${new URLSearchParams([
                      ["build", one.first],
                      ["build", one.second],
                    ])}`,
                  },
                  "with all runs of today",
                ),
              ),
            ),
          ),
        ),
  );
}

function drawFills() {
  byId("fills").replaceChildren(
    build.fills.length === 0
      ? nothing("No timed fill of this build yet.")
      : table(
          "Fills of this build",
          ["Stopped", "Fill", "MMW dry", "Dry gas", "By"],
          build.fills.map((one) =>
            make(
              "tr",
              {},
              make("th", { scope: "row" }, day(one.stopped_utc)),
              cell("Fill", `${plain(one.volume_ml, "mL")} in ${withUnit(one.seconds.toFixed(1), "s")}`),
              cell("MMW dry", presentText(one.numbers.mmw_dry_ref, "mmw_dry_ref")),
              cell("Dry gas", presentText(one.numbers.flow_dry_ref_lpm, "flow_dry_ref_lpm")),
              cell("By", [one.who, one.note].filter(Boolean).join(": ") || "–"),
            ),
          ),
        ),
  );
}

function drawCalibrations() {
  byId("calibrations").replaceChildren(
    build.calibrations.length === 0
      ? nothing("No channel of this bench has a calibration of its own.")
      : table(
          "Calibrations in force",
          ["Channel", "Made", "Against", "By", "Due"],
          build.calibrations.map((one) =>
            make(
              "tr",
              {},
              make("th", { scope: "row" }, one.channel.replaceAll("_", " ")),
              cell("Made", day(one.utc)),
              cell("Against", one.reference),
              cell("By", one.who),
              cell("Due", one.due_utc ? day(one.due_utc) : "–"),
            ),
          ),
        ),
  );
}

function tellDescription() {
  say(byId("description"), build.description || "Nothing has been written of this build yet.");
  byId("description").classList.toggle("quiet", !build.description);
  const by = build.described_by && `by ${build.described_by}, `;
  say(byId("described"), build.description ? `Written ${by}${day(build.described_utc)}.` : "");
}

function describeForm() {
  const id = freshId("description");
  const text = make("textarea", { id, rows: 5, maxlength: 4000 });
  text.value = build.description;
  const who = nameField();
  const message = outcome();
  const button = make("button", { type: "submit" }, "Keep it");
  const form = make(
    "form",
    { class: "stack", novalidate: true, "aria-label": "Write what it is" },
    make(
      "div",
      { class: "field" },
      make("label", { for: id }, "Plates, gap, gaskets, ports, lye: what makes this build"),
      text,
    ),
    who.root,
    button,
    message,
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!filled([[who.input, "Give your name."]], message)) return;
    const body = { build: name, description: text.value.trim(), who: who.input.value.trim() };
    if (!(await act(button, message, "Keeping …", () => send("/api/builds/describe", body), "Kept."))) return;
    Object.assign(build, {
      description: body.description,
      described_by: body.who,
      described_utc: new Date().toISOString(),
    });
    tellDescription();
  });
  return form;
}

async function begin() {
  say(byId("build-name"), name || "Build");
  document.title = `${name || "Build"} · lyewatch`;
  document.documentElement.dataset.title = document.title;
  try {
    build = await get(`/api/builds/one?build=${encodeURIComponent(name)}`);
  } catch (error) {
    say(byId("build-name"), error.status === 404 ? "No such build" : name);
    say(
      byId("trouble"),
      error.status === 404
        ? `There is no build “${name}” here. The list under Builds has those that are.`
        : `The build could not be read: ${error.message} Load the page again to retry.`,
    );
    show(byId("trouble"), true);
    show(byId("build-elsewhere"), true);
    return;
  }
  tellDescription();
  byId("describe").append(describeForm());
  drawResults();
  drawComparisons();
  drawFills();
  drawCalibrations();
  show(byId("build-body"), true);
}

begin();
