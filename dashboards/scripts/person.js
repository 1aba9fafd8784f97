// Who is at the bench. Asked once, remembered in this browser, and sent with everything that a person decides.

import { freshId, make, recall, remember } from "./dom.js";

const fields = new Set();
const MOST_NAMES = 6;

/** The names that were given on this device, the last one first. */
export function knownNames() {
  try {
    return JSON.parse(recall("names", "[]")).filter((name) => typeof name === "string");
  } catch {
    return []; // what stands there is no list: nothing is lost by asking again
  }
}

/** Be that person on this device from now on. */
export function be(name) {
  const given = name.trim();
  if (!given) return;
  remember("name", given);
  remember("names", JSON.stringify([given, ...knownNames().filter((other) => other !== given)].slice(0, MOST_NAMES)));
  for (const field of fields) field.value = given;
}

let asking = null;
/** Ask who is at the bench, over whatever is on the screen; gives the name, or "" where none is given. */
export function askWho() {
  asking ??= ask().finally(() => (asking = null));
  return asking;
}

/** The name to act under: the known one, or the one that is given when asked. "" is nobody: then nothing is done. */
export async function who() {
  return knownName() || askWho();
}

function ask() {
  return new Promise((done) => {
    const id = freshId("name");
    const input = make("input", { id, type: "text", autocomplete: "name", maxlength: 60 });
    input.value = knownName();
    const choose = (name) => {
      be(name);
      view.close();
    };
    const form = make(
      "form",
      { class: "row", novalidate: true },
      make("div", { class: "field" }, make("label", { for: id }, "Your name"), input),
      make("button", { type: "submit" }, "That is me"),
    );
    let given = "";
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      given = input.value.trim();
      if (given) choose(given);
      else input.focus();
    });
    const quick = knownNames().map((name) =>
      make("button", { type: "button", onclick: () => choose((given = name)) }, name),
    );
    const view = make(
      "dialog",
      { class: "sheet-up", "aria-labelledby": `${id}-title` },
      make("h2", { id: `${id}-title` }, "Who is at the bench?"),
      make("p", { class: "quiet" }, "Asked once on this device: the log keeps who did what."),
      quick.length > 0 && make("div", { class: "quick" }, ...quick),
      form,
      make("button", { type: "button", class: "quiet-button", onclick: () => view.close() }, "Not now"),
    );
    view.addEventListener("close", () => {
      view.remove();
      done(given);
    });
    document.body.append(view);
    view.showModal();
    (quick[0] ?? input).focus();
  });
}

/** A labelled field for the name; all such fields of the page hold the same name. */
export function nameField({ label = "Your name" } = {}) {
  const id = freshId("name");
  const input = make("input", { id, type: "text", autocomplete: "name", maxlength: 60, required: true });
  input.value = recall("name");
  input.addEventListener("input", () => {
    remember("name", input.value.trim());
    for (const other of fields) if (other !== input) other.value = input.value;
  });
  input.addEventListener("change", () => be(input.value));
  fields.add(input);
  return { root: make("div", { class: "field" }, make("label", { for: id }, label), input), input };
}

/** A field that is no longer in the page. */
export function forget(input) {
  fields.delete(input);
}

/** The remembered name, or "". */
export function knownName() {
  return recall("name").trim();
}

/**
 * Check required fields; the first empty one gets the focus and a sentence beside it.
 * `needs` is a list of [input, sentence]. Returns whether all are filled.
 */
export function filled(needs, message) {
  for (const [input] of needs) input.removeAttribute("aria-invalid");
  for (const [input, text] of needs) {
    if (input.type === "checkbox" ? input.checked : input.value.trim()) continue;
    refuse(input, text, message);
    return false;
  }
  message.textContent = "";
  delete message.dataset.level;
  return true;
}

/** Say what is wrong with a field, and go there. */
export function refuse(input, text, message) {
  input.setAttribute("aria-invalid", "true");
  input.setAttribute("aria-describedby", message.id);
  message.textContent = text;
  message.dataset.level = "high";
  input.focus();
}

/** A line for the outcome of a form. */
export function outcome() {
  return make("p", { class: "outcome", role: "status", id: freshId("outcome") });
}

/** Run an action from a button: no second press meanwhile, and its outcome in words. */
export async function act(button, message, doing, action, done) {
  if (button.getAttribute("aria-disabled") === "true") return false;
  button.setAttribute("aria-disabled", "true"); // disabled would lose the keyboard's place
  message.textContent = doing;
  delete message.dataset.level;
  try {
    const answer = await action();
    message.textContent = typeof done === "function" ? done(answer) : done;
    return true;
  } catch (error) {
    message.textContent = error.message;
    message.dataset.level = "high";
    return false;
  } finally {
    button.removeAttribute("aria-disabled");
  }
}
