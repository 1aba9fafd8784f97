// A timed fill: a vessel of known volume against the clock. The service takes the time and the run's own means.

import { get, send } from "./api.js";
import { freshId, make, recall, remember, say, show, tag } from "./dom.js";
import { clock, day, plain, presentText, withUnit } from "./format.js";
import { act, knownName, outcome, refuse } from "./person.js";

const SHOWN = [
  "flow_as_read_lpm",
  "flow_dry_ref_lpm",
  "mmw_as_read",
  "mmw_dry_ref",
  "faradaic_efficiency",
  "leak_amps",
  "meter_factor",
];
const LISTED = ["flow_dry_ref_lpm", "mmw_dry_ref", "faradaic_efficiency"];

function numberField(label, { remembered, ...attributes } = {}) {
  const id = freshId("fill");
  const input = make("input", { id, type: "text", inputmode: "decimal", maxlength: 12, ...attributes });
  if (remembered) {
    input.value = recall(remembered);
    input.addEventListener("change", () => remember(remembered, input.value.trim()));
  }
  return { input, root: make("div", { class: "field" }, make("label", { for: id }, label), input) };
}

/** A series' mean with its U, and under it how far the fills scatter. */
function meanText(mean, key) {
  const text = presentText(mean, key);
  if (!mean || mean.repeatability_s === null || !mean.value) return text;
  const share = (100 * mean.repeatability_s) / Math.abs(mean.value);
  return `${text}, scatter ${withUnit(share.toFixed(1), "%")}`;
}

/** The number that was typed, null where nothing was; a decimal comma is taken too. */
function typed(input) {
  const text = input.value.trim().replace(",", ".");
  return text === "" ? null : Number(text);
}

/** The panel of timed fills. */
export class TimedFill {
  constructor(root, bench) {
    this.bench = bench;
    this.open = null;
    this.stopping = false;
    this.volume = numberField("Volume, mL", { remembered: "fill-volume", required: true });
    this.error = numberField("Known to ± mL", { remembered: "fill-error", placeholder: "1 %" });
    this.temp = numberField("Gas in the vessel, °C", { placeholder: "the room's" });
    this.head = numberField("Outside higher by, mm", { placeholder: "level" });
    const sealId = freshId("fill");
    this.seal = make(
      "select",
      { id: sealId },
      make("option", { value: "water" }, "water"),
      make("option", { value: "lye" }, "lye"),
    );
    this.go = make("button", { type: "button", class: "fill-go", onclick: () => this.#press() }, "Start");
    this.drop = make("button", { type: "button", class: "quiet-button", onclick: () => this.#drop() }, "Drop it");
    this.time = make("p", { class: "fill-time", role: "timer", "aria-live": "off" });
    this.message = outcome();
    this.result = make("section", { class: "stack", "aria-label": "The last fill", hidden: true });
    this.summary = make("summary", {}, "Earlier fills");
    this.rows = make("tbody", {});
    this.means = make("tfoot", {});
    this.kept = null;
    this.earlier = make(
      "details",
      {},
      this.summary,
      make(
        "div",
        { class: "scroll", tabindex: 0, role: "region", "aria-label": "Earlier fills" },
        make(
          "table",
          {},
          make("caption", {}, `Dry gas at ${bench?.reference ?? "the reference"}; ± is U, k = 2`),
          make(
            "thead",
            {},
            make(
              "tr",
              {},
              ...["Stopped", "Fill", "Dry gas", "MMW dry", "Faradaic"].map((words) =>
                make("th", { scope: "col" }, words),
              ),
            ),
          ),
          this.rows,
          this.means,
        ),
      ),
    );
    root.append(
      make("h2", { id: "fill-title" }, "Timed fill"),
      make(
        "p",
        { class: "quiet" },
        "The vessel fills with explosive gas: keep it small, away from flames and switches.",
      ),
      make("div", { class: "pair" }, this.volume.root, this.error.root),
      make(
        "details",
        {},
        make("summary", {}, "Conditions in the vessel"),
        make("div", { class: "pair" }, this.temp.root, this.head.root),
        make("div", { class: "field apart" }, make("label", { for: sealId }, "Filled over"), this.seal),
      ),
      this.time,
      this.go,
      this.drop,
      this.message,
      this.result,
      this.earlier,
    );
    this.#show(null);
    this.#list();
  }

  /** What the service says of the fill that is running, and the run's time. */
  tell({ fill }, elapsed) {
    if (fill === undefined || this.stopping) return;
    const had = this.open;
    this.#show(fill);
    if (had && !fill) {
      say(this.message, "The fill has ended: somebody stopped or dropped it, or its run has ended.");
      this.#list();
    }
    if (!fill) return;
    const seconds = (fill.stopped_t_s ?? elapsed ?? fill.t_s) - fill.t_s;
    say(this.time, `${fill.stopped_t_s === undefined ? "Filling for" : "Stopped at"} ${clock(Math.max(0, seconds))}`);
  }

  #show(fill) {
    this.open = fill;
    show(this.time, Boolean(fill));
    show(this.drop, Boolean(fill));
    tag(this.go, "running", fill ? "yes" : "");
    say(this.go, !fill ? "Start" : fill.stopped_t_s === undefined ? "Stop" : "Work it out again");
  }

  /** The conditions as typed; null where one is no number, which is then said. */
  #typed() {
    const fields = [
      ["volume_ml", this.volume.input, "Give the volume in mL, as in 500."],
      ["volume_error_ml", this.error.input, "Give in mL how far the volume may be off, or leave it empty."],
      ["gas_temp_c", this.temp.input, "Give the temperature in °C, or leave it empty for the room's."],
      ["head_mm", this.head.input, "Give the height in mm, negative where it stands higher inside."],
    ];
    const said = {};
    for (const [, input] of fields) input.removeAttribute("aria-invalid");
    for (const [key, input, words] of fields) {
      const value = typed(input);
      const missing = value === null && key === "volume_ml";
      if (missing || Number.isNaN(value) || (key === "volume_ml" && !(value > 0))) {
        if (key === "gas_temp_c" || key === "head_mm") input.closest("details").open = true;
        refuse(input, words, this.message);
        return null;
      }
      if (value !== null) said[key] = value;
    }
    return said;
  }

  /** Begin or end a fill from elsewhere on the page; where a number is missing, go where it is written. */
  async toggle() {
    await this.#press();
    if (this.message.dataset.level === "high") this.message.scrollIntoView({ block: "center" });
  }

  async #press() {
    const said = this.#typed();
    if (!said) return;
    if (this.open) await this.#stop(said);
    else await this.#start(said);
  }

  async #start(said) {
    const body = { ...said, seal: this.seal.value, who: knownName() };
    let opened = null;
    const begin = async () => {
      opened = (await send("/api/fills/start", body)).open;
    };
    if (await act(this.go, this.message, "Starting …", begin, "Stop at the mark.")) {
      show(this.result, false);
      this.#show(opened);
    }
  }

