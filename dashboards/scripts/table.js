// The numbers of a chart as a table, for those who cannot see it or want to copy from it.

import { make } from "./dom.js";
import { fixed } from "./format.js";

const ROWS = 12;

/** Lowest, mean and highest of each column in `rows` equal stretches of [from, to]; empty stretches have nulls. */
export function summarise(t, columns, from, to, rows = ROWS) {
  const step = (to - from) / rows;
  const out = Array.from({ length: rows }, (_none, i) => ({ from: from + i * step, to: from + (i + 1) * step, cells: [] }));
  for (const column of columns) {
    const stats = out.map(() => ({ low: null, high: null, sum: 0, n: 0 }));
    for (let i = 0; i < t.length; i += 1) {
      const value = column[i];
      if (value === null || value === undefined || t[i] < from || t[i] > to) continue;
      const stat = stats[Math.min(rows - 1, Math.floor((t[i] - from) / step))];
      stat.low = stat.n === 0 ? value : Math.min(stat.low, value);
      stat.high = stat.n === 0 ? value : Math.max(stat.high, value);
      stat.sum += value;
      stat.n += 1;
    }
    stats.forEach((stat, i) => out[i].cells.push({ low: stat.low, high: stat.high, mean: stat.n ? stat.sum / stat.n : null }));
  }
  return out;
}

/**
 * A folded table of a chart. `read()` gives {t, columns, from, to, means} when it is opened or refreshed;
 * where the columns are lowest and highest already, `means` is false and two columns make one quantity.
 */
export function chartTable({ caption, names, unit, decimals, label, read }) {
  const place = make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": `Table: ${caption}` });
  const fill = () => {
    const { t, columns, from, to } = read();
    const many = names.length > 1;
    const head = make("tr", {}, make("th", { scope: "col" }, "From"));
    for (const name of names) {
      for (const word of ["lowest", "mean", "highest"]) head.append(make("th", { scope: "col" }, many ? `${name}, ${word}` : word));
    }
    const body = make("tbody");
    const show = (value) => make("td", {}, value === null ? "–" : fixed(value, decimals));
    for (const row of summarise(t, columns, from, to)) {
      const line = make("tr", {}, make("th", { scope: "row" }, label(row.from)));
      for (const { low, mean, high } of row.cells) line.append(show(low), show(mean), show(high));
      body.append(line);
    }
    const title = `${caption}${unit ? ` [${unit}]` : ""}, ${label(from)} to ${label(to)}`;
    place.replaceChildren(make("table", {}, make("caption", {}, title), make("thead", {}, head), body));
  };
  const again = make("button", { type: "button", class: "quiet-button", onclick: fill }, "Refresh this table");
  const details = make("details", { class: "chart-table" }, make("summary", {}, "Table", make("span", { class: "spoken" }, ` of ${caption}`)), place, again);
  details.addEventListener("toggle", () => details.open && fill());
  return details;
}
