// The strips of the live page: each quantity's present value in large figures, and its trend beside it.

import { Chart, chartsWork, colours } from "./chart.js";
import { make, say, show, tag } from "./dom.js";
import { explained, explains } from "./explain.js";
import { ForecastWords, settleMark } from "./forecast.js";
import { fixed, present, span, unitText, wall, withUnit } from "./format.js";
import { beyond, limitList, limitWords } from "./limits.js";
import { badge } from "./shapes.js";
import { chartTable } from "./table.js";

/** What is shown, in the order of its weight for a person beside the stack. */
export const STRIPS = [
  {
    id: "lye_temp",
    title: "Lye temperature",
    channel: "lye_temp",
    numbers: ["lye_temp"],
    minSpan: 6,
    always: true,
    foreseen: true,
    decimals: 1,
  },
  { id: "amps", title: "Current", channel: "amps", numbers: ["amps"], minSpan: 1, decimals: 2 },
  { id: "volts", title: "Stack voltage", channel: "volts", numbers: ["volts"], minSpan: 0.4, decimals: 2 },
  { id: "power", title: "Power", numbers: ["power_w"], minSpan: 8, decimals: 1 },
  {
    id: "flow",
    title: "Gas flow",
    numbers: ["flow_as_read_lpm", "flow_dry_ref_lpm"],
    gas: true,
    minSpan: 0.08,
    decimals: 3,
  },
  {
    id: "efficiency",
    title: "Faradaic efficiency",
    numbers: ["faradaic_efficiency"],
    gas: true,
    share: true,
    minSpan: 8,
    decimals: 1,
    note: "dry gas made, of what the current could make",
  },
  {
    id: "mmw",
    title: "MMW",
    word: "mmw",
    spelled: "millilitres per minute per watt",
    numbers: ["mmw_as_read", "mmw_dry_ref"],
    gas: true,
    minSpan: 0.6,
    decimals: 2,
    ceilings: true,
  },
];

/** All assessment numbers that the strips draw. */
export const STRIP_NUMBERS = [...new Set(STRIPS.flatMap((strip) => strip.numbers))];

/** What MMW can not pass, by what: the measured figure stands below each. */
const CEILINGS = [
  ["mmw_ceiling_faraday", "at this voltage"],
  ["mmw_ceiling_thermoneutral", "thermoneutral"],
  ["mmw_ceiling_reversible", "reversible"],
];

const STATUS_WORDS = { 1: "uncertain reading", 2: "bad reading", 3: "no reading" };

/** One strip. `traces` holds the data, `view()` gives [from, to]. */
export class Strip {
  constructor(spec, { bench, traces, view }) {
    this.spec = spec;
    this.traces = traces;
    this.view = view;
    this.reference = bench?.reference ?? "";
    const channel = bench?.channels.find(({ name }) => name === spec.channel);
    this.limits = limitList(channel?.limits);
    const number = bench?.numbers.find(({ key }) => key === spec.numbers[0]);
    this.rawUnit = channel?.unit ?? number?.unit ?? "";
    this.unit = spec.share ? "%" : unitText(this.rawUnit);
    this.foreseen = spec.foreseen ? new ForecastWords(bench) : null;
    /** The priority of the forecast's alarm while it stands. */
    this.warned = "";
    /** Why nothing is foreseen now, or "". */
    this.unseen = "";
    this.#build();
  }

