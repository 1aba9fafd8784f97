// Who is at the bench. Asked once, remembered in this browser, and sent with everything that a person decides.

import { freshId, make, recall, remember } from "./dom.js";

const fields = new Set();

/** A labelled field for the name; all such fields of the page hold the same name. */
export function nameField({ label = "Your name" } = {}) {
  const id = freshId("name");
  const input = make("input", { id, type: "text", autocomplete: "name", maxlength: 60, required: true });
  input.value = recall("name");
  input.addEventListener("input", () => {
    remember("name", input.value.trim());
    for (const other of fields) if (other !== input) other.value = input.value;
  });
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
