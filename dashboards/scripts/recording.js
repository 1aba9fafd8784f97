// Starting and stopping a run, and pinning marks to it.

import { path, send } from "./api.js";
import { freshId, make, say, show, tag } from "./dom.js";
import { clock, presentText, wall } from "./format.js";
import { QuickMarks } from "./marks.js";
import { act, filled, nameField, outcome, refuse } from "./person.js";

function textField(label, attributes = {}) {
  const id = freshId("field");
  const input = make("input", { id, type: "text", maxlength: 80, ...attributes });
  return { input, root: make("div", { class: "field" }, make("label", { for: id }, label), input) };
}

/** The recording panel. */
export class Recording {
  constructor(root, bench) {
    this.run = null;
    this.message = outcome();
    this.now = make("p", { class: "run-now" });
    this.kept = make("p", { class: "quiet", id: "kept" });
    this.open = make("a", { class: "run-link", href: "/runs" }, "Open this run");
    this.who = nameField();
    this.begin = this.#startForm(bench);
    this.again = make(
      "details",
      {},
      make("summary", {}, "Start another run"),
      make("p", { class: "quiet" }, "This ends the one that is recording."),
    );
    this.mark = this.#markForm();
    this.stop = make("button", { type: "button" }, "Stop recording");
    this.stop.addEventListener("click", () => this.#stop());
    const quick = new QuickMarks(() => this.run, { message: this.message });
    this.during = make("div", { class: "stack" }, this.open, this.mark, quick.root, this.stop, this.again);
    this.idle = make("div", { class: "stack" });
    this.lye = make("p", { class: "quiet", id: "lye" });
    root.append(
      make("h2", { id: "recording-title" }, "Recording"),
      this.now,
      this.kept,
      this.who.root,
      this.during,
      this.idle,
      this.lye,
      this.#topUpForm(),
      this.message,
    );
    this.tell({ run: null }, null);
  }

  #startForm(bench) {
    const name = textField("Name of the run", { required: true });
    const build = textField("Build of the stack");
    build.input.value = bench?.stack?.build ?? "";
    this.build = build.input;
    const button = make("button", { type: "submit" }, "Start recording");
    const form = make(
      "form",
      { class: "stack", novalidate: true, "aria-label": "Start a run" },
      name.root,
      build.root,
      button,
    );
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (
        !filled(
          [[name.input, "Give the run a name that you will know it by."], this.#needsName()],
          this.message,
        )
      )
        return;
      const body = {
        name: name.input.value.trim(),
        build: build.input.value.trim(),
        who: this.who.input.value.trim(),
      };
      if (
        await act(button, this.message, "Starting …", () => send("/api/runs", body), `Started ${body.name}.`)
      ) {
        name.input.value = "";
        this.again.open = false;
      }
    });
    return form;
  }

  #markForm() {
    const text = textField("Mark this moment", { maxlength: 200, placeholder: "fan switched on" });
    const button = make("button", { type: "submit" }, "Add mark");
    const form = make(
      "form",
      { class: "row", novalidate: true, "aria-label": "Add a mark" },
      text.root,
      button,
    );
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (
        !this.run ||
        !filled([[text.input, "Write what happened at this moment."], this.#needsName()], this.message)
      )
        return;
      const body = { text: text.input.value.trim(), who: this.who.input.value.trim() };
      const url = path`/api/runs/${this.run.id}/marks`;
      if (await act(button, this.message, "Marking …", () => send(url, body), `Marked: ${body.text}`))
        text.input.value = "";
    });
    this.markText = text.input;
    return form;
  }

  /** Go where a mark is written. */
  writeMark() {
    this.markText.scrollIntoView({ block: "center" });
    this.markText.focus({ preventScroll: true });
  }

  /** How strong the lye is now, and when to top up and by how much. */
  tellLye(lye) {
    const words = lye
      ? `Lye: ${presentText({ ...lye.percent, unit: "%" }, "lye_percent")} ${lye.electrolyte} by mass, ${presentText({ ...lye.litres, unit: "L" }, "lye_litres")}. ${lye.words}`
      : "";
    if (this.lye.textContent !== words) this.lye.textContent = words;
  }

  /** Water added: what has been used counts back, so that "lye low" is right again. */
  #topUpForm() {
    const volume = textField("Water added, mL", { inputmode: "decimal", maxlength: 8 });
    const button = make("button", { type: "submit" }, "Note it");
    const form = make(
      "form",
      { class: "row", novalidate: true, "aria-label": "Water added" },
      volume.root,
      button,
    );
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (!filled([[volume.input, "Give the water added in mL, as in 200."], this.#needsName()], this.message))
        return;
      const millilitres = Number(volume.input.value.trim().replace(",", "."));
      if (!(millilitres > 0)) {
        refuse(volume.input, "Give the water added in mL, as in 200.", this.message);
        return;
      }
      const body = { who: this.who.input.value.trim(), millilitres };
      const sent = () => send("/api/top-up", body);
      if (await act(button, this.message, "Noting …", sent, ({ message }) => `${message}.`)) {
        volume.input.value = "";
        details.open = false;
      }
    });
    const details = make("details", {}, make("summary", {}, "Topped up with water"), form);
    return details;
  }

  #needsName() {
    return [this.who.input, "Give your name: the run keeps who did it."];
  }

  #stop() {
    if (!filled([this.#needsName()], this.message)) return;
    act(
      this.stop,
      this.message,
      "Stopping …",
      () => send("/api/runs/current/stop", { who: this.who.input.value.trim() }),
      "Stopped. The run is under Runs.",
    );
  }

  /** Show what is recording. */
  tell({ run, recording }, elapsed) {
    say(this.kept, keptWords(recording));
    tag(this.kept, "level", recording?.state === "impaired" ? "high" : recording?.state === "unknown" ? "medium" : "");
    const running = Boolean(run && run.kind === "run");
    this.run = run;
    if (running) {
      say(
        this.now,
        `${run.name || run.id} · ${run.build || "no build named"} · since ${wall(run.start_utc)} · ${clock(elapsed ?? run.elapsed_s)}`,
      );
      this.open.href = path`/runs/${run.id}`;
      if (this.begin.parentElement !== this.again) this.again.append(this.begin);
    } else {
      say(this.now, "Nothing is recorded now; readings are only shown.");
      if (this.begin.parentElement !== this.idle) this.idle.append(this.begin);
    }
    show(this.during, running);
    show(this.idle, !running);
  }
}

/** Whether what happens is kept, and how much is written for it: a memory card wears out by that. */
function keptWords(recording) {
  if (!recording) return "";
  const rate = recording.written_bytes_per_hour;
  const written = Number.isFinite(rate) ? `; ${Math.round(rate / 1e6)}\u202fMB an hour are written to the disk` : "";
  return `${recording.words}${recording.state === "ok" ? written : ""}.`;
}
