// What stands behind the numbers: findings and assumptions, all numbers with their uncertainty, other readings, and
// the health of the links.

import { make, say, show, tag } from "./dom.js";
import { plain, presentText, span } from "./format.js";
import { badge } from "./shapes.js";
import { STRIPS } from "./strips.js";

/** Replace a list only when it changed, so that a reader's place in it is kept. */
function renew(list, key, build) {
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...build());
}

/** Findings and assumptions of the last assessment. */
export class Findings {
  constructor(root) {
    this.none = make("p", { class: "quiet" }, "Nothing stands out in this window.");
    this.list = make("ul", { class: "finding-list" });
    this.assumptions = make("ul", { class: "plain-list" });
    this.summary = make("summary", {}, "Assumptions");
    root.append(
      make("h2", {}, "Findings"),
      this.none,
      this.list,
      make("details", {}, this.summary, this.assumptions),
    );
  }

  /** `unseen` is why that is not known now, or "". */
  tell(said, unseen = "") {
    say(this.none, unseen ? `Not known: ${unseen}.` : "Nothing stands out in this window.");
    const findings = said?.findings ?? [];
    show(this.none, findings.length === 0);
    renew(this.list, JSON.stringify(findings), () =>
      findings.map(({ text, causes = [] }) =>
        make(
          "li",
          {},
          make("strong", {}, text),
          causes.length > 0 && make("p", { class: "quiet" }, "Likely causes, the likeliest first:"),
          causes.length > 0 && make("ol", {}, ...causes.map((cause) => make("li", {}, cause))),
        ),
      ),
    );
    const assumptions = said?.assumptions ?? [];
    say(this.summary, `Assumptions (${assumptions.length})`);
    renew(this.assumptions, JSON.stringify(assumptions), () =>
      assumptions.map((text) => make("li", {}, text)),
    );
  }
}

/** Every number of the assessment, and the channels that have no strip. */
export class AllNumbers {
  constructor(root, bench) {
    this.rows = (bench?.numbers ?? []).map(({ key, label, help }) => {
      const cell = make("td", {});
      return {
        key,
        cell,
        root: make(
          "tr",
          {},
          make("th", { scope: "row" }, label, help && make("span", { class: "help" }, help)),
          cell,
        ),
      };
    });
    this.caption = make("caption", {}, "");
    const drawn = new Set(STRIPS.map(({ channel }) => channel));
    this.others = (bench?.channels ?? [])
      .filter(({ name }) => !drawn.has(name))
      .map(({ name, unit }) => {
        const value = make("dd", {});
        return { name, unit, value, parts: [make("dt", {}, name.replaceAll("_", " ")), value] };
      });
    const table = make(
      "table",
      { class: "numbers" },
      this.caption,
      make("tbody", {}, ...this.rows.map(({ root: row }) => row)),
    );
    root.append(
      make("h2", {}, "Other readings"),
      make("dl", { class: "readings" }, ...this.others.flatMap(({ parts }) => parts)),
      make(
        "details",
        {},
        make("summary", {}, "All numbers with their uncertainty"),
        make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "All numbers" }, table),
      ),
    );
  }

  tell(traces) {
    const said = traces.assessment;
    if (said)
      say(
        this.caption,
        `Over ${span(said.window_s)}; gas dry at ${said.reference}; ± is the expanded uncertainty, k = 2`,
      );
    for (const { key, cell } of this.rows) say(cell, presentText(said?.numbers[key], key));
    for (const { name, unit, value } of this.others) {
      const latest = traces.latest.get(name);
      if (name === "relay")
        say(
          value,
          latest?.value === null || !latest
            ? "–"
            : latest.value >= 0.5
              ? "closed: supply connected"
              : "open: supply cut off",
        );
      else say(value, latest && latest.value !== null ? plain(latest.value, unit) : "–");
    }
  }
}

const LINK_STATES = {
  open: "open",
  opening: "opening",
  silent: "open, but nothing comes",
  waiting: "closed, will be tried again",
};
const COUNTERS = [
  ["good", "good frames"],
  ["unchecked", "frames without a checksum"],
  ["bad_crc", "wrong checksum: noise on the line"],
  ["malformed", "unreadable lines"],
  ["gaps", "frames lost on the way, by their numbers"],
  ["duplicates", "frames that came twice"],
  ["overlong", "lines too long"],
  ["out_of_range", "values outside what the sensor can give"],
  ["dropped", "frames dropped here, computer too slow"],
  ["reopened", "times the port was reopened"],
];

/** The links to the devices, in words and counters. */
export class Links {
  constructor(root) {
    this.list = make("div", { class: "link-list" });
    this.items = new Map();
    this.archive = make("p", { class: "link-error", role: "status" });
    show(this.archive, false);
    root.append(make("h2", {}, "Links"), this.list, this.archive);
  }

  tell({ links, archive }) {
    say(this.archive, archive?.words ?? "");
    show(this.archive, Boolean(archive));
    for (const link of links ?? []) {
      if (!this.items.has(link.source)) this.#add(link.source);
      this.#fill(this.items.get(link.source), link);
    }
  }

  #add(source) {
    const item = {
      badge: make("span"),
      words: make("span"),
      error: make("p", { class: "link-error" }),
      cells: new Map(),
      level: null,
    };
    const rows = COUNTERS.map(([key, label]) => {
      const cell = make("td", {});
      item.cells.set(key, cell);
      return make("tr", {}, make("th", { scope: "row" }, label), cell);
    });
    item.root = make(
      "section",
      { class: "link", "aria-label": `Link ${source}` },
      make("p", { class: "link-words" }, item.badge, " ", make("strong", {}, source), " ", item.words),
      item.error,
      make(
        "details",
        {},
        make("summary", {}, "Counters", make("span", { class: "spoken" }, ` of ${source}`)),
        make("table", { class: "counters" }, make("tbody", {}, ...rows)),
      ),
    );
    this.items.set(source, item);
    this.list.append(item.root);
  }

  #fill(item, link) {
    const level = link.state === "open" ? "" : link.state === "opening" ? "low" : "high";
    if (item.level !== level) {
      item.level = level;
      item.badge.replaceChildren(...(level ? [badge(level)] : []));
    }
    tag(item.root, "level", level);
    const rate = typeof link.rate_hz === "number" ? `, ${plain(link.rate_hz, "")} frames a second` : "";
    const lost = (link.bad_crc ?? 0) + (link.malformed ?? 0) + (link.gaps ?? 0) + (link.dropped ?? 0);
    say(
      item.words,
      `${LINK_STATES[link.state] ?? link.state}${rate}, ${lost ? `${lost} lost or unreadable so far` : "none lost"}`,
    );
    say(item.error, link.last_error ?? "");
    show(item.error, Boolean(link.last_error));
    for (const [key, cell] of item.cells) say(cell, link[key] === undefined ? "–" : String(link[key]));
  }
}
