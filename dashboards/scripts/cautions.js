// The cautions: open the first time in this browser, then as the reader left them. The page's own words stand until the
// service gives the bench's.

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

/** Tie the folding of `details` to this browser's memory, and take over the bench's own list. */
export function keepCautions(details, list, cautions) {
  details.open = recall("cautions", "open") !== "folded";
  details.addEventListener("toggle", () => remember("cautions", details.open ? "open" : "folded"));
  if (cautions?.length) list.replaceChildren(...cautions.map((text) => make("li", {}, text)));
}
