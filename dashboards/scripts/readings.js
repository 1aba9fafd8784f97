// The readings that never leave the screen: in the head of the live page as one row, and, by one key or one tap, as figures that
// fill the screen and can be read from across the workshop.

import { isOpen } from "./alarm_words.js";
import { make, say, show, tag } from "./dom.js";
import { explains } from "./explain.js";
import { limitsAhead, settleBand } from "./forecast.js";
import { clock, fixed, plain, present, unitText, wall, withUnit } from "./format.js";
import { CutButton } from "./supply.js";

const NOTHING = "–";
const STEADY_C_PER_MIN = 0.05; // a slower change is none that matters at the bench
const KEY = "F8"; // no letter: those belong to who speaks to his computer (WCAG 2.1.4)
const LEVELS = ["critical", "high", "medium", "low"];

const channel = (name, decimals) => (now) => {
  const last = now.traces.latest.get(name);
  const known = last && Number.isFinite(last.value);
  return { value: known ? fixed(last.value, decimals) : NOTHING, unit: unitText(now.units.get(name)) };
};
const number = (key) => (now) => present(now.traces.assessment?.numbers[key], key);

function trend({ traces, current }) {
  if (!current && traces.newest !== null) return `last heard ${wall(traces.newest)}`;
  const rate = traces.assessment?.numbers.temp_rate_c_per_min?.value;
  if (!Number.isFinite(rate)) return "";
  if (Math.abs(rate) < STEADY_C_PER_MIN) return "steady";
  return `${rate > 0 ? "rising" : "falling"} ${withUnit(Math.abs(rate).toFixed(1), unitText("degC/min"))}`;
}

/** How old the forecast is [s]. */
const ageOf = ({ traces }) => Math.max(0, (traces.newest ?? 0) - (traces.start + (traces.assessment?.t ?? 0)));

/** The time to the limit ahead, counted down between two forecasts, and to the cut; else where it settles. */
function ahead(now) {
  const { traces, unseen, trip } = now;
  if (trip) return { value: NOTHING, unit: "", more: "supply cut" };
  const forecast = unseen ? null : traces.assessment?.forecast;
  if (!forecast) return { value: NOTHING, unit: "", more: unseen ? "not known" : whyNotYet(now) };
  const temp = traces.latest.get("lye_temp")?.value;
  const limits = limitsAhead(forecast, temp, ageOf(now)).filter(({ name }) => name !== "warn");
  const [next] = limits;
  if (next) {
    const cut = limits.find(({ name }) => name === "trip");
    const to = next.name === "trip" ? `to the cut at ${plain(next.limit_c, "degC")}` : `to ${plain(next.limit_c, "degC")}`;
    const then = cut && cut !== next ? `, cut in ${clock(cut.left_s)}` : "";
    return { value: clock(next.left_s), unit: "", more: to + then };
  }
  if (Number.isFinite(forecast.limit_c) && temp >= forecast.limit_c)
    return { value: NOTHING, unit: "", more: `above ${plain(forecast.limit_c, "degC")}` };
  const settles = settleBand(forecast).value;
  return { value: NOTHING, unit: "", more: Number.isFinite(settles) ? `settles at ${plain(Math.round(settles), "degC")}` : "" };
}

const whyNotYet = ({ traces, least }) => {
  const amps = traces.latest.get("amps")?.value;
  return Number.isFinite(amps) && Math.abs(amps) <= least ? "no current" : "not known yet";
};

/** What is shown: how it is read, whose alarms colour it, whether it is one of the large ones, and what explains it. */
const READINGS = [
  { id: "temp", title: "Lye", of: ["lye_temp"], read: channel("lye_temp", 1), more: trend, large: true, channel: "lye_temp", word: "lye_temp" },
  { id: "ahead", title: "Time there is", of: ["forecast"], read: ahead, large: true, word: "time_there_is" },
  { id: "amps", title: "Current", of: ["amps"], read: channel("amps", 1), large: true, channel: "amps", word: "amps" },
  { id: "volts", title: "Volts", of: ["volts"], read: channel("volts", 2), channel: "volts", word: "volts" },
  { id: "gas", title: "Gas, dry", of: ["gas_flow"], read: number("flow_dry_ref_lpm"), gas: true, word: "flow_dry_ref_lpm" },
  {
    id: "mmw",
    title: "MMW, dry",
    spelled: "millilitres per minute per watt",
    of: ["efficiency"],
    read: number("mmw_dry_ref"),
    large: true,
    gas: true,
    word: "mmw_dry_ref",
  },
];

/** Of the alarms that stand on a reading, the gravest priority, or "". */
function levelOf(subjects, standing) {
  const found = standing.filter(
    ({ alarm, active, state }) =>
      active && !["shelved", "suppressed", "out_of_service"].includes(state) && subjects.some((s) => alarm.split(".").includes(s)),
  );
  return LEVELS.find((level) => found.some(({ priority }) => priority === level)) ?? "";
}

