// One scale of temperature: where the lye is now, its limits, where it will settle with its band, and how long to the cut.

import { make, say, show, tag } from "./dom.js";
import { explains } from "./explain.js";
import { limitsAhead, settleBand } from "./forecast.js";
import { plain, span } from "./format.js";
import { limitList } from "./limits.js";

const AIR_C = 5;
const ROWS = 3;
const GAP_PX = 8;

const percent = (share) => `${(100 * Math.min(1, Math.max(0, share))).toFixed(2)}%`;

/** The rows of names along a line, so that none lies on another: `names` is a list of {x, width} [px]; gives a row each. */
export function rowsOf(names, rows = ROWS) {
  const ends = new Array(rows).fill(-Infinity);
  return names.map(({ x, width }) => {
    const from = x - width / 2;
    let row = ends.findIndex((end) => end + GAP_PX <= from);
    if (row < 0) row = ends.indexOf(Math.min(...ends));
    ends[row] = x + width / 2;
    return row;
  });
}

/** The scale, where the lye's temperature is measured and has limits. */
export class TemperatureScale {
  constructor(bench) {
    const found = bench.channels.find(({ name }) => name === "lye_temp");
    this.limits = limitList(found?.limits).filter(({ side }) => side === "above");
    this.room = bench.site?.room_temp_c ?? 20;
    this.words = explains(() => "temperature_scale");
    this.now = make("span", { class: "scale-now" });
    this.band = make("span", { class: "scale-band" });
    this.settles = make("span", { class: "scale-settles" });
    this.marks = this.limits.map((limit) => {
      const name = make("span", { class: "scale-name" }, `${limit.name} ${plain(limit.value, "degC")}`);
      const line = make("span", { class: "scale-limit" });
      line.dataset.level = limit.level;
      return { limit, name, line };
    });
    this.bar = make(
      "div",
      { class: "scale-bar" },
      this.band,
      ...this.marks.map(({ line }) => line),
      this.settles,
      this.now,
      ...this.marks.map(({ name }) => name),
    );
    // Drawn for the eye; the words above it say it all.
    this.bar.setAttribute("aria-hidden", "true");
    this.root = make("section", { class: "scale", "aria-label": "Temperature: now, ahead, and the limits" }, make("p", { class: "scale-words" }, this.words), this.bar);
    this.watcher = new ResizeObserver(() => this.#lay());
    this.watcher.observe(this.bar);
    show(this.root, this.limits.length > 0);
  }

  #ends() {
    const top = Math.max(...this.limits.map(({ value }) => value)) + AIR_C;
    return [Math.min(this.room, this.limits[0].value) - AIR_C, top];
  }

  #share(degC) {
    const [low, high] = this.#ends();
    return (degC - low) / (high - low);
  }

  #lay() {
    if (!this.limits.length) return;
    const width = this.bar.clientWidth;
    const names = this.marks.map(({ limit, name, line }) => {
      const share = this.#share(limit.value);
      line.style.insetInlineStart = percent(share);
      const size = name.offsetWidth;
      // A name at the end of the line stays on it.
      const x = Math.min(width - size / 2, Math.max(size / 2, share * width));
      name.style.insetInlineStart = `${x}px`;
      return { x, width: size };
    });
    const rows = rowsOf(names);
    rows.forEach((row, i) => (this.marks[i].name.dataset.row = String(row)));
    this.bar.dataset.rows = String(1 + Math.max(...rows));
  }

  /** `temp` is the reading, `current` whether it is of now, `since` the forecast's age [s], `trip` whether a trip stands. */
  tell({ temp, current, forecast, since, trip }) {
    if (!this.limits.length) return;
    const known = Number.isFinite(temp);
    show(this.now, known);
    if (known) this.now.style.insetInlineStart = percent(this.#share(temp));
    tag(this.root, "live", current ? "" : "no");
    const { value, low, high } = trip || !forecast ? {} : settleBand(forecast);
    show(this.settles, Number.isFinite(value));
    if (Number.isFinite(value)) this.settles.style.insetInlineStart = percent(this.#share(value));
    const banded = Number.isFinite(low);
    show(this.band, banded);
    if (banded) {
      const from = Math.max(0, Math.min(1, this.#share(low)));
      const to = Number.isFinite(high) ? Math.max(0, Math.min(1, this.#share(high))) : 1;
      this.band.style.insetInlineStart = percent(from);
      this.band.style.inlineSize = percent(Math.max(0.005, to - from));
    }
    const words = !known ? ["no temperature"] : [`${current ? "now" : "last heard"} ${plain(Number(temp.toFixed(1)), "degC")}`];
    const cut = trip ? null : limitsAhead(forecast, temp, since).find(({ name }) => name === "trip");
    if (cut) words.push(`${cut.left_s < 60 ? "less than a minute" : span(60 * Math.round(cut.left_s / 60))} to the cut`);
    else if (trip) words.push("supply cut");
    if (Number.isFinite(value)) {
      const ends = Number.isFinite(low) && Number.isFinite(high) ? ` (${Math.round(low)} to ${Math.round(high)})` : "";
      words.push(`would settle at ${plain(Math.round(value), "degC")}${ends}`);
    }
    say(this.words, words.join(" · "));
  }
}
