// The charts of a recorded run: all on one time axis, each stretch fetched as finely as the screen can show, the
// lowest and highest of every span drawn so that no spike is lost.

import { get, path } from "./api.js";
import { Chart, chartsWork } from "./chart.js";
import { make, say, show } from "./dom.js";
import { clock, fixed, unitText, withUnit } from "./format.js";
import { eventLines, phaseShades } from "./lane.js";
import { limitList, limitWords } from "./limits.js";
import { navigation } from "./navigate.js";
import { STRIPS } from "./strips.js";
import { chartTable } from "./table.js";

const SETTLE_MS = 120;
const PAD = 0.25; // fetched beyond each edge, so that a small step shows no empty stretch

/** One quantity of the run. */
class RunStrip {
  constructor(spec, { channels, stretch, reference }) {
    this.spec = spec;
    this.stretch = stretch;
    this.names = spec.channel ? [spec.channel] : spec.numbers;
    this.form = spec.channel ? "extremes" : "uncertainty";
    this.factor = spec.share ? 100 : 1;
    const channel = channels.find(({ name }) => name === spec.channel);
    this.limits = limitList(channel?.limits);
    this.rawUnit = channel?.unit ?? "";
    this.labels = this.names.length > 1 ? ["as read", `dry at ${reference}`] : [spec.title];
    this.parts = this.names.map(() => null);
    this.data = [[]];
    this.unitWord = make("span", { class: "unit" }, spec.share ? "%" : unitText(this.rawUnit));
    this.reading = make("p", { class: "run-reading", "aria-hidden": "true" });
    this.note = make("p", { class: "detail" }, limitWords(this.limits, this.rawUnit));
    this.plotHolder = make("div", { class: "plot" });
    this.table = chartTable({
      caption: spec.title,
      names: this.labels,
      unit: "",
      decimals: spec.decimals,
      label: clock,
      means: false,
      read: () => this.#tableData(),
    });
    const legend =
      this.names.length > 1 &&
      this.labels.map((label, i) =>
        make("p", { class: "legend" }, make("span", { class: `sample sample-${i + 1}` }), label),
      );
    this.root = make(
      "section",
      { class: spec.always ? "strip tall" : "strip", id: spec.id, "aria-labelledby": `strip-${spec.id}` },
      make(
        "div",
        { class: "strip-words" },
        make("h3", { id: `strip-${spec.id}` }, spec.title, " ", this.unitWord),
        ...(legend || []),
        this.note,
        this.reading,
      ),
      make("div", { class: "strip-chart" }, this.plotHolder),
      this.table,
    );
  }

  attach(nav, events, phases) {
    if (!chartsWork()) {
      this.plotHolder.replaceChildren(
        make("p", { class: "no-chart" }, "The chart library is missing; the table below has the numbers."),
      );
      return;
    }
    const { spec } = this;
    this.chart = new Chart(this.plotHolder, {
      label: spec.title,
      unit: this.rawUnit,
      series: this.labels.map((label) => ({ label })),
      limits: this.limits,
      minSpan: spec.minSpan,
      always: spec.always,
      floor: 0,
      form: this.form,
      time: { label: clock },
      sync: "run",
      drag: (from, to) => nav.set(from, to),
      plugins: [phaseShades(phases, spec.always), eventLines(events)],
      onCursor: (index) => say(this.reading, this.#readingAt(index)),
      reading: (index) => this.#readingAt(index),
    });
    navigation(this.chart, nav);
  }

  /** Take the answer of /series. */
  take(channels) {
    this.names.forEach((name, i) => {
      if (channels[name]) this.parts[i] = channels[name];
    });
    const known = this.parts.filter(Boolean);
    if (known.length < this.parts.length) return;
    const unit = known[0].unit;
    say(this.unitWord, this.spec.share ? "%" : unitText(unit));
    const [t] = known.map((part) => part.t); // the numbers of one answer stand on one clock
    const scaled = (values) =>
      this.factor === 1 ? values : values.map((v) => (v === null ? null : v * this.factor));
    const columns = known.flatMap((part) => {
      const [low, high] = [scaled(part.lo), scaled(part.hi)];
      if (this.form === "extremes") return [low, high];
      const u = scaled(part.u95 ?? part.lo.map(() => 0));
      const bound = (sign) =>
        low.map((value, i) => (value === null || u[i] === null ? null : value + sign * u[i]));
      return [low, bound(-1), bound(1)];
    });
    this.data = [t, ...columns];
    this.#draw();
  }

  #draw() {
    this.chart?.draw(this.data, this.stretch.from, this.stretch.to);
  }

