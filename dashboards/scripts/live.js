// The live page.

import { get } from "./api.js";
import { AlarmList } from "./alarms.js";
import { AllAlarms } from "./all_alarms.js";
import { alarmsUnseen, blindWords, forecastUnseen } from "./blindness.js";
import { BEFORE_RESTORING, keepFolding, takeOver } from "./cautions.js";
import { AllNumbers, Findings, Links } from "./details.js";
import { byId, calmMotion, recall, remember, say, show } from "./dom.js";
import { TimedFill } from "./fill.js";
import { GasByFill } from "./gas_by_fill.js";
import { Readings } from "./readings.js";
import { Recording } from "./recording.js";
import { TemperatureScale } from "./scale.js";
import { Strip, STRIP_NUMBERS, STRIPS } from "./strips.js";
import { TripPanel } from "./supply.js";
import { ThumbBar } from "./thumb.js";
import { TimeAxis } from "./time_axis.js";
import { Traces } from "./traces.js";
import { watchBench } from "./watch.js";

const FILL_S = 1800;
const traces = new Traces(STRIP_NUMBERS);
let windowS = Number(recall("window", "300"));
let panels = null;
let watch = null; // the stream may speak before the page is built

/** The stretch of time that the strips show: up to the newest reading. */
const view = () => {
  const to = traces.newest ?? Date.now() / 1000;
  return [to - windowS, to];
};

/** Whether the figures are of now: the service must be heard, and must call its own data fresh. */
const current = () => watch !== null && watch.fresh().live && watch.state()?.data.state === "fresh";

/** Elapsed time of the recording run: the newest reading is nearer to now than the last state. */
const elapsed = () => {
  const run = watch?.state()?.run;
  if (!run || traces.run !== run.id || traces.newest === null) return run?.elapsed_s ?? null;
  return Math.max(run.elapsed_s, traces.newest - traces.start);
};

watch = watchBench("/", {
  elapsed,
  onEvent: (kind, data) => {
    if (kind === "samples") traces.samples(data);
    else if (kind === "assessment") {
      traces.assess(data);
      panels?.recording.tellLye(data.lye);
    }
    else if (kind === "state" && panels) tellState(data);
  },
  onFresh: () => panels && tellDoubts(),
});

/** Strike out what was said of things that nobody sees now. */
function tellDoubts() {
  const state = watch.state();
  const fresh = watch.fresh();
  const unseen = alarmsUnseen(state, fresh);
  panels.alarms.doubt(unseen);
  panels.findings.tell(traces.assessment, unseen);
  const blind = forecastUnseen(state, fresh);
  const ofNow = current();
  panels.readings.tell(traces, state, ofNow, blind);
  panels.trip.tellLye(panels.readings.lye, ofNow);
  panels.scale.tell({
    temp: traces.latest.get("lye_temp")?.value,
    current: ofNow,
    forecast: blind ? null : traces.assessment?.forecast,
    since: traces.assessment ? Math.max(0, traces.newest - (traces.start + traces.assessment.t)) : 0,
    trip: Boolean(state?.trip),
  });
  for (const strip of panels.strips) {
    strip.unseen = blind;
    strip.tell(ofNow);
  }
}

function tellState(state) {
  const impaired = byId("impaired");
  say(impaired, state.impaired ?? "");
  show(impaired, Boolean(state.impaired));
  const guide = byId("guide");
  say(guide, state.guide ? `Simulated bench. ${state.guide}` : "");
  show(guide, Boolean(state.guide));
  const blind = byId("blind");
  const parts = blindWords(state);
  say(blind, parts.join(" "));
  show(blind, parts.length > 0);
  panels.trip.tell(state);
  panels.alarms.tell(state);
  panels.thumb.tell(state, elapsed());
  panels.allAlarms.tell(state);
  const foreseen = state.standing.find(({ alarm, active }) => alarm === "lye_temp.forecast" && active);
  for (const strip of panels.strips) strip.warned = foreseen?.priority ?? "";
  panels.recording.tell(state, elapsed());
  panels.fill.tell(state, elapsed());
  panels.links.tell(state);
  tellDoubts();
}

