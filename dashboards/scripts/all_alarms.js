// Every alarm of the bench, whatever its state: priority, rationale, and the ways to put it aside and back. Asked for
// when it is unfolded, and again when the state of any alarm changes meanwhile.

import { get, path, send } from "./api.js";
import { AsideForm, tellOutcome } from "./alarm_aside.js";
import { ANSWERS, rankOfAll, Rationale, StateButton, stateOf, stateWords, valueWords } from "./alarm_words.js";
import { make, say, show, tag } from "./dom.js";
import { act, filled, nameField, outcome } from "./person.js";
import { badge } from "./shapes.js";

const BACK = ["unshelve", "into-service"];

/** The folded list of all alarms. */
export class AllAlarms {
  constructor(root) {
    this.items = new Map();
    this.key = "";
    this.turn = 0;
    this.name = nameField();
    this.message = outcome();
    this.list = make("ul", { class: "all-alarms" });
    this.summary = make("summary", {}, "Every alarm, and what it is for");
    this.details = make("details", {}, this.summary, this.name.root, this.message, this.list);
    this.details.addEventListener("toggle", () => this.details.open && this.#load());
    root.append(make("h2", { id: "all-alarms-title" }, "All alarms"), this.details);
  }

  /** A state came: where it tells of a change, the open list is asked for again. */
  tell({ standing }) {
    const key = standing.map(({ alarm, state, active }) => `${alarm} ${state} ${active}`).join("|");
    if (key === this.key) return;
    this.key = key;
    if (this.details.open) this.#load();
  }

  async #load() {
    this.turn += 1;
    const { turn } = this;
    let rows;
    try {
      rows = (await get("/api/alarms")).all;
      if (turn !== this.turn) return; // a later answer is on its way
    } catch (error) {
      this.message.dataset.level = "high";
      say(this.message, error.message);
      return;
    }
    rows.sort((a, b) => rankOfAll(a) - rankOfAll(b) || String(a.title).localeCompare(String(b.title)));
    say(this.summary, `Every alarm (${rows.length}), and what it is for`);
    const names = new Set(rows.map(({ alarm }) => alarm));
    for (const [name, item] of this.items) {
      if (names.has(name)) continue;
      item.aside.close();
      item.root.remove();
      this.items.delete(name);
    }
    rows.forEach((row, i) => {
      if (!this.items.has(row.alarm)) this.items.set(row.alarm, this.#item(row));
      const item = this.items.get(row.alarm);
      // An unfolded one stays where it is: somebody reads or writes in it.
      if (this.list.children[i] !== item.root && !(item.root.isConnected && item.root.firstChild.open))
        this.list.insertBefore(item.root, this.list.children[i] ?? null);
      this.#fill(item, row);
    });
  }

  #item(row) {
    const item = {
      badge: make("span"),
      title: make("span", { class: "all-title" }),
      state: make("span", { class: "quiet all-state" }),
      facts: make("p", { class: "quiet" }),
      said: new StateButton(),
      help: new Rationale(),
      back: make("button", { type: "button" }),
      aside: new AsideForm(row, (words) => this.#done(words)),
      level: null,
      verb: null,
    };
    const words = make("span", { class: "all-words" }, item.title, item.state);
    item.root = make(
      "li",
      {},
      make(
        "details",
        {},
        make("summary", {}, item.badge, words),
        make("div", { class: "stack all-body" }, item.facts, item.said.root, item.help.root, item.back, item.aside.root),
      ),
    );
    item.back.addEventListener("click", () => this.#back(row.alarm, item));
    return item;
  }

  #fill(item, row) {
    const { can, aside } = stateOf(row);
    if (item.level !== row.priority) {
      item.level = row.priority;
      item.badge.replaceChildren(badge(row.priority));
    }
    tag(item.root, "normal", row.state === "normal" || (aside && !row.active) ? "yes" : "");
    say(item.title, row.title || row.alarm);
    say(item.state, stateWords(row));
    item.said.tell(row);
    say(item.facts, [row.alarm, valueWords(row)].filter(Boolean).join(" · "));
    item.help.tell(row);
    item.verb = BACK.includes(can) ? can : null;
    show(item.back, item.verb !== null);
    if (item.verb) {
      say(item.back, ANSWERS[can].button);
      item.back.setAttribute("aria-label", `${ANSWERS[can].button}: ${row.title || row.alarm}`);
    }
    item.aside.tell(item.verb === null);
  }

  async #back(alarm, item) {
    if (!filled([[this.name.input, "Give your name: the log keeps who did it."]], this.message)) return;
    const { verb } = item;
    const body = { who: this.name.input.value.trim(), note: "" };
    const sent = () => send(path`/api/alarms/${alarm}/${verb}`, body);
    if (await act(item.back, this.message, ANSWERS[verb].doing, sent, "")) this.#done(ANSWERS[verb].done);
  }

  #done(words) {
    tellOutcome(this.message, words);
    this.#load();
  }
}
