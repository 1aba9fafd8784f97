// Every number and state opens a short text: what it is, how it is reckoned, what is good. One glossary for all pages.

import { get } from "./api.js";
import { make } from "./dom.js";

let asked = null; // the glossary, once it has been asked for
const glossary = () => {
  asked ??= get("/api/glossary").then(({ entries }) => new Map(entries.map((entry) => [entry.key, entry])));
  asked.catch(() => (asked = null)); // the next press asks again
  return asked;
};

let dialog = null;

function place() {
  if (dialog) return dialog;
  dialog = make("dialog", { class: "explained", "aria-labelledby": "explained-title" });
  // A press beside the text closes it, as Escape does.
  dialog.addEventListener("click", (event) => event.target === dialog && dialog.close());
  document.body.append(dialog);
  return dialog;
}

/** Open a text: a title, and paragraphs of [heading, words]. */
export function openText(title, paragraphs) {
  const shown = place();
  shown.replaceChildren(
    make("h2", { id: "explained-title" }, title),
    make(
      "dl",
      {},
      ...paragraphs
        .filter(([, words]) => words)
        .map(([heading, words]) => make("div", {}, make("dt", {}, heading), make("dd", {}, words))),
    ),
    make("button", { type: "button", onclick: () => shown.close() }, "Close"),
  );
  shown.showModal();
}

async function open(key, label) {
  try {
    const entry = (await glossary()).get(key);
    if (!entry) throw new Error("The glossary has no such word.");
    openText(entry.title, [
      ["What it is", entry.what],
      ["How it is reckoned", entry.how],
      ["What is good", entry.good],
    ]);
  } catch (error) {
    openText(label, [["No text", error.message]]);
  }
}

/** The label as a button that explains it; what it says is its name, so that a screen reader reads no sign. */
export function explained(label, key) {
  return make(
    "button",
    { type: "button", class: "explain", "aria-haspopup": "dialog", onclick: () => open(key, label) },
    label,
  );
}

/** The key of a phase or an alarm's state in the glossary. */
export const wordKey = (words) => String(words).toLowerCase().replaceAll(/[^a-z]+/g, "_");
