// Marks by one tap: a list of one's own, kept on this device, that pins a word to the present instant of the run.

import { path, send } from "./api.js";
import { freshId, make, recall, remember, say } from "./dom.js";
import { act, outcome, who } from "./person.js";

const FIRST = ["fan on", "fan off", "voltage changed", "topped up", "foam", "meter bumped"];
const MOST = 12;
const LONGEST = 60;

/** The list as it was left on this device. */
export function markList() {
  const kept = recall("marks", "").split("\n").map((text) => text.trim()).filter(Boolean);
  return kept.length ? kept : FIRST;
}

/** Keep a list, a mark a line; an empty one is the first again. */
export function keepMarks(text) {
  const lines = text.split("\n").map((line) => line.trim().slice(0, LONGEST)).filter(Boolean);
  remember("marks", [...new Set(lines)].slice(0, MOST).join("\n"));
}

const living = new Set();

/** Buttons, one a mark, and a way to change the list. `run()` gives the run that is recorded, or null. */
export class QuickMarks {
  constructor(run, { message = outcome(), marked = () => {} } = {}) {
    this.run = run;
    this.marked = marked;
    this.message = message;
    this.buttons = make("div", { class: "quick", role: "group", "aria-label": "One tap marks this instant" });
    const id = freshId("marks");
    this.text = make("textarea", { id, rows: 6, maxlength: MOST * (LONGEST + 1) });
    const keep = make("button", { type: "button", onclick: () => this.#keep() }, "Keep this list");
    this.change = make(
      "details",
      {},
      make("summary", {}, "Change the list"),
      make("div", { class: "stack" }, make("div", { class: "field" }, make("label", { for: id }, "A mark a line"), this.text), keep),
    );
    this.root = make("div", { class: "quick-marks" }, this.buttons, this.change);
    living.add(this);
    this.#lay();
  }

  #lay() {
    const list = markList();
    this.text.value = list.join("\n");
    this.buttons.replaceChildren(
      ...list.map((text) => {
        const button = make("button", { type: "button" }, text);
        button.addEventListener("click", () => this.#mark(button, text));
        return button;
      }),
    );
  }

  #keep() {
    keepMarks(this.text.value);
    for (const one of living) one.#lay();
    this.change.open = false;
    this.change.querySelector("summary").focus();
    say(this.message, "Kept on this device.");
  }

  async #mark(button, text) {
    const run = this.run();
    if (!run) {
      say(this.message, "Nothing is recorded now: start a run first.");
      return;
    }
    const name = await who();
    if (!name) return;
    const url = path`/api/runs/${run.id}/marks`;
    if (await act(button, this.message, "Marking …", () => send(url, { text, who: name }), `Marked: ${text}`)) this.marked();
  }
}
