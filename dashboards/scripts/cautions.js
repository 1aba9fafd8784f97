// The cautions: open the first time in this browser; once read they fold to a line, and stay as the reader left them. The
// page's own words stand until the service gives the bench's.

import { make, recall, remember } from "./dom.js";

/** Before restoring the supply, where the service gives none. */
export const BEFORE_RESTORING = [
  "Look at the bench first: leaks, boiling, foam, softened plastic, lye level.",
  "Know why it was cut. What comes back is a fault, not a nuisance.",
  "Air the room: the gas is hydrogen and oxygen already mixed, and a spark too small to see sets it off.",
  "Goggles and gloves on: hot lye burns skin and blinds eyes.",
  "The supply can start fires. Software is never the only protection.",
  "Local codes come first; mains work is for a licensed electrician.",
];

/** Tie the folding of `details` to this browser's memory. */
export function keepFolding(details) {
  const note = (folded) => remember("cautions", folded ? "folded" : "open");
  // A reader may be quicker than this script: what he folded stays folded.
  if (!details.open) note(true);
  else if (recall("cautions", "open") === "folded") details.open = false;
  // At the click, and not at the later toggle event, which leaving the page at once would lose.
  const summary = details.querySelector("summary");
  summary.addEventListener("click", () => note(details.open));
  details.querySelector(".read").addEventListener("click", () => {
    note(true);
    details.open = false;
    summary.focus({ preventScroll: true });
  });
}

/** Put the bench's own cautions, where the service gives some, in place of the page's. */
export function takeOver(list, cautions) {
  if (cautions?.length) list.replaceChildren(...cautions.map((text) => make("li", {}, text)));
}
