// Cutting the supply and restoring it. Cutting takes one press and no question; restoring takes a person, a reason and
// their word that the cause is gone.

import { send } from "./api.js";
import { byId, freshId, make, say, show, tag } from "./dom.js";
import { moment, plain, wall, withUnit } from "./format.js";
import { act, filled, knownName, nameField, outcome } from "./person.js";
import { shape } from "./shapes.js";

const OWN_SWITCH = "Use the supply's own switch.";
const NO_ANSWER_MS = 1500;
const RELAY_WAIT_MS = 3000;

/** The button that cuts the supply, with its reason and the sentence that says what became of it. */
export class CutButton {
  constructor(place) {
    const id = freshId("reason");
    this.reason = make("input", { id, type: "text", maxlength: 200 });
    this.words = make("p", { class: "cut-words", role: "alert" });
    this.button = make(
      "button",
      { type: "button", class: "cut", onclick: () => this.#cut() },
      shape("cut"),
      (this.label = make("span", {}, "Cut the supply now")),
    );
    place.append(
      make("div", { class: "field cut-reason" }, make("label", { for: id }, "Reason, if any"), this.reason),
      this.button,
      this.words,
    );
    this.asked = null;
  }

  async #cut() {
    if (this.button.getAttribute("aria-disabled") === "true") return; // seen to be cut
    // Until then pressing again is allowed: a second request does no harm, a dead button might.
    const at = Date.now();
    this.asked = at;
    const still = () => this.asked === at;
    say(this.words, "Cutting the supply …");
    const late = setTimeout(() => still() && say(this.words, `No answer yet. ${OWN_SWITCH}`), NO_ANSWER_MS);
    try {
      await send("/api/trip", {
        who: knownName() || "someone at the page",
        reason: this.reason.value.trim(),
      });
      if (!still()) return;
      say(this.words, "Cut asked for; waiting for the relay.");
      setTimeout(
        () => still() && say(this.words, `The relay has not answered. ${OWN_SWITCH}`),
        RELAY_WAIT_MS,
      );
    } catch (error) {
      if (still()) say(this.words, `The cut did not get through. ${OWN_SWITCH} ${error.message}`);
    } finally {
      clearTimeout(late);
    }
  }

  /**
   * Follow the state. Once the readings show the supply cut there is nothing more to cut; while they are not of now
   * (`current`), or current still flows, the button stays alive.
   */
  tell(state, current = true) {
    const isCut = current && state.supply.state === "tripped";
    say(this.label, isCut ? "Supply is cut" : "Cut the supply now");
    if (isCut) this.button.setAttribute("aria-disabled", "true");
    else this.button.removeAttribute("aria-disabled");
    if (this.asked === null || state.supply.state !== "tripped") return;
    this.asked = null;
    this.reason.value = "";
    say(this.words, "");
  }
}

/** What cut the supply, and the way back. */
export class TripPanel {
  constructor(root, cautions) {
    this.root = root;
    this.title = make("h2", { id: "trip-title" });
    this.cause = make("p", { class: "trip-cause" });
    this.facts = make("p", { class: "trip-facts" });
    this.value = make("span", { class: "trip-value" });
    this.trend = make("span", { class: "trip-trend" });
    this.now = make("p", { class: "trip-now" }, make("span", {}, "Lye now"), " ", this.value, " ", this.trend);
    this.later = make("ul", { class: "trip-later" });
    this.laterKey = "";
    const name = nameField();
    const reasonId = freshId("why");
    const reason = make("input", { id: reasonId, type: "text", maxlength: 200, required: true });
    const tickId = freshId("gone");
    const tick = make("input", { id: tickId, type: "checkbox", required: true });
    const message = outcome();
    const button = make("button", { type: "submit" }, "Restore the supply");
    const form = make(
      "form",
      { class: "trip-form", novalidate: true, "aria-labelledby": "restore-title" },
      make("h3", { id: "restore-title" }, "Restoring it"),
      name.root,
      make(
        "div",
        { class: "field" },
        make("label", { for: reasonId }, "What was wrong, and what was done"),
        reason,
      ),
      make(
        "div",
        { class: "tick" },
        tick,
        make("label", { for: tickId }, "I looked at the bench, and the cause is gone"),
      ),
      button,
      message,
    );
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const needs = [
        [name.input, "Give your name: the log keeps who restored the supply."],
        [reason, "Say what was wrong and what was done."],
        [tick, "Tick that the cause is gone, or leave the supply cut."],
      ];
      if (!filled(needs, message)) return;
      const body = { who: name.input.value.trim(), reason: reason.value.trim(), cause_gone: true };
      const done = await act(
        button,
        message,
        "Asking to restore …",
        () => send("/api/reset", body),
        "Asked to restore; the reader looks at the cause first.",
      );
      if (done) {
        reason.value = "";
        tick.checked = false;
      }
    });
    this.message = message;
    root.append(
      make(
        "div",
        { class: "trip-head" },
        shape("critical"),
        make("div", {}, this.title, this.now, this.cause, this.facts, this.later),
      ),
      make(
        "div",
        { class: "trip-body" },
        make(
          "div",
          { class: "trip-cautions" },
          make("h3", {}, "Before you restore it"),
          make("ul", {}, ...cautions.map((text) => make("li", {}, text))),
        ),
        form,
      ),
    );
  }

  /** How warm the lye is now and how fast it falls; `current` is whether that is of now. */
  tellLye({ value, unit, trend }, current) {
    say(this.value, withUnit(value, unit));
    say(this.trend, current ? trend : "last heard");
    tag(this.now, "live", current ? "" : "no");
  }

  /** Show the trip of the state, or nothing. */
  tell({ trip, supply }) {
    if (!trip) {
      // What had the focus goes: it must not fall back to the head of the page.
      if (this.root.contains(document.activeElement)) byId("bench-name").focus({ preventScroll: true });
      show(this.root, false);
      say(this.message, "");
      return;
    }
    // A trip asks for the cut; only what the bench measures shows that it happened.
    say(this.title, supply.state === "tripped" ? "The supply is cut" : supply.words);
    say(this.cause, `First cause: ${tripWords(trip)}`);
    const value = typeof trip.value === "number" && !trip.detail ? `value ${plain(trip.value, "")}` : "";
    const by = trip.by ? `cut by ${trip.by}` : "";
    say(this.facts, [value, by, moment(trip.utc)].filter(Boolean).join(" · "));
    const later = (trip.later ?? []).map((one) => `Then also, ${wall(one.utc)}: ${tripWords(one)}`);
    if (later.join("|") !== this.laterKey) {
      this.laterKey = later.join("|");
      this.later.replaceChildren(...later.map((text) => make("li", {}, text)));
    }
    show(this.later, later.length > 0);
    show(this.root, true);
  }
}

/** Why it tripped: the sentence that came with it, or else its code made readable. */
export function tripWords({ detail, cause }) {
  return detail || String(cause || "cause not known").replaceAll(/[_.]/g, " ");
}
