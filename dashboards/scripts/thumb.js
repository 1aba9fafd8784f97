// The bar under the thumb on a phone: mark, fill, acknowledge; the button that cuts stands below it.

import { make, say, show, tag } from "./dom.js";
import { clock } from "./format.js";
import { QuickMarks } from "./marks.js";
import { badge } from "./shapes.js";

/** A sheet that comes up from the foot of the screen. */
function sheetUp(title, ...inside) {
  const heading = make("h2", { tabindex: -1 }, title);
  const close = make("button", { type: "button", class: "quiet-button" }, "Close");
  const view = make("dialog", { class: "sheet-up", "aria-label": title }, heading, ...inside, close);
  close.addEventListener("click", () => view.close());
  // A tap beside it closes it too.
  view.addEventListener("click", (event) => event.target === view && view.close());
  document.body.append(view);
  return view;
}

/** The bar. `alarms`, `fill` and `recording` are the page's own panels: what is pressed here is done there. */
export class ThumbBar {
  constructor(place, { alarms, fill, recording }) {
    this.alarms = alarms;
    this.fill = fill;
    this.state = null;
    const marks = new QuickMarks(() => (this.state?.run?.kind === "run" ? this.state.run : null), {
      marked: () => this.marksView.close(),
    });
    const write = make("button", { type: "button" }, "Write one …");
    write.addEventListener("click", () => {
      this.marksView.close();
      recording.writeMark();
    });
    this.marksView = sheetUp("Marks by one tap", marks.root, write, marks.message);
    this.waiting = make("ul", { class: "waiting" });
    this.all = make("button", { type: "button", class: "wide" }, "Acknowledge all");
    this.all.addEventListener("click", async () => {
      if (await this.alarms.acknowledge(this.alarms.open, this.all)) this.openView.close();
    });
    this.openView = sheetUp("Acknowledge", this.all, this.waiting);
    this.mark = make("button", { type: "button", onclick: () => this.marksView.showModal() }, "Mark");
    this.go = make("button", { type: "button", onclick: () => fill.toggle() }, "Fill");
    this.ack = make("button", { type: "button", onclick: () => this.#acknowledge() }, "Acknowledge");
    this.root = make("div", { class: "thumb", role: "group", "aria-label": "At hand" }, this.mark, this.go, this.ack);
    place.prepend(this.root);
    this.key = "";
  }

  async #acknowledge() {
    const rows = this.alarms.open;
    if (rows.length === 1) await this.alarms.acknowledge(rows, this.ack);
    else if (rows.length > 1) this.openView.showModal();
  }

  tell(state, elapsed) {
    this.state = state;
    const rows = this.alarms.open;
    say(this.ack, rows.length > 1 ? `Acknowledge ${rows.length}` : "Acknowledge");
    if (rows.length) this.ack.removeAttribute("aria-disabled");
    else this.ack.setAttribute("aria-disabled", "true");
    tag(this.ack, "level", rows[0]?.priority ?? "");
    const { fill } = state;
    const seconds = fill ? (fill.stopped_t_s ?? elapsed ?? fill.t_s) - fill.t_s : 0;
    const words = fill ? `Stop ${clock(Math.max(0, seconds))}` : "Fill";
    say(this.go, words);
    tag(this.go, "running", fill ? "yes" : "");
    this.go.setAttribute("aria-label", `${words}, by the clock`);
    const key = rows.map(({ alarm, priority }) => `${alarm} ${priority}`).join("|");
    if (key === this.key) return;
    this.key = key;
    say(this.all, `Acknowledge all ${rows.length}`);
    this.waiting.replaceChildren(
      ...rows.map((row) => {
        const button = make("button", { type: "button", class: "wide" }, badge(row.priority), make("span", {}, row.title || row.alarm));
        button.addEventListener("click", () => this.alarms.acknowledge([row], button));
        return make("li", {}, button);
      }),
    );
    if (rows.length === 0 && this.openView.open) this.openView.close();
    show(this.all, rows.length > 1);
  }
}
