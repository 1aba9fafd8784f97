// The first run: a bench file is brought or written, checked, and kept; then the bench's own page comes.

import { get, send } from "./api.js";
import { byId, say } from "./dom.js";
import { act, refuse } from "./person.js";

const LOOK_MS = 1000;
const text = byId("text");
const outcome = byId("outcome");
let example = "";

/** The page of the bench, once it is there: the first run's own service is gone by then. */
async function awaitBench() {
  try {
    await get("/api/state");
    location.href = "/";
  } catch {
    setTimeout(awaitBench, LOOK_MS);
  }
}

byId("bring").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (file) text.value = await file.text();
});
byId("example").addEventListener("click", () => {
  text.value = example;
  text.focus();
});
byId("write").addEventListener("submit", async (event) => {
  event.preventDefault();
  text.removeAttribute("aria-invalid");
  if (!text.value.trim()) {
    refuse(text, "Bring a bench file, write one, or start from the example.", outcome);
    return;
  }
  const kept = ({ bench, file }) => `${bench} is kept as ${file}. Its page comes in a moment …`;
  const button = event.target.querySelector("[type=submit]");
  if (await act(button, outcome, "Being checked …", () => send("/api/first-run", { text: text.value }), kept))
    awaitBench();
  else text.setAttribute("aria-invalid", "true");
});

const told = await get("/api/first-run");
say(byId("file"), told.file);
({ example } = told);
