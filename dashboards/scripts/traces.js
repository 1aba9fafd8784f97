// What the page remembers of the last half hour: one trace a channel, and the assessments' numbers on a shared clock.
// Times are Unix seconds of the run's own clock, so that a recording played fast still has its own time axis.

const KEEP_S = 1830;
const TRIM_EVERY = 2000;

class Trace {
  constructor(columns) {
    this.t = [];
    this.columns = columns.map(() => []);
    this.pace = 0;
  }

  /**
   * Append one instant; what is not newer is a repeat from catching up, and is left out. A value stands for the
   * `covers` seconds before it; a longer silence becomes a gap, which is drawn as one and not bridged.
   */
  add(t, values, covers = 0) {
    const last = this.t.at(-1);
    if (last !== undefined) {
      if (t <= last) return false;
      const step = t - last;
      if (this.pace > 0 && step > Math.max(2.5 + covers, 5 * this.pace))
        this.#push(
          last + step / 2,
          values.map(() => null),
        );
      this.pace = this.pace > 0 ? 0.9 * this.pace + 0.1 * step : step;
    }
    this.#push(t, values);
    return true;
  }

  #push(t, values) {
    this.t.push(t);
    values.forEach((value, i) => this.columns[i].push(value ?? null));
    if (this.t.length % TRIM_EVERY === 0) this.#trim();
  }

  #trim() {
    const edge = this.t.at(-1) - KEEP_S;
    let first = 0;
    while (this.t[first] < edge) first += 1;
    if (first === 0) return;
    this.t.splice(0, first);
    for (const column of this.columns) column.splice(0, first);
  }
}

/** All traces of the page. */
export class Traces {
  constructor(numberKeys) {
    this.numberKeys = numberKeys;
    this.clear();
  }

  clear() {
    this.channels = new Map();
    this.numbers = new Trace(this.numberKeys);
    this.latest = new Map(); // channel -> {t, value, status}
    this.assessment = null;
    this.newest = null;
    this.run = null;
    this.start = null;
  }

  /** A new run starts its traces afresh when its clock begins before the old one's last instant. */
  #enter(run, startUtc) {
    if (run === this.run) return;
    const start = Date.parse(startUtc) / 1000;
    if (this.newest !== null && start < this.newest) this.clear();
    this.run = run;
    this.start = start;
  }

  /** A `samples` event. */
  samples({ run, start_utc: startUtc, rows }) {
    this.#enter(run, startUtc);
    for (const { t, v, s } of rows) {
      const at = this.start + t;
      for (const [name, value] of Object.entries(v)) this.#sample(name, at, value, s?.[name] ?? 0);
      for (const [name, status] of Object.entries(s ?? {}))
        if (!(name in v)) this.#sample(name, at, null, status);
    }
  }

  #sample(name, at, value, status) {
    let trace = this.channels.get(name);
    if (!trace) this.channels.set(name, (trace = new Trace([name])));
    if (!trace.add(at, [value])) return;
    this.latest.set(name, { t: at, value, status });
    if (this.newest === null || at > this.newest) this.newest = at;
  }

  /** An `assessment` event. */
  assess(said) {
    if (said.run !== this.run || this.start === null) return;
    const values = this.numberKeys.map((key) => said.numbers[key]?.value ?? null);
    if (this.numbers.add(this.start + said.t, values, said.window_s)) this.assessment = said;
  }

  /** The answer of /api/recent; what the stream has brought meanwhile is newer and comes after it. */
  recent({ run, start_utc: startUtc, t, v, assessments }) {
    if (!run) return;
    const live = {
      channels: this.channels,
      numbers: this.numbers,
      latest: this.latest,
      assessment: this.assessment,
      run: this.run,
    };
    const same = live.run === run;
    if (live.run !== null && !same) return; // another run began meanwhile; its own events fill the page
    this.clear();
    this.#enter(run, startUtc);
    for (const name of Object.keys(v))
      v[name].forEach((value, i) => this.#sample(name, this.start + t[name][i], value, 0));
    for (const said of assessments) this.assess(said);
    if (!same) return;
    for (const [name, trace] of live.channels) {
      const status = live.latest.get(name)?.status ?? 0;
      trace.t.forEach((at, i) => this.#sample(name, at, trace.columns[0][i], status));
    }
    live.numbers.t.forEach((at, i) =>
      this.numbers.add(
        at,
        live.numbers.columns.map((column) => column[i]),
        live.assessment?.window_s,
      ),
    );
    if (live.assessment) this.assessment = live.assessment;
  }

  /** Times and values of one channel. */
  channel(name) {
    const trace = this.channels.get(name);
    return trace ? [trace.t, trace.columns[0]] : [[], []];
  }

  /** Times and one array per key of the assessments' numbers. */
  number(keys) {
    return [this.numbers.t, ...keys.map((key) => this.numbers.columns[this.numberKeys.indexOf(key)])];
  }
}
