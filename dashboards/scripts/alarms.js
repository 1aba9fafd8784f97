// The standing alarms, a line each that opens: how grave, what it means, what to do, how long there is; and a person's
// acknowledgement of one or of all. Below them what is put aside, by whom, why, and until when.

import { path, send } from "./api.js";
import { AsideForm, tellOutcome } from "./alarm_aside.js";
import { ANSWERS, isOpen, rank, Rationale, StateButton, stateOf, valueWords } from "./alarm_words.js";
import { freshId, make, say, show, tag } from "./dom.js";
import { wall } from "./format.js";
import { act, outcome, who } from "./person.js";
import { badge } from "./shapes.js";

/** The alarm list. */
export class AlarmList {
  constructor(root) {
    this.root = root;
    const noteId = freshId("note");
    this.note = make("input", { id: noteId, type: "text", maxlength: 200, placeholder: "optional" });
    this.message = outcome();
    this.all = make("button", { type: "button", onclick: () => this.acknowledgeAll() }, "Acknowledge all");
    this.fields = make(
      "div",
      { class: "row" },
      make("div", { class: "field" }, make("label", { for: noteId }, "Note: why, what you do"), this.note),
      this.all,
    );
    this.standing = [];
    this.opened = ""; // the alarm that was unfolded by itself
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

  /** Why it can not be known whether there are more, or "": "none" is said only while somebody looks. */
  doubt(unseen) {
    say(this.empty, unseen ? `Not known: ${unseen}.` : "None standing.");
    tag(this.empty, "level", unseen ? "medium" : "");
  }

  /** Show the standing alarms of a state. */
  tell({ standing }) {
    this.standing = standing;
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
    show(this.all, open > 1);
    const names = new Set(rows.map(({ alarm }) => alarm));
    for (const [name, item] of this.items) if (!names.has(name)) this.#remove(name, item);
    this.#lay(this.list, here);
    this.#lay(this.asideList, aside);
    this.#unfold(here[0]);
  }

  /** The gravest of those that wait is open, as long as nobody opened or folded one himself. */
  #unfold(first) {
    const name = first && isOpen(first) ? first.alarm : "";
    if (name === this.opened) return;
    const before = this.items.get(this.opened);
    if (before && !before.touched && !before.root.contains(document.activeElement)) before.more.open = false;
    this.opened = name;
    const item = this.items.get(name);
    if (item && !item.touched) item.more.open = true;
  }

  /** Those that wait for somebody's word, the gravest first. */
  get open() {
    return this.standing.filter(isOpen).sort((a, b) => rank(a) - rank(b));
  }

  /** Acknowledge all that waits. */
  async acknowledgeAll() {
    await this.acknowledge(this.open, this.all);
  }

  /** Acknowledge these, by the person of this device; who it is is asked once. Gives whether it is done. */
  async acknowledge(rows, button) {
    const name = await who();
    if (!name || rows.length === 0) return false;
    const body = { who: name, note: this.note.value.trim() };
    const sent = () => Promise.all(rows.map(({ alarm }) => send(path`/api/alarms/${alarm}/acknowledge`, body)));
    return act(button, this.message, ANSWERS.acknowledge.doing, sent, () => {
      this.note.value = "";
      return rows.length > 1 ? `Acknowledged: ${rows.length} alarms.` : ANSWERS.acknowledge.done;
    });
  }

  #remove(name, item) {
    if (item.root.contains(document.activeElement)) this.heading.focus({ preventScroll: true });
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
        if (focused) this.heading.focus({ preventScroll: true });
      }
      this.#fill(item, row);
    });
  }

  #item(row) {
    const item = {
      badge: make("span"),
      title: make("strong"),
      state: new StateButton(),
      facts: make("span"),
      help: new Rationale(),
      act: make("button", { type: "button" }),
      aside: new AsideForm(row, (words) => tellOutcome(this.message, words)),
      touched: false,
      verb: null,
      level: null,
    };
    const summary = make("summary", {}, item.badge, item.title);
    summary.addEventListener("click", () => (item.touched = true));
    item.more = make("details", { class: "alarm-more" }, summary, item.help.root, item.aside.root);
    item.root = make(
      "li",
      { class: "alarm" },
      item.more,
      make("p", { class: "alarm-state" }, item.state.root, item.facts),
      item.act,
    );
    item.act.addEventListener("click", () => this.#answer(row, item));
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
    item.state.tell(row);
    const facts = [condition, valueWords(row), `since ${wall(row.since_utc)}`].filter(Boolean);
    say(item.facts, facts.map((words) => ` · ${words}`).join(""));
    item.help.tell(row);
    show(item.help.root, !aside);
    tag(item.root, "level", aside ? "" : row.priority);
    tag(item.root, "aside", aside ? "yes" : "");
    tag(item.root, "open", isOpen(row) ? "yes" : "");
    item.verb = can ?? null;
    // A button that goes while it has the focus would let it fall to the head of the page.
    if (item.verb === null && item.act === document.activeElement) this.heading.focus({ preventScroll: true });
    show(item.act, item.verb !== null);
    if (item.verb) {
      say(item.act, ANSWERS[item.verb].button);
      item.act.setAttribute("aria-label", `${ANSWERS[item.verb].button}: ${title}`);
    }
    item.aside.tell(!aside);
  }

  async #answer(row, item) {
    const { verb } = item;
    if (verb === "acknowledge") {
      await this.acknowledge([row], item.act);
      return;
    }
    const words = ANSWERS[verb];
    const name = words ? await who() : "";
    if (!name) return;
    const body = { who: name, note: this.note.value.trim() };
    const sent = () => send(path`/api/alarms/${row.alarm}/${verb}`, body);
    await act(item.act, this.message, words.doing, sent, () => {
      this.note.value = "";
      return words.done;
    });
  }
}
