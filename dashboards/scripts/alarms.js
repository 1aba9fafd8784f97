// The standing alarms: how grave, what it means, what to do, how long there is, and a person's acknowledgement. Below
// them what is put aside, by whom, why, and until when.

import { path, send } from "./api.js";
import { AsideForm, tellOutcome } from "./alarm_aside.js";
import { ANSWERS, isOpen, rank, Rationale, stateOf, stateWords, valueWords } from "./alarm_words.js";
import { freshId, make, say, show, tag } from "./dom.js";
import { wall } from "./format.js";
import { act, filled, nameField, outcome } from "./person.js";
import { badge } from "./shapes.js";

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
      make("div", { class: "field" }, make("label", { for: noteId }, "Note: why, what you do"), this.note),
    );
    this.heading = make("h2", { id: "alarms-title", tabindex: -1 }, "Alarms");
    this.empty = make("p", { class: "quiet" }, "None standing.");
    this.list = make("ul", { class: "alarm-list" });
    this.asideHeading = make("h3", {}, "Put aside");
    this.asideList = make("ul", { class: "alarm-list" });
    this.items = new Map();
    root.append(
      this.heading,
      this.empty,
      this.list,
      this.fields,
      this.message,
      this.asideHeading,
      this.asideList,
    );
    show(this.fields, false);
    show(this.asideHeading, false);
  }

  /** Show the standing alarms of a state. */
  /** Why it can not be known whether there are more, or "": "none" is said only while somebody looks. */
  doubt(unseen) {
    say(this.empty, unseen ? `Not known: ${unseen}.` : "None standing.");
    tag(this.empty, "level", unseen ? "medium" : "");
  }

  tell({ standing }) {
    const rows = [...standing].sort(
      (a, b) => rank(a) - rank(b) || String(b.since_utc).localeCompare(String(a.since_utc)),
    );
    const aside = rows.filter((row) => stateOf(row).aside);
    const here = rows.filter((row) => !stateOf(row).aside);
    const open = here.filter(isOpen).length;
    say(
      this.heading,
      here.length ? `Alarms: ${here.length}${open ? `, ${open} to acknowledge` : ""}` : "Alarms",
    );
    show(this.empty, here.length === 0);
    say(this.asideHeading, `Put aside: ${aside.length}`);
    show(this.asideHeading, aside.length > 0);
    tag(this.root, "standing", rows.length ? "yes" : "no");
    show(
      this.fields,
      rows.some((row) => stateOf(row).can),
    );
    const names = new Set(rows.map(({ alarm }) => alarm));
    for (const [name, item] of this.items) if (!names.has(name)) this.#remove(name, item);
    this.#lay(this.list, here);
    this.#lay(this.asideList, aside);
  }

  #remove(name, item) {
    if (item.root.contains(document.activeElement)) this.heading.focus();
    item.root.remove();
    item.aside.close();
    this.items.delete(name);
  }

  #lay(list, rows) {
    rows.forEach((row, i) => {
      if (!this.items.has(row.alarm)) this.items.set(row.alarm, this.#item(row));
      const item = this.items.get(row.alarm);
      // Moving an element would take the focus from a button inside it.
      if (list.children[i] !== item.root) {
        const focused = item.root.contains(document.activeElement);
        list.insertBefore(item.root, list.children[i] ?? null);
        if (focused) this.heading.focus();
      }
      this.#fill(item, row);
    });
  }

  #item(row) {
    const item = {
      badge: make("span"),
      title: make("strong"),
      state: make("p", { class: "alarm-state" }),
      help: new Rationale(),
      act: make("button", { type: "button" }),
      aside: new AsideForm(row, (words) => tellOutcome(this.message, words)),
      verb: null,
      level: null,
    };
    item.root = make(
      "li",
      { class: "alarm" },
      make("p", { class: "alarm-title" }, item.badge, " ", item.title),
      item.state,
      item.help.root,
      item.act,
      item.aside.root,
    );
    item.act.addEventListener("click", () => this.#answer(row.alarm, item));
    return item;
  }

  #fill(item, row) {
    if (item.level !== row.priority) {
      item.level = row.priority;
      item.badge.replaceChildren(badge(row.priority));
    }
    const title = row.title || row.alarm;
    const { can, aside } = stateOf(row);
    say(item.title, title);
    const condition = aside ? (row.active ? "its condition stands" : "its condition is absent") : "";
    say(
      item.state,
      [stateWords(row), condition, valueWords(row), `since ${wall(row.since_utc)}`]
        .filter(Boolean)
        .join(" · "),
    );
    item.help.tell(row);
    show(item.help.root, !aside);
    tag(item.root, "level", aside ? "" : row.priority);
    tag(item.root, "aside", aside ? "yes" : "");
    tag(item.root, "open", isOpen(row) ? "yes" : "");
    item.verb = can ?? null;
    show(item.act, item.verb !== null);
    if (item.verb) {
      say(item.act, ANSWERS[item.verb].button);
      item.act.setAttribute("aria-label", `${ANSWERS[item.verb].button}: ${title}`);
    }
    item.aside.tell(!aside);
  }

  #answer(alarm, item) {
    const { verb } = item;
    const words = ANSWERS[verb];
    if (!words || !filled([[this.name.input, "Give your name: the log keeps who did it."]], this.message))
      return;
    const body = { who: this.name.input.value.trim(), note: this.note.value.trim() };
    act(
      item.act,
      this.message,
      words.doing,
      () => send(path`/api/alarms/${alarm}/${verb}`, body),
      () => {
        this.note.value = "";
        return words.done;
      },
    );
  }
}
