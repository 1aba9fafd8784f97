// The marks and alarm transitions of a run as tables, and the forms to add a mark and to rename the run.

import { path, send } from "./api.js";
import { freshId, make } from "./dom.js";
import { explained, openText, wordKey } from "./explain.js";
import { clock, plain } from "./format.js";
import { stateFrom, stateTo } from "./lane.js";
import { act, filled, nameField, outcome, refuse } from "./person.js";
import { badge } from "./shapes.js";

const KINDS = {
  note: "note",
  top_up: "lye topped up",
  lye: "lye measured",
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
    { class: "scroll", tabindex: 0, role: "group", "aria-label": caption },
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

const MOST = 40; // rows of the table, until all are asked for
const STATES = new Set(["unacknowledged", "acknowledged", "returned_unacknowledged", "shelved", "latched"]);

/** An alarm's name as a button that tells its rationale: what it means, what to do, how long there is. */
function rationaleButton(name, { title, what, do: act, t_s: left }) {
  const time = left === null || left === undefined ? "" : `${Math.round(left / 60)} min, as a rule`;
  const open = () =>
    openText(title, [
      ["What it is", what],
      ["What to do", act],
      ["Time there is", time],
    ]);
  return make("button", { type: "button", class: "explain", "aria-haspopup": "dialog", onclick: open }, name);
}

const LIMITS = new Set(["warn", "high", "trip", "low", "low_trip", "over", "under", "clipped"]);

/** The table of every alarm transition. */
export function alarmsTable(transitions, units, go, rationales) {
  const rows = transitions.map((row) => {
    // The value of a limit is the channel's; that of a stale or lost source is an age, and comes with its unit.
    const [channel, rule] = String(row.alarm).split(".");
    const unit = row.unit ?? (LIMITS.has(rule) ? units.get(channel) : "") ?? "";
    const states = [stateFrom(row), stateTo(row)].map((state) =>
      STATES.has(wordKey(state)) ? explained(words(state), wordKey(state)) : words(state),
    );
    const value = row.value === null || row.value === undefined ? "–" : plain(row.value, unit);
    const name = row.title ?? words(row.alarm).replaceAll(".", " ");
    return make(
      "tr",
      {},
      make("th", { scope: "row" }, timeButton(row.t_s, go)),
      make("td", {}, row.priority ? badge(row.priority) : "–"),
      make("td", {}, rationales?.get(row.alarm) ? rationaleButton(name, rationales.get(row.alarm)) : name),
      make("td", { class: "wide" }, states[0], " → ", states[1]),
      make("td", {}, value),
      make("td", { class: "wide" }, [words(row.cause), row.who, row.note].filter(Boolean).join(" · ") || "–"),
    );
  });
  const heads = ["Time", "Priority", "Alarm", "Change", "Value", "Cause, who, note"];
  const made = (shown) => table("Alarms, every change of state", heads, shown, "No alarms in this run.");
  if (rows.length <= MOST) return made(rows);
  const place = make("div", { class: "review-part" }, made(rows.slice(0, MOST)));
  const all = () => place.replaceChildren(made(rows));
  place.append(make("button", { type: "button", onclick: all }, `Show all ${rows.length} changes`));
  return place;
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

const LYE = [
  ["top_up", "Water poured in", "millilitres", "mL, as in 200"],
  ["drawn_off", "Lye drawn off", "millilitres", "mL, as in 50"],
  ["strength", "Strength measured", "percent", "% by mass, as in 22.5"],
  ["density", "Density measured", "density_kg_m3", "kg/m³, as in 1185"],
  ["level", "Level below its start", "below_start_ml", "mL, as in 150"],
];

/** A form for what was poured into the lye or measured of it: numbers, which the words of a note are not. */
export function lyeForm(id, { suggest, done }) {
  const who = nameField();
  const field = (label, attributes = {}) => {
    const input = make("input", { id: freshId("lye"), type: "text", maxlength: 12, ...attributes });
    return { input, root: make("div", { class: "field" }, make("label", { for: input.id }, label), input) };
  };
  const time = field("Elapsed time", { inputmode: "numeric", placeholder: "1:02:09" });
  const kind = make(
    "select",
    { id: freshId("lye") },
    ...LYE.map(([value, label]) => make("option", { value }, label)),
  );
  const amount = field(`How much, ${LYE[0][3]}`, { inputmode: "decimal" });
  const error = field("Give or take (may be empty)", { inputmode: "decimal" });
  const temp = field("Lye at, °C", { inputmode: "decimal" });
  const chosen = () => LYE.find(([value]) => value === kind.value);
  const shape = () => {
    amount.root.querySelector("label").textContent = `How much, ${chosen()[3]}`;
    temp.root.hidden = !["density", "level"].includes(kind.value);
  };
  kind.addEventListener("change", shape);
  shape();
  time.input.addEventListener("focus", () => {
    if (!time.input.value) time.input.value = clock(suggest());
  });
  const message = outcome();
  const button = make("button", { type: "submit" }, "Note it");
  const form = make(
    "form",
    { class: "stack", novalidate: true, "aria-label": "Lye poured in or measured" },
    make("div", { class: "field" }, make("label", { for: kind.id }, "What"), kind),
    make("div", { class: "pair" }, amount.root, error.root),
    make("div", { class: "pair" }, time.root, temp.root),
    who.root,
    button,
    message,
  );
  const typed = (input) => {
    const text = input.value.trim().replace(",", ".");
    return text === "" ? null : Number(text);
  };
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const needed = [
      [time.input, "Give the elapsed time."],
      [amount.input, `Give the number: ${chosen()[3]}.`],
      [who.input, "Give your name: the run keeps who did it."],
    ];
    if (kind.value === "density") needed.push([temp.input, "Give the lye's temperature at the hydrometer."]);
    if (!filled(needed, message)) return;
    const t = seconds(time.input.value);
    if (t === null) {
      refuse(time.input, "Write the time as 1:02:09, 12:30 or plain seconds.", message);
      return;
    }
    for (const { input } of [amount, error, temp]) {
      if (Number.isNaN(typed(input))) {
        refuse(input, "Write a number, as in 200.", message);
        return;
      }
    }
    const [what, , key] = chosen();
    const share = key === "percent" ? 0.01 : 1;
    const name = key === "percent" ? "mass_fraction" : key;
    const errorName = { density_kg_m3: "density_error", below_start_ml: "below_start_error" }[name] ?? `${name}_error`;
    const body = { what, who: who.input.value.trim(), t_s: t, [name]: share * typed(amount.input) };
    if (typed(error.input) !== null) body[errorName] = share * typed(error.input);
    if (!temp.root.hidden && typed(temp.input) !== null) body.temp_c = typed(temp.input);
    const sent = () => send(path`/api/runs/${id}/lye`, body);
    if (await act(button, message, "Noting …", sent, ({ message: words }) => `${words}.`)) {
      amount.input.value = error.input.value = temp.input.value = time.input.value = "";
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
