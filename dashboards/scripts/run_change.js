// The form that changes a run: its name, its build, a note; or takes it out of the list.

import { path, send } from "./api.js";
import { freshId, make } from "./dom.js";
import { act, filled, nameField, outcome } from "./person.js";

/** The form of a run for a dialog. `saved(changed)`, `deleted()` and `cancelled()` say how it ended. */
export function changeForm(run, { saved, deleted, cancelled }) {
  const who = nameField();
  const nameId = freshId("name-of-run");
  const name = make("input", { id: nameId, type: "text", maxlength: 80, required: true });
  const buildId = freshId("build-of-run");
  const build = make("input", { id: buildId, type: "text", maxlength: 80 });
  const noteId = freshId("note-of-run");
  const note = make("textarea", { id: noteId, rows: 4, maxlength: 4000 });
  name.value = run.name ?? "";
  build.value = run.build ?? "";
  note.value = run.note ?? "";
  const message = outcome();
  const save = make("button", { type: "submit" }, "Save");
  const remove = make("button", { type: "button" }, "Delete this run");
  const cancel = make("button", { type: "button", class: "quiet-button", onclick: cancelled }, "Cancel");
  const form = make(
    "form",
    { class: "stack", novalidate: true },
    make("h2", { id: "change-title" }, `Change ${run.name || run.id}`),
    make("div", { class: "field" }, make("label", { for: nameId }, "Name of the run"), name),
    make("div", { class: "field" }, make("label", { for: buildId }, "Build of the stack"), build),
    make("div", { class: "field" }, make("label", { for: noteId }, "Note"), note),
    who.root,
    make("p", { class: "run-links" }, save, cancel, remove),
    message,
  );
  const who_is_it = [who.input, "Give your name."];
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!filled([[name, "A run needs a name."], who_is_it], message)) return;
    const body = { name: name.value.trim(), note: note.value.trim(), who: who.input.value.trim() };
    if (build.value.trim()) body.build = build.value.trim();
    const send_it = () => send(path`/api/runs/${run.id}`, body, { method: "PATCH" });
    if (await act(save, message, "Saving …", send_it, "Saved.")) {
      const { who: _who, ...changed } = body;
      saved(changed);
    }
  });
  remove.addEventListener("click", async () => {
    if (!filled([who_is_it], message)) return;
    const send_it = () => send(path`/api/runs/${run.id}/delete`, { who: who.input.value.trim() });
    if (await act(remove, message, "Deleting …", send_it, "Deleted.")) deleted();
  });
  return form;
}
