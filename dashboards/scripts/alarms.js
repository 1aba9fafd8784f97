// The standing alarms: how grave, what it means, what to do, and a person's acknowledgement.

import { path, send } from "./api.js";
import { freshId, make, say, show, tag } from "./dom.js";
import { plain, wall } from "./format.js";
import { act, filled, nameField, outcome } from "./person.js";
import { badge } from "./shapes.js";

const ORDER = ["critical", "high", "medium", "low"];

/** ISA-18.2 states in plain words, and what a person may do in each. */
const STATES = {
  unacknowledged: { words: "not acknowledged", can: "acknowledge" },
  acknowledged: { words: "acknowledged, still there" },
  returned: { words: "back to normal, not acknowledged", can: "acknowledge" },
  latched_unack: { words: "latched, not acknowledged", can: "acknowledge" },
  latched_ack: { words: "latched, acknowledged", can: "reset" },
  shelved: { words: "shelved" },
  suppressed: { words: "suppressed by design" },
  out_of_service: { words: "out of service" },
};
const VERBS = {
  acknowledge: { button: "Acknowledge", doing: "Acknowledging …", done: "Acknowledged." },
  reset: { button: "Reset the latch", doing: "Resetting …", done: "Latch reset." },
};

/** The alarm list. */
export class AlarmList {
  constructor(root) {
    this.root = root;
    this.name = nameField();
    const noteId = freshId("note");
    this.note = make("input", { id: noteId, type: "text", maxlength: 200, placeholder: "optional" });
    this.message = outcome();
    this.fields = make(
      "div",
      { class: "pair" },
      this.name.root,
      make("div", { class: "field" }, make("label", { for: noteId }, "Note"), this.note),
    );
    this.heading = make("h2", { id: "alarms-title" }, "Alarms");
    this.empty = make("p", { class: "quiet" }, "None standing.");
    this.list = make("ul", { class: "alarm-list" });
    this.items = new Map();
    root.append(this.heading, this.empty, this.list, this.fields, this.message);
    show(this.fields, false);
  }

  /** Show the standing alarms of a state. */
  tell({ standing }) {
    const rows = [...standing].sort(
      (a, b) => rank(a) - rank(b) || String(b.since_utc).localeCompare(String(a.since_utc)),
    );
    const open = rows.filter(({ state }) => STATES[state]?.can === "acknowledge").length;
    say(
      this.heading,
      rows.length ? `Alarms: ${rows.length}${open ? `, ${open} to acknowledge` : ""}` : "Alarms",
    );
    show(this.empty, rows.length === 0);
    tag(this.root, "standing", rows.length ? "yes" : "no");
    show(
      this.fields,
      rows.some(({ state }) => STATES[state]?.can),
    );
    const names = new Set(rows.map(({ alarm }) => alarm));
    for (const [name, item] of this.items) {
      if (names.has(name)) continue;
      if (item.root.contains(document.activeElement)) this.heading.focus();
      item.root.remove();
      this.items.delete(name);
    }
    rows.forEach((row, i) => {
      if (!this.items.has(row.alarm)) this.items.set(row.alarm, this.#item(row));
      const item = this.items.get(row.alarm);
      // Moving an element would take the focus from a button inside it.
      if (this.list.children[i] !== item.root)
        this.list.insertBefore(item.root, this.list.children[i] ?? null);
      this.#fill(item, row);
    });
    this.heading.tabIndex = -1;
  }

  #item(row) {
    const item = {
      badge: make("span"),
      title: make("strong"),
      state: make("p", { class: "alarm-state" }),
      what: make("p"),
      todo: make("p"),
      act: make("button", { type: "button" }),
      verb: null,
      level: null,
    };
    item.root = make(
      "li",
      { class: "alarm" },
      make("p", { class: "alarm-title" }, item.badge, " ", item.title),
      item.state,
      make("div", { class: "alarm-help" }, item.what, item.todo),
      item.act,
    );
    item.act.addEventListener("click", () => this.#answer(row.alarm, item));
    return item;
  }

  #fill(item, row) {
    if (item.level !== row.priority) {
      item.level = row.priority;
      item.badge.replaceChildren(badge(row.priority));
    }
    say(item.title, row.title || row.alarm);
    const said = STATES[row.state] ?? { words: row.state };
    const value =
      row.value === null || row.value === undefined
        ? ""
        : `${plain(row.value, row.unit)}${row.limit === null || row.limit === undefined ? "" : `, limit ${plain(row.limit, row.unit)}`}`;
    say(item.state, [said.words, value, `since ${wall(row.since_utc)}`].filter(Boolean).join(" · "));
    say(item.what, row.what ? `It means: ${row.what}` : "");
    say(item.todo, row.do ? `Do: ${row.do}` : "");
    tag(item.root, "level", row.priority);
    tag(item.root, "open", said.can === "acknowledge" ? "yes" : "");
    item.verb = said.can ?? null;
    show(item.act, item.verb !== null);
    if (item.verb) {
      say(item.act, VERBS[item.verb].button);
      item.act.setAttribute("aria-label", `${VERBS[item.verb].button}: ${row.title || row.alarm}`);
    }
  }

  #answer(alarm, item) {
    const verb = VERBS[item.verb];
    if (
      !verb ||
      !filled([[this.name.input, "Give your name: the log keeps who acknowledged."]], this.message)
    )
      return;
    const body = { who: this.name.input.value.trim(), note: this.note.value.trim() };
    const where =
      item.verb === "reset" ? path`/api/alarms/${alarm}/reset` : path`/api/alarms/${alarm}/acknowledge`;
    act(
      item.act,
      this.message,
      verb.doing,
      () => send(where, body),
      () => {
        this.note.value = "";
        return verb.done;
      },
    );
  }
}

function rank({ priority, state }) {
  return ORDER.indexOf(priority) + (STATES[state]?.can === "acknowledge" ? 0 : 10);
}
