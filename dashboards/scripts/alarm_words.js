// What an alarm's state is called, what a person may do in it, and the rationale behind it, in plain words.

import { make, say, show } from "./dom.js";
import { explained, explains } from "./explain.js";
import { plain, span, wall } from "./format.js";

const ORDER = ["critical", "high", "medium", "low"];

/** ISA-18.2 states in plain words, and how a person answers in each. `aside` are those put aside; `key` is the glossary's. */
const STATES = {
  normal: { words: "normal" },
  unacknowledged: { words: "not acknowledged", can: "acknowledge" },
  acknowledged: { words: "acknowledged, still there" },
  returned: { words: "back to normal, not acknowledged", can: "acknowledge", key: "returned_unacknowledged" },
  latched_unack: { words: "latched, not acknowledged", can: "acknowledge", key: "latched" },
  latched_ack: { words: "latched, acknowledged", can: "reset", key: "latched" },
  shelved: { words: "shelved", can: "unshelve", aside: true },
  suppressed: { words: "suppressed by design", aside: true },
  out_of_service: { words: "out of service", can: "into-service", aside: true },
};

/** {words, can, aside} of a state. */
export const stateOf = ({ state }) => STATES[state] ?? { words: String(state).replaceAll("_", " ") };

/** How a person answers: button, what is said meanwhile and after. The key is the last part of the address. */
export const ANSWERS = {
  acknowledge: { button: "Acknowledge", doing: "Acknowledging …", done: "Acknowledged." },
  reset: { button: "Reset the latch", doing: "Resetting …", done: "Latch reset." },
  unshelve: { button: "Unshelve", doing: "Unshelving …", done: "Unshelved: it asks again when it must." },
  "into-service": {
    button: "Put back into service",
    doing: "Putting it back …",
    done: "Back in service.",
  },
};

/** The state's words as a button that explains it. `tell(row)` fills it. */
export class StateButton {
  constructor() {
    this.key = "normal";
    this.root = explains(() => this.key);
  }

  tell(row) {
    this.key = stateOf(row).key ?? row.state;
    say(this.root, stateWords(row));
  }
}

/** Whether an alarm waits for somebody's word. */
export const isOpen = (row) => stateOf(row).can === "acknowledge";

/** For sorting: the worst first, and what waits before what is known. */
export const rank = (row) => ORDER.indexOf(row.priority) + (isOpen(row) ? 0 : 10);

/** For sorting the list of all: what is not normal first, then by priority and title. */
export const rankOfAll = (row) =>
  (row.state === "normal" ? 10 : stateOf(row).aside && !row.active ? 5 : 0) + ORDER.indexOf(row.priority);

/** How long there is, as far as can be said. */
export function timeWords({ t_s: seconds, priority }) {
  if (seconds === 0) return "none; act at once";
  if (Number.isFinite(seconds)) return `about ${span(seconds)}`;
  if (priority === "low") return "no hurry, as far as can be said";
  return `can not be said; go ${priority === "medium" ? "soon" : "now"}`;
}

function byWords({ by, why }) {
  const who = by ? ` by ${by}` : "";
  return why ? `${who}: ${why}` : who;
}

/** The state with who, why and until when: "shelved until 14:35:00 by Ada: fan on order". */
export function stateWords(row) {
  const { words } = stateOf(row);
  if (row.state === "shelved")
    return `${words}${row.shelved_until_utc ? ` until ${wall(row.shelved_until_utc)}` : ""}${byWords(row)}`;
  if (row.state === "suppressed") return `${words}: the supply is off`;
  return row.by || row.why ? `${words}${byWords(row)}` : words;
}

/** The value and the limit, or "". */
export function valueWords({ value, limit, unit }) {
  const known = (number) => number !== null && number !== undefined;
  const at = known(limit) ? `limit ${plain(limit, unit)}` : "";
  return known(value) ? [plain(value, unit), at].filter(Boolean).join(", ") : at;
}

const CUTS = {
  reader: "The reader cuts the supply when it is raised.",
  watch: "The watch has the supply cut when it is raised.",
};

/** The rationale: what it means, what to do, how long there is, whether it cuts, and its priority. `tell(row)` fills it. */
export class Rationale {
  constructor() {
    this.what = make("p");
    this.todo = make("p");
    this.time = make("p");
    this.cuts = make("p");
    this.priority = make("p");
    this.level = null;
    this.root = make("div", { class: "alarm-help" }, this.what, this.todo, this.time, this.cuts, this.priority);
  }

  tell(row) {
    say(this.what, row.what ? `It means: ${row.what}` : "");
    say(this.todo, row.do ? `Do: ${row.do}` : "");
    // Once the condition has gone there is no time that runs out; of a normal alarm it says what there would be.
    show(this.time, row.active || row.state === "normal");
    say(this.time, `Time there is${row.active ? "" : " when it is raised"}: ${timeWords(row)}.`);
    say(this.cuts, CUTS[row.cuts] ?? "");
    show(this.cuts, Boolean(row.cuts));
    if (row.priority === this.level) return;
    this.level = row.priority;
    this.priority.replaceChildren(explained(`Priority ${row.priority}`, row.priority));
  }
}
