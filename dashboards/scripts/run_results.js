// What runs came to. Where the logbook has no result of a run yet it is asked for, one run after the other.

import { get, path } from "./api.js";
import { make } from "./dom.js";
import { count, presentText } from "./format.js";
import { badge } from "./shapes.js";

const WAIT_MS = 900000;

/** Asks for the results that are missing; `have(id, result)` is told of each, with null where there is none to be had. */
export class Results {
  constructor(have) {
    this.have = have;
    this.found = new Map();
    this.queue = [];
    this.busy = false;
  }

  /** The result of a run that has been asked for, or null. */
  known(run) {
    return this.found.get(run.id) ?? null;
  }

  /** Whether a run's result is on its way. */
  working(run) {
    return !run.result && run.state === "ended" && !this.found.has(run.id);
  }

  /** These runs are shown now, the first of them first. */
  want(runs) {
    this.queue = runs.filter((run) => this.working(run)).map(({ id }) => id);
    this.#next();
  }

  async #next() {
    if (this.busy) return;
    const id = this.queue.shift();
    if (id === undefined) return;
    this.busy = true;
    try {
      this.found.set(id, await get(path`/api/runs/${id}/result`, { waitMs: WAIT_MS }));
    } catch {
      this.found.set(id, null); // its own page says why
    }
    this.busy = false;
    this.have(id, this.found.get(id));
    this.#next();
  }
}

/** A number of a result for a cell of a table. */
export function resultCell(result, key, working) {
  if (working) return make("span", { class: "quiet" }, "being worked out …");
  return make("span", {}, presentText(result?.numbers[key], key));
}

/** What stands out of a run: a cut, alarms, findings. */
export function verdictOf(run) {
  const words = [];
  if (run.alarm_count) words.push(count(run.alarm_count, "alarm"));
  const findings = run.result?.findings ?? [];
  if (findings.length) words.push(count(findings.length, "finding"));
  if (run.state === "recording") words.push("recording now");
  const text = words.join(", ");
  return make(
    "span",
    { class: "stands-out", title: findings.join(" ") },
    run.cut && badge("critical", "Supply cut"),
    text || (run.cut ? "" : "nothing"),
  );
}