  async #stop({ volume_ml, gas_temp_c, head_mm }) {
    const body = { volume_ml, gas_temp_c, head_mm, who: knownName() };
    let fill = null;
    const end = async () => {
      fill = (await send("/api/fills/stop", body)).fill;
    };
    this.stopping = true; // the state's word that it has ended is no news
    const done = await act(this.go, this.message, "Working it out …", end, "Kept in the logbook.");
    this.stopping = false;
    if (!done) return;
    this.#show(null);
    this.#tellResult(fill);
    this.#list();
  }

  async #drop() {
    const gone = () => send("/api/fills/drop", { who: knownName() || "someone at the page" });
    this.stopping = true;
    if (await act(this.drop, this.message, "Dropping …", gone, "Dropped; nothing is kept.")) this.#show(null);
    this.stopping = false;
  }

  async #forget() {
    const gone = () => send(`/api/fills/${this.kept}/forget`, { who: knownName() || "someone at the page" });
    if (!(await act(this.wrong, this.message, "Taking it out …", gone, "Taken out of the logbook."))) return;
    show(this.result, false);
    this.go.focus();
    this.#list();
  }

  #tellResult(fill) {
    this.kept = fill.id;
    this.wrong = make(
      "button",
      { type: "button", class: "quiet-button", onclick: () => this.#forget() },
      "It went wrong: take it out of the logbook",
    );
    const numbers = SHOWN.map((key) => [key, fill.numbers[key]]).filter(([, number]) => number);
    this.result.replaceChildren(
      make(
        "h3",
        {},
        `${plain(fill.volume_ml, "mL")} in ${withUnit(fill.seconds.toFixed(1), "s")}`,
      ),
      make(
        "dl",
        { class: "readings" },
        ...numbers.flatMap(([key, number]) => [
          make("dt", {}, number.label),
          make("dd", {}, presentText(number, key)),
        ]),
      ),
      make("p", { class: "quiet" }, `Dry gas at ${fill.reference}; ± is the expanded uncertainty, k = 2.`),
      ...fill.findings.map(({ text, causes }) =>
        make("div", {}, make("strong", {}, text), make("ol", {}, ...causes.map((cause) => make("li", {}, cause)))),
      ),
      make(
        "details",
        {},
        make("summary", {}, `Assumptions (${fill.assumptions.length})`),
        make("ul", { class: "plain-list" }, ...fill.assumptions.map((text) => make("li", {}, text))),
      ),
      // replaceChildren would print a plain `false` where there is no meter
      ...(fill.bench_file.length > 0
        ? [
            make(
              "details",
              {},
              make("summary", {}, "What the flow meter is to be corrected by"),
              make("p", { class: "quiet" }, "Lines for the bench file:"),
              make("pre", { class: "file-lines" }, fill.bench_file.join("\n")),
            ),
          ]
        : []),
      this.wrong,
    );
    show(this.result, true);
  }

  async #list() {
    let fills = [];
    let series = [];
    try {
      ({ fills, series = [] } = await get("/api/fills?limit=20"));
    } catch {
      // The list waits: an old service has none, and a stopped one is told of by the band.
    }
    say(this.summary, `Earlier fills (${fills.length})`);
    show(this.earlier, fills.length > 0);
    this.rows.replaceChildren(
      ...fills.map((fill) =>
        make(
          "tr",
          {},
          make("th", { scope: "row" }, day(fill.stopped_utc)),
          make("td", {}, `${plain(fill.volume_ml, "mL")} in ${withUnit(fill.seconds.toFixed(1), "s")}`),
          ...LISTED.map((key) => make("td", {}, presentText(fill.numbers[key], key))),
        ),
      ),
    );
    this.means.replaceChildren(
      ...series.map(({ build, fills: numbers, numbers: means }) =>
        make(
          "tr",
          {},
          make("th", { scope: "row", colspan: 2 }, `Mean of ${numbers.length}${build ? `, ${build}` : ""}`),
          ...LISTED.map((key) => make("td", {}, meanText(means[key], key))),
        ),
      ),
    );
  }
}
