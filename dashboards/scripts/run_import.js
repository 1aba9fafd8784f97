// A log becomes a run: a CSV file of this device, sent as it is. What is wrong with it is named by place, value, remedy.

import { Refused, sendFile } from "./api.js";
import { freshId, make } from "./dom.js";
import { count, span } from "./format.js";
import { act, outcome, refuse } from "./person.js";

/** The form; `done()` is called once the run is there. */
export function importForm(done) {
  const fileId = freshId("log");
  const file = make("input", { id: fileId, type: "file", accept: ".csv,.txt,.tsv,text/csv" });
  const nameId = freshId("log-name");
  const name = make("input", { id: nameId, type: "text", maxlength: 120, placeholder: "the file's name" });
  const buildId = freshId("log-build");
  const build = make("input", { id: buildId, type: "text", maxlength: 80, placeholder: "the bench file's" });
  const message = outcome();
  const notes = make("ul", { class: "help" });
  const button = make("button", { type: "submit" }, "Bring it in");
  const form = make(
    "form",
    { class: "stack", novalidate: true, "aria-label": "Bring in a log" },
    make(
      "p",
      { class: "quiet" },
      "A CSV file with a heading for each column, named as the bench file names its channels, and a column of time. It is reviewed and watched as if it had been live.",
    ),
    make("div", { class: "field" }, make("label", { for: fileId }, "Log, as CSV"), file),
    make(
      "div",
      { class: "pair" },
      make("div", { class: "field" }, make("label", { for: nameId }, "Name of the run"), name),
      make("div", { class: "field" }, make("label", { for: buildId }, "Build of the stack"), build),
    ),
    button,
    message,
    notes,
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    notes.replaceChildren();
    const [log] = file.files;
    if (!log) {
      refuse(file, "Choose a file first.", message);
      return;
    }
    file.removeAttribute("aria-invalid");
    const query = new URLSearchParams({ file: log.name, name: name.value.trim(), build: build.value.trim() });
    const send = async () => {
      const answer = await sendFile(`/api/import?${query}`, log);
      if (!answer.run) throw new Refused("The service did not say which run it became.");
      return answer;
    };
    const said = ({ rows, duration_s: seconds, alarms }) =>
      `Brought in: ${count(rows, "row")} over ${span(seconds)}, ${count(alarms, "alarm")}.`;
    let answer = null;
    const taken = await act(button, message, "Being read and watched …", async () => (answer = await send()), said);
    if (!taken) return;
    message.append(" ", make("a", { href: `/runs/${encodeURIComponent(answer.run)}` }, "Open the run"));
    notes.replaceChildren(...answer.notes.map((text) => make("li", {}, text)));
    file.value = "";
    done();
  });
  return form;
}