function drawEveryMs() {
  const pace = windowS <= 60 ? 200 : windowS <= 300 ? 500 : 1000;
  return calmMotion.matches ? Math.max(pace, 1000) : pace;
}

let drawnAt = 0;
let toldAt = 0;
function frame(now) {
  requestAnimationFrame(frame);
  if (now - toldAt >= 500) {
    toldAt = now;
    tellDoubts();
    panels.numbers.tell(traces);
    if (watch.state()) {
      panels.recording.tell(watch.state(), elapsed());
      panels.fill.tell(watch.state(), elapsed());
      panels.thumb.tell(watch.state(), elapsed());
    }
  }
  if (now - drawnAt >= drawEveryMs()) {
    drawnAt = now;
    panels.strips.forEach((strip) => strip.draw());
    panels.axis.draw();
  }
}

/** The choice of the trends' length. Made before the bench is known, since a person may be quicker than the service. */
function chooseWindow() {
  const inputs = [...document.querySelectorAll("input[name=window]")];
  const choose = ({ value }) => {
    windowS = Number(value);
    remember("window", value);
    drawnAt = 0;
  };
  const chosen = inputs.find(({ checked }) => checked); // quicker than this script, too
  if (chosen) choose(chosen);
  for (const input of inputs) {
    input.checked = Number(input.value) === windowS;
    input.addEventListener("change", () => choose(input));
  }
}

async function begin() {
  keepFolding(byId("cautions"));
  chooseWindow();
  const trouble = byId("trouble");
  let bench = null;
  while (!bench) {
    try {
      bench = await get("/api/bench");
    } catch (error) {
      say(trouble, `${error.message} Trying again.`);
      show(trouble, true);
      await new Promise((done) => setTimeout(done, 1500));
    }
  }
  show(trouble, false);
  say(byId("bench-name"), bench.name);
  say(
    byId("bench-facts"),
    `${bench.stack.name} · ${bench.stack.cells} cells in series · ${bench.stack.electrolyte}\u00a0${Math.round(100 * bench.stack.mass_fraction)}\u00a0%\u00a0by\u00a0mass at the start`,
  );
  takeOver(byId("caution-list"), bench.cautions);
  const holder = byId("strips");
  const measured = new Set(bench.channels.map(({ name }) => name));
  const metered = measured.has("gas_flow");
  const strips = STRIPS.filter(({ channel, gas }) => (!channel || measured.has(channel)) && (metered || !gas)).map(
    (spec) => new Strip(spec, { bench, traces, view }),
  );
  const scale = new TemperatureScale(bench);
  const axis = new TimeAxis(view);
  const goToFill = () => {
    byId("fill").scrollIntoView({ block: "start" });
    byId("fill").querySelector("input").focus({ preventScroll: true });
  };
  const gas = metered ? [] : [new GasByFill(goToFill).root];
  holder.replaceChildren(scale.root, ...strips.map(({ root }) => root), axis.root, ...gas);
  strips.forEach((strip) => strip.attach());
  panels = {
    strips,
    scale,
    axis,
    readings: new Readings(watch.band.readingsPlace, bench),
    trip: new TripPanel(
      byId("trip"),
      bench.reset_cautions ? [...bench.reset_cautions, ...bench.cautions] : BEFORE_RESTORING,
    ),
    alarms: new AlarmList(byId("alarms")),
    allAlarms: new AllAlarms(byId("all-alarms")),
    recording: new Recording(byId("recording"), bench),
    fill: new TimedFill(byId("fill"), bench),
    findings: new Findings(byId("findings")),
    numbers: new AllNumbers(byId("numbers"), bench),
    links: new Links(byId("links")),
  };
  panels.thumb = new ThumbBar(watch.band.cutPlace, panels);
  if (watch.state()) tellState(watch.state());
  requestAnimationFrame(frame);
  try {
    traces.recent(await get(`/api/recent?seconds=${FILL_S}`));
  } catch (error) {
    say(trouble, `The trends begin now; what came before could not be had: ${error.message}`);
    show(trouble, true);
  }
}

begin();