  /** The visible stretch moved. */
  view() {
    this.chart?.view(this.stretch.from, this.stretch.to);
  }

  redraw() {
    this.chart?.plot.redraw(false);
  }

  #columns() {
    const step = this.form === "extremes" ? 2 : 3;
    return this.names.map((_name, i) => this.data.slice(1 + step * i, 1 + step * (i + 1)));
  }

  #readingAt(index) {
    const t = this.data[0]?.[index];
    if (t === undefined || index === null || index === undefined) return "";
    const { decimals } = this.spec;
    const unit = this.unitWord.textContent;
    const texts = this.#columns().map((columns, i) => {
      const name = this.names.length > 1 ? `${i === 0 ? "as read" : "dry"} ` : "";
      const [a, b, c] = columns.map((column) => column?.[index] ?? null);
      if (a === null) return `${name}no value`;
      if (this.form === "uncertainty")
        return name + withUnit(`${fixed(a, decimals)} ± ${fixed((c - b) / 2, decimals)}`, unit);
      const [low, high] = [fixed(a, decimals), fixed(b, decimals)];
      return name + withUnit(low === high ? low : `${low} to ${high}`, unit);
    });
    return `${clock(t)}: ${texts.join(", ")}`;
  }

  #tableData() {
    const quantities = this.#columns().map(([a, b]) =>
      this.form === "extremes" ? { low: a ?? [], high: b ?? [] } : { low: a ?? [], high: a ?? [] },
    );
    return { t: this.data[0], quantities, from: this.stretch.from, to: this.stretch.to };
  }
}

/** All charts of a run, and the fetching of what they show. */
export class RunStrips {
  constructor(holder, { run, reference, stretch, nav, events, phases, message }) {
    this.id = run.id;
    this.stretch = stretch;
    this.message = message;
    this.holder = holder;
    const channels = run.channels ?? [];
    const had = new Set(channels.map(({ name }) => name));
    this.strips = STRIPS.filter(({ channel }) => !channel || had.has(channel)).map(
      (spec) => new RunStrip(spec, { channels, stretch, reference }),
    );
    holder.replaceChildren(...this.strips.map(({ root }) => root));
    for (const strip of this.strips) strip.attach(nav, events, phases);
    this.timer = null;
    this.abort = null;
  }

  /** Move the charts at once with what is here, and fetch the new stretch when the hand rests. */
  moved(delay = SETTLE_MS) {
    for (const strip of this.strips) strip.view();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.fetch(), delay);
  }

  redraw() {
    for (const strip of this.strips) strip.redraw();
  }

  async fetch() {
    this.abort?.abort();
    this.abort = new AbortController();
    const { signal } = this.abort;
    const of = (names) => this.#part(names, signal);
    const channels = this.strips.filter(({ spec }) => spec.channel).flatMap(({ names }) => names);
    const numbers = this.strips.filter(({ spec }) => !spec.channel).flatMap(({ names }) => names);
    try {
      await Promise.all([of(channels), of(numbers)]); // apart: the channels come from the archive as they are, and sooner
      show(this.message, false);
    } catch (error) {
      if (signal.aborted) return;
      say(this.message, `This stretch could not be had: ${error.message}`);
      show(this.message, true);
    }
  }

  async #part(names, signal) {
    if (names.length === 0) return;
    const { from, to, length, isWhole } = this.stretch;
    const width = Math.min(2000, Math.max(300, Math.round(this.holder.clientWidth)));
    const query = new URLSearchParams({
      channels: names.join(","),
      points: String(isWhole ? width : Math.round(width * (1 + 2 * PAD))),
    });
    if (!isWhole) {
      const pad = PAD * (to - from);
      query.set("from_s", String(Math.max(0, from - pad)));
      query.set("to_s", String(Math.min(length, to + pad)));
    }
    const answer = await get(path`/api/runs/${this.id}/series` + `?${query}`, { signal, waitMs: 30000 });
    for (const strip of this.strips) strip.take(answer.channels);
  }
}
