// Putting an alarm aside: shelved for a while, or out of service until somebody puts it back. Both need a name and a
// reason, and both say what no longer happens.

import { path, send } from "./api.js";
import { freshId, make, say, show } from "./dom.js";
import { span } from "./format.js";
import { act, filled, forget, nameField, outcome } from "./person.js";

const TIMES_S = [900, 3600, 4 * 3600, 8 * 3600];

const WITHOUT = {
  reader: "The reader still cuts the supply at this limit.",
  watch: "Put aside it does not cut the supply either.",
};

/** How long an alarm may be shelved, shortest first; its own bound is the last [s]. */
export function shelvingTimes(most) {
  if (!(most > 0)) return [];
  const times = TIMES_S.filter((seconds) => seconds < most);
  return [...times, most];
}

/** The folded form. `said(words)` is told what came of it. */
export class AsideForm {
  constructor(row, said) {
    this.alarm = row.alarm;
    this.said = said;
    this.holder = make("div", { class: "stack" });
    this.built = false;
    this.root = make(
      "details",
      { class: "alarm-aside" },
      make("summary", {}, "Put aside", make("span", { class: "spoken" }, `: ${row.title || row.alarm}`)),
      this.holder,
    );
    // Built at the first unfolding: a bench has some forty alarms.
    this.root.addEventListener("toggle", () => this.root.open && this.#build(row));
  }

  #build(row) {
    if (this.built) return;
    this.built = true;
    this.name = nameField();
    const whyId = freshId("why");
    this.why = make("input", { id: whyId, type: "text", maxlength: 200, required: true });
    const longId = freshId("long");
    const times = shelvingTimes(row.shelve_s ?? TIMES_S.at(-1));
    this.long = make(
      "select",
      { id: longId },
      ...times.map((seconds) => make("option", { value: seconds }, span(seconds))),
    );
    this.message = outcome();
    this.shelve = make("button", { type: "button" }, "Shelve");
    this.shelve.addEventListener("click", () =>
      this.#send(this.shelve, "shelve", { minutes: Number(this.long.value) / 60 }, "Shelving …", "Shelved"),
    );
    this.out = make("button", { type: "button" }, "Take out of service");
    this.out.addEventListener("click", () =>
      this.#send(this.out, "out-of-service", {}, "Taking it out …", "Out of service"),
    );
    const long = make("div", { class: "field" }, make("label", { for: longId }, "Shelve for"), this.long);
    this.holder.append(
      make("p", { class: "quiet" }, `It then asks nobody and sends no message. ${WITHOUT[row.cuts] ?? ""}`.trim()),
      make(
        "div",
        { class: "pair" },
        this.name.root,
        make("div", { class: "field" }, make("label", { for: whyId }, "Why it is put aside"), this.why),
      ),
      make("div", { class: "row" }, long, this.shelve),
      this.out,
      this.message,
    );
    if (times.length === 0) {
      show(this.shelve.parentElement, false);
      this.holder.prepend(make("p", {}, "This alarm may not be shelved."));
    }
  }

  async #send(button, verb, more, doing, done) {
    const needs = [
      [this.name.input, "Give your name: the log keeps who put it aside."],
      [this.why, "Say why: whoever comes next needs to know."],
    ];
    if (!filled(needs, this.message)) return;
    const body = { who: this.name.input.value.trim(), note: this.why.value.trim(), ...more };
    const sent = () => send(path`/api/alarms/${this.alarm}/${verb}`, body);
    if (!(await act(button, this.message, doing, sent, ""))) return;
    this.why.value = "";
    this.root.open = false;
    this.said(`${done}: ${this.alarm}.`);
  }

  /** Whether the form is of use in the alarm's present state. */
  tell(allowed) {
    show(this.root, allowed);
  }

  /** The alarm is no longer shown. */
  close() {
    if (this.name) forget(this.name.input);
  }
}

/** Say something in an outcome line. */
export function tellOutcome(message, words) {
  delete message.dataset.level;
  say(message, words);
}