/** A list of readings; where `explain` says so, each opens its text. */
class Figures {
  constructor(specs, name, className, explain = false) {
    this.items = specs.map((spec) => {
      const value = make("span", { class: "now-value" }, NOTHING);
      const unit = make("span", { class: "now-unit" });
      const more = make("span", { class: "now-more" });
      const spelled = spec.spelled && make("span", { class: "spoken" }, ` (${spec.spelled})`);
      const now = () => [value, unit, more].map(({ textContent }) => textContent).filter(Boolean).join(" ");
      // The button's own reach is the whole reading: see the styles.
      const title = explain ? [explains(() => spec.word, { now }, spec.title, spelled)] : [spec.title, spelled];
      const root = make(
        "div",
        { class: "now", id: `${className}-${spec.id}` },
        make("dt", {}, ...title),
        make("dd", {}, value, " ", unit, " ", more),
      );
      return { spec, value, unit, more, root };
    });
    this.root = make("dl", { class: className, "aria-label": name }, ...this.items.map(({ root }) => root));
  }

  tell(now) {
    for (const { spec, value, unit, more, root } of this.items) {
      const read = spec.read(now);
      say(value, read.value);
      say(unit, read.value === NOTHING ? "" : read.unit);
      say(more, read.more ?? spec.more?.(now) ?? "");
      tag(root, "level", levelOf(spec.of, now.standing));
      tag(root, "live", now.current ? "" : "no");
    }
  }
}

/** The row in the head and the view across the room. */
export class Readings {
  constructor(place, bench) {
    const measured = new Map(bench.channels.map(({ name, unit }) => [name, unit]));
    const has = ({ channel: name, gas }) => (name ? measured.has(name) : gas ? measured.has("gas_flow") : true);
    const specs = READINGS.filter(has);
    this.units = measured;
    this.least = bench.supply?.powered_above_amps ?? 0.2;
    this.lye = { value: NOTHING, unit: "", trend: "" };
    this.row = new Figures(specs, "Readings now", "now-row", true);
    this.far = new Figures(specs.filter(({ large }) => large).slice(0, 4), "Readings now, large", "now-far");
    this.alarm = make("p", { class: "far-alarm", role: "status" });
    this.close = make("button", { type: "button" }, "Back to the page");
    this.foot = make("div", { class: "far-foot" }, this.close);
    this.cut = null;
    this.view = make("dialog", { class: "far", "aria-label": "Bench view" }, this.alarm, this.far.root, this.foot);
    this.open = make("button", { type: "button", class: "far-open", "aria-keyshortcuts": KEY, title: `One key: ${KEY}` }, "Bench view");
    place.append(this.row.root, this.open);
    document.body.append(this.view);
    this.lock = null;
    this.open.addEventListener("click", () => this.#show());
    this.close.addEventListener("click", () => this.view.close());
    this.view.addEventListener("close", () => this.#left());
    document.addEventListener("keydown", (event) => {
      if (event.key !== KEY) return;
      event.preventDefault();
      if (this.view.open) this.view.close();
      else this.#show();
    });
    document.addEventListener("visibilitychange", () => this.view.open && this.#stayAwake());
  }

  /** `current` is whether the figures are of now; `unseen` why nothing is foreseen, or "". */
  tell(traces, state, current, unseen) {
    const standing = state?.standing ?? [];
    const now = { traces, standing, current, unseen, units: this.units, trip: state?.trip, least: this.least };
    this.row.tell(now);
    this.lye = { ...channel("lye_temp", 1)(now), trend: trend(now) };
    if (!this.view.open) return;
    this.far.tell(now);
    if (state) this.cut.tell(state, current);
    const here = standing.filter(({ state: s }) => !["shelved", "suppressed", "out_of_service"].includes(s));
    const worst = LEVELS.find((level) => here.some(({ priority }) => priority === level)) ?? "";
    const named = here.filter(({ priority }) => priority === worst).sort((a, b) => isOpen(b) - isOpen(a))[0];
    tag(this.view, "level", state?.trip ? "critical" : worst);
    say(this.alarm, state?.trip ? state.supply.words : !current ? "Not of now: data are stale" : (named?.title ?? ""));
    show(this.alarm, this.alarm.textContent !== "");
  }

  #show() {
    this.cut = new CutButton(this.foot); // the page's own lies behind this view
    this.view.showModal();
    this.view.requestFullscreen?.().catch(() => {}); // where it is not allowed the view fills the window
    this.#stayAwake();
  }

  async #stayAwake() {
    if (document.visibilityState !== "visible") return;
    try {
      this.lock = await navigator.wakeLock?.request("screen");
    } catch {
      this.lock = null; // refused on a low battery: the screen then sleeps as it always does
    }
  }

  #left() {
    this.lock?.release();
    this.lock = null;
    this.foot.replaceChildren(this.close);
    if (document.fullscreenElement) document.exitFullscreen();
    this.open.focus();
  }
}
