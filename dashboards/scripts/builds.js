// The builds of the bench. Two of them chosen, all their runs are set beside each other.

import { get } from "./api.js";
import { byId, freshId, make, say, show } from "./dom.js";
import { count, day } from "./format.js";
import { resultCell, Results, verdictOf } from "./run_results.js";
import { watchBench } from "./watch.js";

const HEADS = ["Build", "Runs", "Fills", "Last run", "MMW dry, last run", "Dry gas, last run", "What stands out"];

let builds = [];
const shown = new Map();

watchBench("/builds");

const buildPath = (build) => `/build?name=${encodeURIComponent(build)}`;
const results = new Results((id, result) => {
  for (const { newest } of builds)
    if (newest?.id === id) {
      newest.result = result;
      fill(newest);
    }
});

const cell = (label, ...inside) => make("td", { "data-label": label }, ...inside);

function fill(run) {
  const cells = shown.get(run.id);
  if (!cells) return;
  const working = results.working(run);
  cells.mmw.replaceChildren(resultCell(run.result, "mmw_dry_ref", working));
  cells.flow.replaceChildren(resultCell(run.result, "flow_dry_ref_lpm", working));
  cells.verdict.replaceChildren(verdictOf(run));
}

function row({ build, description, runs, fills, last_utc: last, newest }) {
  const cells = { mmw: cell(HEADS[4], "–"), flow: cell(HEADS[5], "–"), verdict: cell(HEADS[6], "–") };
  if (newest) shown.set(newest.id, cells);
  const line = make(
    "tr",
    {},
    make(
      "th",
      { scope: "row" },
      make("a", { href: buildPath(build) }, build),
      description && make("span", { class: "help run-note" }, description),
    ),
    cell("Runs", String(runs)),
    cell("Fills", String(fills)),
    cell("Last run", last ? day(last) : "none yet"),
    cells.mmw,
    cells.flow,
    cells.verdict,
  );
  if (newest) fill(newest);
  return line;
}

function choice(label, chosen) {
  const id = freshId("build");
  const select = make(
    "select",
    { id },
    ...builds.filter(({ runs }) => runs > 0).map(({ build }) => make("option", { value: build }, build)),
  );
  select.value = chosen;
  return { select, root: make("div", { class: "field" }, make("label", { for: id }, label), select) };
}

function offer() {
  const run = builds.filter(({ runs }) => runs > 0);
  show(byId("beside"), run.length > 1);
  if (run.length < 2) return;
  const first = choice("This build", run[1].build);
  const second = choice("beside this one", run[0].build);
  const query = () =>
    new URLSearchParams([
      ["build", first.select.value],
      ["build", second.select.value],
    ]);
  const message = make("p", { class: "outcome", role: "status", id: freshId("outcome") });
  const go = (study) => (event) => {
    event.preventDefault();
    if (first.select.value === second.select.value) {
      say(message, "Choose two different builds.");
      message.dataset.level = "high";
      second.select.focus();
      return;
    }
    location.href = `/api/${study}.html?${query()}`;
  };
  const form = byId("beside-form");
  form.replaceChildren(
    first.root,
    second.root,
    make("button", { type: "submit" }, "Set their runs beside each other"),
    make("button", { type: "button", onclick: go("polarisation") }, "Their volts, taken apart"),
    message,
  );
  form.onsubmit = go("compare");
}

async function load() {
  try {
    builds = (await get("/api/builds")).builds;
    show(byId("trouble"), false);
  } catch (error) {
    say(byId("trouble"), `The builds could not be read: ${error.message} Load the page again to retry.`);
    show(byId("trouble"), true);
    return;
  }
  byId("build-rows").replaceChildren(...builds.map(row));
  show(byId("build-table"), builds.length > 0);
  say(byId("how-many"), count(builds.length, "build"));
  results.want(builds.map(({ newest }) => newest).filter(Boolean));
  offer();
}

byId("build-heads").append(...HEADS.map((title) => make("th", { scope: "col" }, title)));
load();
