// The status band at the head of every page: four short sentences, each with a shape. Grey while all is normal.

import { isOpen, valueWords } from "./alarm_words.js";
import { readerGone } from "./blindness.js";
import { make, say, tag } from "./dom.js";
import { closeText, explains } from "./explain.js";
import { clock, span, wall } from "./format.js";
import { setShape } from "./shapes.js";
import { tripWords } from "./supply.js";

const PARTS = ["supply", "data", "alarms", "run"];

/** The glossary's key of what a part says. */
const KEYS = {
  supply: ({ supply, trip }, gone) =>
    supply.state === "tripped" ? "supply_tripped"
      : trip || gone || !["on", "off"].includes(supply.state) ? "supply_unknown"
        : `supply_is_${supply.state}`,
  data: ({ data, blind }, gone) =>
    gone || data.state === "stale" ? "data_stale" : readerGone({ blind }) || data.state !== "fresh" ? "data_none" : "data_fresh",
  alarms: ({ alarms }, gone) =>
    alarms.state === "clear" ? (gone ? "alarms_unknown" : "alarms_clear") : alarms.state === "unknown" ? "alarms_unknown" : "alarms_standing",
  run: (state, gone) =>
    state.run?.kind !== "run" ? "not_recording" : gone || readerGone(state) ? "recording_unknown" : "recording",
};

/** What each part says: {level, shape, words, more}. `level` is "" while normal. */
export function sentences(state, fresh, elapsed) {
  if (!state)
    return Object.fromEntries(
      PARTS.map((part) => [
        part,
        {
          level: "",
          shape: "unknown",
          words: {
            supply: "Supply not heard of yet",
            data: "Waiting for data",
            alarms: "Alarms not heard of yet",
            run: "Recording not heard of yet",
          }[part],
        },
      ]),
    );
  const gone = !fresh.live;
  return {
    supply: supplySays(state, gone),
    data: dataSays(state, fresh),
    alarms: alarmsSay(state, gone),
    run: runSays(state, gone || readerGone(state), elapsed),
  };
}

function supplySays({ supply, trip }, gone) {
  if (supply.state === "tripped" || trip)
    return { level: "critical", shape: "critical", words: supply.words || "Supply is cut" };
  if (gone)
    return {
      level: "medium",
      shape: "unknown",
      words: `Supply not known; it was ${{ on: "on", off: "off" }[supply.state] ?? "not known"}`,
    };
  if (supply.state === "unknown")
    return { level: "medium", shape: "unknown", words: supply.words || "Supply not known" };
  return { level: "", shape: supply.state === "off" ? "idle" : "plain", words: supply.words };
}

/** Seconds of silence, whole: a number that changed each tenth would be noise. */
const wholeSpan = (seconds) => (seconds < 60 ? `${Math.max(1, Math.floor(seconds))}\u202fs` : span(seconds));

function dataSays({ data, blind }, fresh) {
  if (!fresh.live) {
    const words = fresh.connected
      ? `Data are stale: nothing for ${wholeSpan(fresh.silent_s)}`
      : `No connection to the service since ${wall(fresh.since)}`;
    return { level: "high", shape: "high", words };
  }
  if (readerGone({ blind })) {
    const [words, ...more] = data.words.split(": "); // why has a line of its own
    return { level: "high", shape: "high", words, more: more.join(": ") };
  }
  if (data.state === "fresh") return { level: "", shape: "plain", words: data.words };
  return {
    level: data.state === "stale" ? "high" : "medium",
    shape: data.state === "stale" ? "high" : "unknown",
    words: data.words,
  };
}

function alarmsSay({ alarms }, gone) {
  if (alarms.state === "unknown") {
    const [words, ...more] = alarms.words.split(": "); // why has a line of its own
    return { level: "medium", shape: "unknown", words: `Alarms: ${words.toLowerCase()}`, more: more.join(": ") };
  }
  if (alarms.state !== "clear") {
    const [words, more = ""] = alarms.words.split(/:\s(.*)/s); // how many first; which is the worst has a line of its own
    return {
      level: alarms.worst ?? "high",
      shape: alarms.worst ?? "high",
      words,
      more,
      open: alarms.state === "unacknowledged",
    };
  }
  if (gone) return { level: "medium", shape: "unknown", words: "Alarms not known; they were clear" };
  return { level: "", shape: "plain", words: alarms.words };
}

function runSays({ run }, gone, elapsed) {
  if (!run || run.kind !== "run") return { level: "", shape: "idle", words: "Not recording" };
  return {
    level: "",
    shape: gone ? "unknown" : "recording",
    words: `${gone ? "Was recording" : "Recording"}, ${clock(elapsed ?? run.elapsed_s)}`,
    more: run.name || run.id,
  };
}

