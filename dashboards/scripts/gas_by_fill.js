// In place of three empty charts, where a bench has no flow meter: gas is known by timed fills.

import { get } from "./api.js";
import { make, say, show } from "./dom.js";
import { day, presentText } from "./format.js";

/** What the last fill said, and the way to the next. `begin()` goes there. */
export class GasByFill {
  constructor(begin) {
    this.last = make("p", { class: "detail", hidden: true });
    this.root = make(
      "section",
      { class: "strip by-fill", id: "gas-by-fill", "aria-labelledby": "strip-gas" },
      make(
        "div",
        { class: "strip-words" },
        make("h2", { id: "strip-gas" }, "Gas"),
        make("p", {}, "This bench has no flow meter. Time a fill: a vessel of known volume against the clock gives gas, efficiency and MMW."),
        make("button", { type: "button", onclick: begin }, "Time a fill"),
        this.last,
      ),
    );
    this.#load();
  }

  async #load() {
    try {
      const [fill] = (await get("/api/fills?limit=1")).fills;
      if (!fill) return;
      const dry = presentText(fill.numbers.flow_dry_ref_lpm, "flow_dry_ref_lpm");
      const mmw = presentText(fill.numbers.mmw_dry_ref, "mmw_dry_ref");
      say(this.last, `Last fill, ${day(fill.stopped_utc)}: ${dry} dry, MMW ${mmw}.`);
      show(this.last, true);
    } catch {
      // The panel of fills says what is wrong.
    }
  }
}
