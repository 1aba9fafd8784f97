// The marks and alarm transitions of a run as tables, and the forms to add a mark and to rename the run.

import { path, send } from "./api.js";
import { freshId, make } from "./dom.js";
import { clock, plain } from "./format.js";
import { stateFrom, stateTo } from "./lane.js";
import { act, filled, nameField, outcome, refuse } from "./person.js";
import { badge } from "./shapes.js";

const KINDS = {
  note: "note",
  reopened: "port reopened",
  lost: "source lost",
  gap: "gap",
  clock_step: "clock stepped",
  notice: "instrument says",
  trip: "supply cut",
  reset: "supply restored",
  restart: "restart",
};
const words = (text) => String(text ?? "").replaceAll("_", " ");

function table(caption, heads, rows, empty) {
  if (rows.length === 0) return make("p", { class: "quiet" }, empty);
  const head = make("tr", {}, ...heads.map((text) => make("th", { scope: "col" }, text)));
  return make(
    "div",
    { class: "scroll", tabindex: 0, role: "region", "aria-label": caption },
    make(
      "table",
      {},
      make("caption", { class: "spoken" }, caption),
      make("thead", {}, head),
      make("tbody", {}, ...rows),
    ),
  );
}

/** A time that, when pressed, brings the charts there. */
function timeButton(t, go) {
  return make(
    "button",
    {
      type: "button",
      class: "quiet-button",
      "aria-label": `Show ${clock(t)} in the charts`,
      onclick: () => go(t),
    },
    clock(t),
  );
}

/** The table of marks. */
export function marksTable(marks, go) {
  const rows = [...marks]
    .sort((a, b) => a.t_s - b.t_s)
    .map(({ t_s: t, kind, text, who }) =>
      make(
        "tr",
        {},
        make("th", { scope: "row" }, timeButton(t, go)),
        make("td", {}, KINDS[kind] ?? words(kind)),
        make("td", { class: "wide" }, text),
        make("td", {}, who || "–"),
      ),
    );
  return table("Marks", ["Time", "Kind", "What", "Who"], rows, "No marks yet.");
}

const LIMITS = new Set(["warn", "high", "trip", "low", "low_trip", "over", "under", "clipped"]);

/** The table of every alarm transition. */
export function alarmsTable(transitions, units, go) {
  const rows = transitions.map((row) => {
    // The value of a limit is the channel's; that of a stale or lost source is an age, and comes with its unit.
    const [channel, rule] = String(row.alarm).split(".");
    const unit = row.unit ?? (LIMITS.has(rule) ? units.get(channel) : "") ?? "";
    const change = `${words(stateFrom(row))} → ${words(stateTo(row))}`;
    const value = row.value === null || row.value === undefined ? "–" : plain(row.value, unit);
    const name = row.title ?? words(row.alarm).replaceAll(".", " ");
    return make(
      "tr",
      {},
      make("th", { scope: "row" }, timeButton(row.t_s, go)),
      make("td", {}, row.priority ? badge(row.priority) : "–"),
      make("td", {}, name),
      make("td", { class: "wide" }, change),
      make("td", {}, value),
      make("td", { class: "wide" }, [words(row.cause), row.who, row.note].filter(Boolean).join(" · ") || "–"),
    );
  });
  return table(
    "Alarms, every change of state",
    ["Time", "Priority", "Alarm", "Change", "Value", "Cause, who, note"],
    rows,
    "No alarms in this run.",
  );
}

/** A form that pins a mark to an instant; the time is the run's elapsed time as a stop-watch shows it. */
export function markForm(id, { suggest, done }) {
  const who = nameField();
  const textId = freshId("mark");
  const text = make("input", { id: textId, type: "text", maxlength: 200, required: true });
  const timeId = freshId("time");
  const time = make("input", {
    id: timeId,
    type: "text",
    inputmode: "numeric",
    maxlength: 12,
    placeholder: "1:02:09",
    required: true,
  });
  const message = outcome();
  const button = make("button", { type: "submit" }, "Add mark");
  const form = make(
    "form",
    { class: "stack", novalidate: true, "aria-label": "Add a mark" },
    make(
      "div",
      { class: "pair" },
      make("div", { class: "field" }, make("label", { for: timeId }, "Elapsed time"), time),
      who.root,
    ),
    make("div", { class: "field" }, make("label", { for: textId }, "What happened"), text),
    button,
    message,
  );
  time.addEventListener("focus", () => {
    if (!time.value) time.value = clock(suggest());
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (
      !filled(
        [
          [time, "Give the elapsed time of the mark."],
          [text, "Write what happened."],
          [who.input, "Give your name: the run keeps who marked it."],
        ],
        message,
      )
    )
      return;
    const t = seconds(time.value);
    if (t === null) {
      refuse(time, "Write the time as 1:02:09, 12:30 or plain seconds.", message);
      return;
    }
    const body = { text: text.value.trim(), t_s: t, who: who.input.value.trim() };
    if (
      await act(
        button,
        message,
        "Marking …",
        () => send(path`/api/runs/${id}/marks`, body),
        `Marked at ${clock(t)}.`,
      )
    ) {
      text.value = time.value = "";
      done();
    }
  });
  return form;
}

/** "1:02:09", "12:30" or "90.5" as seconds, or null. */
export function seconds(text) {
  const parts = text.trim().split(":");
  if (parts.length > 3 || !parts.every((part) => /^\d+(\.\d+)?$/.test(part))) return null;
  return parts.reduce((sum, part) => 60 * sum + Number(part), 0);
}

/** A form that renames a run. */
export function renameForm(run, done) {
  const who = nameField();
  const nameId = freshId("name-of-run");
  const name = make("input", { id: nameId, type: "text", maxlength: 80, required: true });
  const buildId = freshId("build-of-run");
  const build = make("input", { id: buildId, type: "text", maxlength: 80 });
  name.value = run.name ?? "";
  build.value = run.build ?? "";
  const message = outcome();
  const button = make("button", { type: "submit" }, "Save");
  const form = make(
    "form",
    { class: "stack", novalidate: true, "aria-label": "Rename the run" },
    make("div", { class: "field" }, make("label", { for: nameId }, "Name of the run"), name),
    make("div", { class: "field" }, make("label", { for: buildId }, "Build of the stack"), build),
    who.root,
    button,
    message,
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (
      !filled(
        [
          [name, "A run needs a name."],
          [who.input, "Give your name."],
        ],
        message,
      )
    )
      return;
    const body = { name: name.value.trim(), build: build.value.trim(), who: who.input.value.trim() };
    if (
      await act(
        button,
        message,
        "Saving …",
        () => send(path`/api/runs/${run.id}`, body, { method: "PATCH" }),
        "Saved.",
      )
    )
      done(body);
  });
  return form;
}