/** The band in the page's header. */
export class Band {
  constructor(header, here) {
    this.parts = {};
    this.keys = Object.fromEntries(PARTS.map((part) => [part, "not_heard"]));
    const list = make("ul", { class: "band-words", role: "list", "aria-label": "State of the bench" });
    for (const part of PARTS) {
      const holder = make("span", { class: "band-shape" });
      const words = make("span");
      const more = make("span", { class: "band-more" });
      const text = make("span", { class: "band-text" }, words, " ", more);
      const button = explains(() => this.keys[part], { className: "band-explain" }, holder, text);
      this.parts[part] = {
        root: make("li", { class: "band-part", id: `band-${part}` }, button),
        holder,
        words,
        more,
      };
      list.append(this.parts[part].root);
    }
    const link = (href, text) =>
      make(
        "a",
        { href, "aria-current": href === here ? (location.pathname === href ? "page" : "true") : null },
        text,
      );
    const nav = make(
      "nav",
      { class: "band-nav", "aria-label": "Pages" },
      link("/", "Live"),
      link("/runs", "Runs"),
      link("/builds", "Builds"),
      link("/fills", "Fills"),
    );
    this.cutPlace = make("div", { class: "cut-place" });
    this.soundPlace = make("section", { class: "sound-place", "aria-label": "Sound of alarms" });
    this.readingsPlace = make("div", { class: "now-place" });
    // Spoken: what changed in meaning, not each new digit.
    this.polite = make("p", { class: "spoken", role: "status" });
    this.urgent = make("p", { class: "spoken", role: "alert" });
    const row = make("div", { class: "band-row" }, nav, list, this.cutPlace);
    header.append(row, this.readingsPlace, this.polite, this.urgent);
    // On a low screen the row may scroll away and the readings stay; the styles need to know how high it is.
    const measure = () => header.style.setProperty("--band-row", `${row.offsetHeight}px`);
    new ResizeObserver(measure).observe(row);
    const foot = () => document.documentElement.style.setProperty("--foot", `${this.cutPlace.offsetHeight}px`);
    new ResizeObserver(foot).observe(this.cutPlace);
    header.after(this.soundPlace); // not in the band: it would take a phone's first screen
    this.spokenKey = null;
    this.urgentKey = null;
    this.named = new Set(); // alarms that were spoken by name
  }

  /** Show a state. */
  tell(state, fresh, elapsed) {
    const said = sentences(state, fresh, elapsed);
    for (const part of PARTS) {
      const { root, holder, words, more } = this.parts[part];
      setShape(holder, said[part].shape);
      say(words, said[part].words);
      say(more, said[part].more ?? "");
      tag(root, "level", said[part].level);
      tag(root, "open", said[part].open ? "yes" : "");
    }
    if (!state) return;
    for (const part of PARTS) this.keys[part] = KEYS[part](state, !fresh.live);
    this.#speak(state, fresh, said);
  }

  #speak(state, fresh, said) {
    const key = [
      (state.blind ?? []).map(({ part }) => part).join(),
      state.supply.state,
      fresh.live && state.data.state,
      fresh.connected,
      state.alarms.state,
      state.alarms.count,
      state.run?.id,
    ].join("|");
    if (key !== this.spokenKey) {
      const first = this.spokenKey === null;
      this.spokenKey = key;
      // The elapsed time is left out: it is old before it is spoken.
      const run = `${said.run.words.replace(/, [\d:]+$/, "")} ${said.run.more ?? ""}`;
      if (!first) say(this.polite, [said.supply.words, said.data.words, state.alarms.words, run].join(". "));
    }
    const open = state.standing.filter(isOpen);
    const newcomers = open.filter(({ alarm, since_utc }) => !this.named.has(`${alarm} ${since_utc}`));
    this.named = new Set(open.map(({ alarm, since_utc }) => `${alarm} ${since_utc}`));
    const urgent = newcomers.filter(({ priority }) => ["critical", "high"].includes(priority));
    const trip = state.trip ? `${state.trip.utc} ${state.supply.state}` : "";
    if (trip !== this.urgentKey || urgent.length) {
      const cut = state.trip && trip !== this.urgentKey ? `${state.supply.words}. Cause: ${tripWords(state.trip)}. ` : "";
      this.urgentKey = trip;
      closeText(); // it may lie on what is now to be seen
      say(this.urgent, cut + urgent.map((row) => `${row.priority} alarm: ${row.title}, ${valueWords(row)}`).join(". "));
    }
    document.title = titleFor(state, fresh, document.documentElement.dataset.title ?? "lyewatch");
  }
}

function titleFor(state, fresh, base) {
  if (state.trip) return `TRIPPED · ${base}`;
  if (!fresh.live) return `STALE · ${base}`;
  if (state.alarms.state === "unknown") return `NOT SEEN · ${base}`;
  if (state.alarms.count > 0)
    return `${state.alarms.count} alarm${state.alarms.count > 1 ? "s" : ""} · ${base}`;
  return base;
}
