// Alarms heard: a burst of tones for each priority, repeated until somebody acknowledges. The more urgent, the more pulses, the
// quicker and the sooner again, in the manner of IEC 60601-1-8, so that one can tell them from the next room.

import { isOpen, rank } from "./alarm_words.js";
import { freshId, make, recall, remember, say, show, tag } from "./dom.js";

/** Of each priority: the starts of its pulses [s], their frequencies [Hz], and after how long it comes again [s]. */
export const BURSTS = {
  critical: { at: [0, 0.2, 0.4, 0.8, 1.0, 1.5, 1.7, 1.9, 2.3, 2.5], hertz: [880, 988], again_s: 5 },
  high: { at: [0, 0.3, 0.6], hertz: [659, 784, 988], again_s: 8 },
  medium: { at: [0, 0.5], hertz: [523, 659], again_s: 20 },
  low: { at: [0], hertz: [440], again_s: 60 },
};
const PULSE_S = 0.15;
const RAMP_S = 0.015; // a tone that begins at once clicks
const LOUD = 0.5;

/** What is to be heard: the most urgent alarm that waits for a person; lost data and a cut count as such. */
export function wanted(state, fresh) {
  if (!state) return null;
  const open = state.standing.filter(isOpen).sort((a, b) => rank(a) - rank(b))[0];
  if (open) return { key: `${open.alarm} ${open.since_utc}`, priority: open.priority, words: open.title };
  if (!fresh.live) return { key: "lost", priority: "high", words: "This page hears nothing of the bench" };
  return null;
}

/** The page's voice, with its switch and a test. */
export class Sound {
  constructor(place) {
    const id = freshId("sound");
    this.on = recall("sound", "on") === "on";
    this.box = make("input", { id, type: "checkbox" });
    this.box.checked = this.on;
    this.test = make("button", { type: "button" }, "Try the sound");
    this.notify = make("button", { type: "button" }, "Notify on this device");
    this.words = make("p", { class: "sound-words", role: "status" });
    place.append(
      make(
        "div",
        { class: "sound" },
        make("label", { for: id }, this.box, make("span", {}, "Alarms sound here")),
        make("details", {}, make("summary", {}, "More"), this.test, this.notify),
      ),
      this.words,
    );
    this.context = null;
    this.heard = null; // what sounds now
    this.timer = null;
    this.told = new Set(); // alarms that were notified
    this.first = true;
    this.box.addEventListener("change", () => {
      this.on = this.box.checked;
      remember("sound", this.on ? "on" : "off");
      this.#begin();
    });
    this.test.addEventListener("click", async () => {
      await this.#wake();
      this.#burst("high");
      this.#silence();
    });
    this.notify.addEventListener("click", async () => {
      await Notification.requestPermission();
      this.#silence();
    });
    // A browser lets a page sound only after it was touched.
    for (const kind of ["pointerdown", "keydown"])
      addEventListener(kind, () => this.#wake(), { capture: true });
    if (navigator.userActivation?.hasBeenActive || navigator.getAutoplayPolicy?.("audiocontext") === "allowed")
      this.#wake();
    this.#silence();
  }

  /** Follow a state: begin, change or end what sounds. */
  tell(state, fresh) {
    const now = wanted(state, fresh);
    if (state) this.#tellDevice(state);
    if ((now?.key ?? null) === (this.heard?.key ?? null) && now?.priority === this.heard?.priority) return;
    this.heard = now;
    this.#begin();
  }

  #begin() {
    clearTimeout(this.timer);
    this.timer = null;
    this.#silence();
    if (!this.heard || !this.on) return;
    const { priority } = this.heard;
    this.#burst(priority);
    // Refused, with a complaint, on a page that was never touched.
    if (navigator.userActivation?.hasBeenActive !== false) navigator.vibrate?.(BURSTS[priority].at.flatMap(() => [150, 100]));
    this.timer = setTimeout(() => this.#begin(), 1000 * BURSTS[priority].again_s);
  }

  #burst(priority) {
    if (this.context?.state !== "running") return;
    const { at, hertz } = BURSTS[priority];
    const begin = this.context.currentTime + 0.02;
    at.forEach((after, i) => {
      const tone = this.context.createOscillator();
      const level = this.context.createGain();
      tone.frequency.value = hertz[i % hertz.length];
      level.gain.setValueAtTime(0, begin + after);
      level.gain.linearRampToValueAtTime(LOUD, begin + after + RAMP_S);
      level.gain.setValueAtTime(LOUD, begin + after + PULSE_S - RAMP_S);
      level.gain.linearRampToValueAtTime(0, begin + after + PULSE_S);
      tone.connect(level).connect(this.context.destination);
      tone.start(begin + after);
      tone.stop(begin + after + PULSE_S);
    });
  }

  async #wake() {
    const asleep = this.context?.state !== "running";
    try {
      this.context ??= new AudioContext();
      // Without a touch this promise stays open; it is not waited for longer than that takes to show.
      if (asleep) await Promise.race([this.context.resume(), new Promise((done) => setTimeout(done, 300))]);
    } catch {
      this.context = null; // no sound card, or no leave: said below
    }
    if (asleep && this.context?.state === "running" && this.heard) this.#begin();
    else this.#silence();
  }

  /** Say when nothing would be heard: a silent page must not pass for a quiet bench. */
  #silence() {
    const mute = this.context?.state !== "running";
    const words = !this.on
      ? "Sound is off on this device."
      : mute
        ? "This page can not sound until you touch it."
        : "";
    say(this.words, words);
    tag(this.words, "level", words ? "medium" : "");
    show(this.notify, "Notification" in window && isSecureContext && Notification.permission === "default");
  }

  /** A notification of the device for each new alarm that waits, while nobody looks at the page. */
  #tellDevice({ standing }) {
    const open = standing.filter(isOpen);
    const may = "Notification" in window && Notification.permission === "granted";
    for (const row of open) {
      const key = `${row.alarm} ${row.since_utc}`;
      if (this.told.has(key)) continue;
      this.told.add(key);
      if (may && document.hidden && !this.first)
        new Notification(row.title, { body: row.do, tag: row.alarm, requireInteraction: rank(row) === 0 });
    }
    this.first = false;
  }
}
