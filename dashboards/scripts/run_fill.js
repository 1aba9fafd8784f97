// A timed fill marked afterwards: from the instant the vessel began to fill to the one at which it was full.

import { send, path } from "./api.js";
import { freshId, make, recall, remember } from "./dom.js";
import { presentText } from "./format.js";
import { act, nameField, outcome, refuse } from "./person.js";

/** A field for a number, remembered in this browser where `key` is given. */
function number(label, key) {
  const id = freshId("fill");
  const input = make("input", { id, type: "text", inputmode: "decimal", maxlength: 12 });
  if (key) input.value = recall(key);
  return { input, root: make("div", { class: "field" }, make("label", { for: id }, label), input) };
}

const typed = (input) => {
  const text = input.value.trim().replace(",", ".");
  return text === "" ? null : Number(text);
};

/** The form; `shown` gives the stretch on the charts as {from, to} in seconds. */
export function fillForm(id, { shown }) {
  const from = number("Began at, s");
  const to = number("Full at, s");
  const volume = number("Volume, mL", "fill-volume");
  const temp = number("Gas in the vessel, °C");
  const who = nameField();
  const message = outcome();
  const take = make(
    "button",
    {
      type: "button",
      class: "quiet-button",
      onclick: () => {
        const stretch = shown();
        from.input.value = stretch.from.toFixed(1);
        to.input.value = stretch.to.toFixed(1);
      },
    },
    "Take the stretch shown",
  );
  const button = make("button", { type: "submit" }, "Keep this fill");
  const form = make(
    "form",
    { class: "stack", novalidate: true, "aria-label": "Add a timed fill" },
    take,
    make("div", { class: "pair" }, from.root, to.root),
    make("div", { class: "pair" }, volume.root, temp.root),
    who.root,
    button,
    message,
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const said = {};
    for (const [key, field, words, needed] of [
      ["from_s", from, "Give the run's second at which the vessel began to fill.", true],
      ["to_s", to, "Give the run's second at which it was full.", true],
      ["volume_ml", volume, "Give the volume in mL, as in 500.", true],
      ["gas_temp_c", temp, "Give the temperature in °C, or leave it empty for the room's.", false],
    ]) {
      const value = typed(field.input);
      field.input.removeAttribute("aria-invalid");
      if (Number.isNaN(value) || (needed && value === null)) {
        refuse(field.input, words, message);
        return;
      }
      if (value !== null) said[key] = value;
    }
    if (!(said.to_s > said.from_s)) {
      refuse(to.input, "The fill ends before it begins.", message);
      return;
    }
    remember("fill-volume", volume.input.value.trim());
    let fill = null;
    const keep = async () => {
      fill = (await send(path`/api/runs/${id}/fills`, { ...said, who: who.input.value.trim() })).fill;
    };
    if (await act(button, message, "Working it out …", keep, "Kept in the logbook."))
      message.textContent = `Kept in the logbook: MMW dry ${presentText(fill.numbers.mmw_dry_ref, "mmw_dry_ref")}.`;
  });
  return form;
}
