// The numbers of a chart as a table, for those who cannot see it or want to copy from it.

import { make } from "./dom.js";
import { fixed } from "./format.js";

const ROWS = 12;

/**
 * Lowest, mean and highest of each quantity in `rows` equal stretches of [from, to]; empty stretches have nulls.
 * A quantity is {low, high, mean}: arrays beside `t`; `mean` is missing where only extremes are known.
 */
export function summarise(t, quantities, from, to, rows = ROWS) {
  const step = (to - from) / rows;
  const out = Array.from({ length: rows }, (_none, i) => ({
    from: from + i * step,
    cells: quantities.map(() => ({ low: null, high: null, sum: 0, n: 0 })),
  }));
  for (let i = 0; i < t.length; i += 1) {
    if (t[i] < from || t[i] > to) continue;
    const { cells } = out[Math.min(rows - 1, Math.floor((t[i] - from) / step))];
    quantities.forEach(({ low, high, mean }, j) => {
      if (low[i] === null || low[i] === undefined) return;
      const cell = cells[j];
      cell.low = cell.low === null ? low[i] : Math.min(cell.low, low[i]);
      cell.high = cell.high === null ? high[i] : Math.max(cell.high, high[i]);
      if (mean) cell.sum += mean[i];
      cell.n += 1;
    });
  }
  return out;
}

/** A folded table of a chart. `read()` gives {t, quantities, from, to} when it is opened or refreshed. */
export function chartTable({ caption, names, unit, decimals, label, means, read }) {
  const place = make("div", {
    class: "scroll",
    tabindex: 0,
    role: "group",
    "aria-label": `Table: ${caption}`,
  });
  const words = means ? ["lowest", "mean", "highest"] : ["lowest", "highest"];
  const fill = () => {
    const { t, quantities, from, to } = read();
    const many = names.length > 1;
    const head = make("tr", {}, make("th", { scope: "col" }, "From"));
    for (const name of names)
      for (const word of words) head.append(make("th", { scope: "col" }, many ? `${name}, ${word}` : word));
    const body = make("tbody");
    const show = (value) => make("td", {}, value === null ? "–" : fixed(value, decimals));
    for (const row of summarise(t, quantities, from, to)) {
      const line = make("tr", {}, make("th", { scope: "row" }, label(row.from)));
      for (const { low, high, sum, n } of row.cells)
        line.append(show(low), ...(means ? [show(n ? sum / n : null)] : []), show(high));
      body.append(line);
    }
    const title = `${caption}${unit ? ` [${unit}]` : ""}, ${label(from)} to ${label(to)}`;
    place.replaceChildren(make("table", {}, make("caption", {}, title), make("thead", {}, head), body));
  };
  const again = make(
    "button",
    { type: "button", class: "quiet-button", onclick: fill },
    "Refresh this table",
  );
  const details = make(
    "details",
    { class: "chart-table" },
    make("summary", {}, "Table", make("span", { class: "spoken" }, ` of ${caption}`)),
    place,
    again,
  );
  details.addEventListener("toggle", () => details.open && fill());
  return details;
}
