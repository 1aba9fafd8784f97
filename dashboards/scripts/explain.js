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
  // A popover and no modal dialog: the page behind it stays alive, so that the supply can be cut and an alarm is spoken
  // while somebody reads. A press beside the text closes it, as Escape does.
  dialog = make("dialog", { class: "explained", popover: "auto", "aria-labelledby": "explained-title" });
  if (!dialog.showPopover) dialog.addEventListener("click", (event) => event.target === dialog && dialog.close());
  document.body.append(dialog);
  return dialog;
}

/** Close the text, where one is open. */
export function closeText() {
  if (!dialog) return;
  if (dialog.hidePopover) dialog.hidePopover();
  else dialog.close();
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
    make("button", { type: "button", onclick: closeText }, "Close"),
  );
  if (!shown.showPopover) {
    shown.showModal(); // browsers of before 2024
    return;
  }
  shown.showPopover();
  shown.querySelector("button").focus({ preventScroll: true }); // a long text begins at its head
  shown.scrollTop = 0;
}

async function open(key, label, now) {
  try {
    const entry = (await glossary()).get(key);
    if (!entry) throw new Error("The glossary has no such word.");
    openText(entry.title, [
      ["Now", now],
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
  return explains(() => key, {}, label);
}

/**
 * A button around `children` that explains what they show. `keyOf` gives the key at the press, since a state changes;
 * `now`, where given, gives the words of now.
 */
export function explains(keyOf, { className = "", now = () => "" } = {}, ...children) {
  const button = make(
    "button",
    { type: "button", class: `explain ${className}`.trim(), "aria-haspopup": "dialog" },
    ...children,
  );
  button.addEventListener("click", () => open(keyOf(), button.textContent.trim(), now()));
  return button;
}

/** The key of a phase or an alarm's state in the glossary. */
export const wordKey = (words) => String(words).toLowerCase().replaceAll(/[^a-z]+/g, "_");