  #build() {
    const { spec } = this;
    const two = spec.numbers.length > 1;
    this.figures = (two ? spec.numbers : [spec.numbers[0]]).map((key, i) => {
      const value = make("span", { class: "value" }, "–");
      const unit = make("span", { class: "unit" }, this.unit);
      const u = explains(() => "u", { className: "u" });
      show(u, false);
      const what = two && explained(i === 0 ? "as read" : `dry at ${this.reference}`, key);
      const legend =
        two && make("span", { class: "legend" }, make("span", { class: `sample sample-${i + 1}` }), what);
      const root = make(
        "p",
        { class: i === 0 ? "figure" : "figure second" },
        value,
        make("span", { class: "tail" }, u, unit),
        legend,
      );
      return { key, value, u, unit, what, root };
    });
    this.state = make("p", { class: "strip-state", hidden: true });
    // "58.21 ± 0.64 °C, mean of 30 s": the part with the ± opens what that is.
    this.mean = explains(() => "u");
    this.over = make("span");
    this.detail = make("p", { class: "detail" }, this.mean, this.over);
    show(this.mean, false);
    const limits = limitWords(this.limits, this.rawUnit);
    this.extra = make("p", { class: "detail" }, limits ? explained(limits, "limits") : (spec.note ?? ""));
    this.ceilings = new Map();
    this.heard = make("span", { class: "last-heard", hidden: true });
    const heading = make(
      "h2",
      { id: `strip-${spec.id}` },
      explained(spec.title, spec.word ?? spec.numbers[0]),
      spec.spelled && make("span", { class: "spelled" }, ` ${spec.spelled}`),
      this.heard,
    );
    this.plotHolder = make("div", { class: "plot" });
    this.reading = make("p", { class: "reading", "aria-hidden": "true" });
    this.table = chartTable({
      caption: spec.title,
      names: two ? ["as read", "dry"] : [spec.title],
      unit: this.unit,
      decimals: spec.decimals,
      label: wall,
      means: true,
      read: () => this.#tableData(),
    });
    this.root = make(
      "section",
      { class: "strip", id: spec.id, "aria-labelledby": `strip-${spec.id}` },
      make(
        "div",
        { class: "strip-words" },
        heading,
        ...this.figures.map(({ root }) => root),
        this.state,
        this.foreseen?.root,
        this.detail,
        this.extra,
      ),
      make("div", { class: "strip-chart" }, this.plotHolder, this.reading),
      this.table,
    );
    if (spec.always) this.root.classList.add("tall");
    if (!chartsWork())
      this.plotHolder.replaceChildren(
        make("p", { class: "no-chart" }, "The chart library is missing; the table below has the trend."),
      );
  }

  /** Call when the strip is in the page: the chart needs its width. */
  attach() {
    if (!chartsWork()) return;
    const { spec } = this;
    this.chart = new Chart(this.plotHolder, {
      label: spec.title,
      unit: this.rawUnit,
      series: spec.numbers.map((label) => ({ label })),
      limits: this.limits,
      minSpan: spec.minSpan,
      always: spec.always,
      floor: 0,
      time: { label: (at) => wall(at), shared: true },
      sync: "live",
      plugins: spec.foreseen ? [settleMark(() => (this.unseen ? null : this.traces.assessment?.forecast), colours)] : [],
      onCursor: (index) => say(this.reading, this.#readingAt(index)),
      reading: (index) => this.#readingAt(index),
    });
  }

  #data() {
    const { spec, traces } = this;
    if (spec.channel) return traces.channel(spec.channel);
    const data = traces.number(spec.numbers);
    return spec.share ? [data[0], data[1].map((value) => (value === null ? null : 100 * value))] : data;
  }

  #tableData() {
    const [t, ...columns] = this.#data();
    const [from, to] = this.view();
    return {
      t,
      quantities: columns.map((column) => ({ low: column, high: column, mean: column })),
      from,
      to,
    };
  }

  #readingAt(index) {
    if (index === null || index === undefined || !this.chart) return "";
    const [t, ...columns] = this.chart.plot.data;
    if (t[index] === undefined) return "";
    const names = this.spec.numbers.length > 1 ? ["as read ", "dry "] : [""];
    const values = columns.map(
      (column, i) =>
        `${names[i]}${column[index] === null ? "no value" : withUnit(fixed(column[index], this.spec.decimals), this.unit)}`,
    );
    return `${wall(t[index])}  ${values.join(", ")}`;
  }

  /** Redraw the trend. */
  draw() {
    if (!this.chart) return;
    const [from, to] = this.view();
    this.chart.draw(this.#data(), from, to);
  }

  /** Show the present values; `live` is false once nothing comes any more. */
  tell(live) {
    const { spec, traces } = this;
    const said = traces.assessment;
    this.reference = said?.reference ?? this.reference;
    tag(this.root, "live", live ? "yes" : "no");
    say(this.heard, live || traces.newest === null ? "" : ` · last heard ${wall(traces.newest)}`);
    show(this.heard, this.heard.textContent !== "");
    let problem = null;
    if (spec.channel) problem = this.#tellChannel(said);
    else this.#tellNumbers(said);
    tag(this.root, "level", problem?.level ?? "");
    show(this.state, problem !== null);
    const key = problem ? `${problem.level} ${problem.words}` : "";
    if (this.state.dataset.key !== key) {
      this.state.dataset.key = key;
      this.state.replaceChildren(...(problem ? [explains(() => problem.word, {}, badge(problem.level, problem.words))] : []));
    }
  }

  #tellChannel(said) {
    const { spec, traces, figures } = this;
    const latest = traces.latest.get(spec.channel);
    const known = latest && latest.value !== null;
    say(figures[0].value, known ? fixed(latest.value, spec.decimals) : "–");
    const number = said?.numbers[spec.numbers[0]];
    const { value, u, unit } = present(number, spec.numbers[0], spec.decimals);
    const mean = number?.value === null || !number ? "" : `${u ? `${value} ± ${u}` : value} ${unit}`;
    say(this.mean, u ? mean : "");
    show(this.mean, this.mean.textContent !== "");
    say(this.over, mean ? `${u ? "" : mean}, mean of ${span(said.window_s)}` : "");
    show(this.detail, mean !== "");
    const age = said && traces.newest !== null ? Math.max(0, traces.newest - (traces.start + said.t)) : 0;
    this.foreseen?.tell(said, traces.latest, this.warned, this.unseen, age);
    if (latest && latest.status > 0)
      return { level: latest.status === 1 ? "medium" : "high", words: STATUS_WORDS[latest.status], word: "reading_status" };
    const limit = known ? beyond(this.limits, latest.value) : null;
    if (!limit) return null;
    return {
      level: limit.level,
      words: `${limit.side === "above" ? "above" : "below"} ${limitWords([limit], this.rawUnit)}`,
      word: "limits",
    };
  }

  #tellNumbers(said) {
    const { spec, figures } = this;
    figures.forEach(({ key, value, u, what }, i) => {
      const shown = present(said?.numbers[key], key, spec.decimals);
      say(value, shown.value);
      say(u, shown.u ? `± ${shown.u}` : "");
      show(u, Boolean(shown.u));
      if (i === 1) say(what, `dry at ${this.reference}`);
    });
    const window = said ? `over ${span(said.window_s)}` : "";
    const named = spec.gas && figures.length === 1 && this.reference ? `dry gas at ${this.reference}, ` : "";
    say(
      this.over,
      !window
        ? ""
        : said.numbers[spec.numbers[0]]?.value === null
          ? "no value in this window"
          : `${named}${window}`,
    );
    show(this.detail, this.over.textContent !== "");
    if (spec.ceilings && said) this.#tellCeilings(said);
  }

  #tellCeilings(said) {
    const known = CEILINGS.filter(([key]) => said.numbers[key]?.value);
    const keys = known.map(([key]) => key).join();
    if (this.extra.dataset.key !== keys) {
      this.extra.dataset.key = keys;
      this.ceilings = new Map(known.map(([key]) => [key, explained("", key)]));
      const each = [...this.ceilings.values()].flatMap((button, i) => [i ? ", " : "", button]);
      this.extra.replaceChildren(...(known.length ? ["ceilings, dry: ", ...each] : []));
    }
    for (const [key, word] of known) say(this.ceilings.get(key), `${fixed(said.numbers[key].value, 2)} ${word}`);
  }
}
