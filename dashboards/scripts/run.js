// The page of one run.

import { get, path } from "./api.js";
import { byId, make, say, show } from "./dom.js";
import { clock, day, span } from "./format.js";
import { eventsOf, Lane } from "./lane.js";
import { Stretch } from "./navigate.js";
import { alarmsTable, lyeForm, markForm, marksTable, renameForm } from "./run_events.js";
import { fillForm } from "./run_fill.js";
import { showResult, showReview } from "./run_review.js";
import { RunStrips } from "./run_strips.js";
import { watchBench } from "./watch.js";

const FOLLOW_MS = 5000;
const id = decodeURIComponent(location.pathname.split("/").filter(Boolean).at(-1));
const trouble = byId("trouble");
let run = null;
let bench = null;
let stretch = null;
let strips = null;
let lane = null;
let events = [];
let phases = [];

watchBench("/runs");

const nav = {
  zoom: (factor, at) => moved(() => stretch.zoom(factor, at)),
  pan: (share) => moved(() => stretch.pan(share)),
  whole: () => moved(() => stretch.set(0, stretch.length)),
  set: (from, to) => moved(() => stretch.set(from, to)),
};

/** Bring an instant into the middle, near enough to see it. */
const goTo = (t) => {
  const half = Math.min(stretch.to - stretch.from, Math.max(60, stretch.length / 20)) / 2;
  nav.set(t - half, t + half);
  byId("charts").scrollIntoView({ block: "start" });
};

function moved(change) {
  change();
  strips.moved();
  tellStretch();
}

function tellStretch() {
  const { from, to, length, isWhole } = stretch;
  say(
    byId("stretch"),
    isWhole
      ? `The whole run, ${span(length)}`
      : `${clock(from)} to ${clock(to)}, ${span(to - from)} of ${span(length)}`,
  );
  const thumb = byId("thumb");
  thumb.style.left = `${(100 * from) / length}%`;
  thumb.style.width = `${(100 * (to - from)) / length}%`;
  lane.show(events, stretch);
  history.replaceState(null, "", isWhole ? location.pathname : `#${from.toFixed(2)}-${to.toFixed(2)}`);
}

function tellRun() {
  say(byId("run-name"), run.name || run.id);
  document.title = `${run.name || run.id} · lyewatch`;
  document.documentElement.dataset.title = document.title;
  const kind = run.kind === "import" ? "imported log" : run.state === "recording" ? "recording now" : "";
  say(
    byId("run-facts"),
    [run.bench, run.build, day(run.start_utc), span(run.duration_s), kind].filter(Boolean).join(" · "),
  );
}

async function loadEvents() {
  const [{ marks }, { alarms }] = await Promise.all([
    get(path`/api/runs/${id}/marks`),
    get(path`/api/runs/${id}/alarms`),
  ]);
  events = eventsOf(marks, alarms);
  const units = new Map((run.channels ?? []).map(({ name, unit }) => [name, unit]));
  byId("marks").replaceChildren(marksTable(marks, goTo));
  byId("alarm-table").replaceChildren(alarmsTable(alarms, units, goTo, await rationalesOf(alarms)));
  lane.show(events, stretch);
  strips.redraw();
}

let rationales = null;
/** What each alarm of the bench means, by its name; a bench that is away explains none. */
async function rationalesOf(alarms) {
  if (alarms.length === 0) return null;
  try {
    rationales ??= new Map((await get("/api/alarms")).all.map((one) => [one.alarm, one]));
  } catch {
    return null;
  }
  return rationales;
}

async function loadReview() {
  const root = byId("review");
  try {
    const review = await get(path`/api/runs/${id}/review`, { waitMs: 60000 });
    const labels = new Map((bench.numbers ?? []).map(({ key, label }) => [key, label]));
    showResult(byId("result"), review, run, labels);
    showReview(root, review, labels);
    phases = review.phases ?? [];
    strips.redraw();
  } catch (error) {
    byId("result").replaceChildren(
      make("h2", {}, "Result"),
      make("p", { class: "quiet" }, `No result yet: ${error.message}`),
    );
    root.replaceChildren(
      make("h2", {}, "Review"),
      make("p", { class: "quiet" }, `No review yet: ${error.message}`),
    );
  }
}

/** A run that is still being written grows; the charts of the whole grow with it. */
async function follow() {
  if (run.state !== "recording") return;
  if (!document.hidden) {
    try {
      run = { ...run, ...(await get(path`/api/runs/${id}`)) };
      const whole = stretch.isWhole;
      stretch.grow(Math.max(1, run.duration_s));
      tellRun();
      if (whole) strips.moved(0);
      tellStretch();
      await loadEvents();
    } catch {
      // the band says that the service is away; the next round tries again
    }
  }
  setTimeout(follow, FOLLOW_MS);
}

function controls() {
  for (const [name, action] of Object.entries({
    "zoom-in": () => nav.zoom(0.5),
    "zoom-out": () => nav.zoom(2),
    earlier: () => nav.pan(-0.5),
    later: () => nav.pan(0.5),
    whole: () => nav.whole(),
  }))
    byId(name).addEventListener("click", action);
  byId("track").addEventListener("click", (event) => {
    const { left, width } = byId("track").getBoundingClientRect();
    const at = ((event.clientX - left) / width) * stretch.length;
    const half = (stretch.to - stretch.from) / 2;
    nav.set(at - half, at + half);
  });
}

async function begin() {
  try {
    [run, bench] = await Promise.all([get(path`/api/runs/${id}`), get("/api/bench")]);
  } catch (error) {
    say(
      trouble,
      error.status === 404
        ? `There is no run ${id} here. The list under Runs has those that are.`
        : `The run could not be read: ${error.message} Load the page again to retry.`,
    );
    show(trouble, true);
    say(byId("run-name"), error.status === 404 ? "No such run" : id);
    show(byId("run-elsewhere"), true);
    return;
  }
  if (!run.channels) run.channels = bench.channels;
  stretch = new Stretch(Math.max(1, run.duration_s));
  const asked = /^#(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)$/.exec(location.hash);
  if (asked && Number(asked[2]) > Number(asked[1])) stretch.set(Number(asked[1]), Number(asked[2]));
  lane = new Lane(byId("lane"));
  strips = new RunStrips(byId("charts"), {
    run,
    reference: run.reference ?? bench.reference,
    stretch,
    nav,
    events: () => events,
    phases: () => phases,
    message: trouble,
  });
  byId("card-link").href = path`/api/runs/${id}/card.png`;
  byId("leak-link").href = path`/api/runs/${id}/leak.html`;
  byId("polarisation-link").href = path`/api/polarisation.html?runs=${id}`;
  byId("report-link").href = path`/api/runs/${id}/report.html`;
  byId("csv-link").href = path`/api/runs/${id}/export.csv`;
  byId("add-fill").append(fillForm(id, { shown: () => stretch }));
  byId("add-mark").append(markForm(id, { suggest: () => (stretch.from + stretch.to) / 2, done: loadEvents }));
  byId("add-lye").append(lyeForm(id, { suggest: () => (stretch.from + stretch.to) / 2, done: loadEvents }));
  byId("rename").append(
    renameForm(run, (changed) => {
      run = { ...run, ...changed };
      tellRun();
    }),
  );
  controls();
  tellRun();
  tellStretch();
  show(byId("run-actions"), true);
  show(byId("run-body"), true);
  strips.moved(0);
  loadReview();
  try {
    await loadEvents();
  } catch (error) {
    say(trouble, `Marks and alarms could not be read: ${error.message}`);
    show(trouble, true);
  }
  setTimeout(follow, FOLLOW_MS);
}

begin();
