// All benches, the worst first; and one of them, with its last ten minutes.

import { get, path } from "./api.js";
import { byId, make, say, show } from "./dom.js";
import { plain } from "./format.js";
import { badge, shape } from "./shapes.js";

const AGAIN_MS = 1000;
const SERIES_MS = 10000;
const LEVELS = { 6: "critical", 5: "high", 3: "medium", 2: "low" };
const COLUMNS = [
  ["lye_temp", "degC", "Lye"],
  ["volts", "V", "Volts"],
  ["amps", "A", "Amps"],
  ["gas_flow", "L/min", "Gas"],
];
let units = {}; // by channel, as the service says them
const SVG = "http://www.w3.org/2000/svg";

const wanted = /^\/benches\/([^/]+)$/.exec(location.pathname)?.[1];
const shown = (value, unit) => (value === null || value === undefined ? "–" : plain(value, unit));
const age = (seconds) =>
  seconds === null ? "none yet" : seconds < 90 ? `${seconds.toFixed(1)} s ago` : `${Math.round(seconds / 60)} min ago`;

/** An alarm's badge; silence and missing samples are no alarms of the bench's, and get a shape of their own. */
function sign({ rank }) {
  if (LEVELS[rank]) return badge(LEVELS[rank]);
  return rank > 0 ? shape("unknown") : "";
}

function stateCell(bench) {
  const words = bench.rank === 4 ? `silent, ${age(bench.age_s)}` : bench.state;
  const more = bench.alarms.length > 0 ? `: ${bench.alarms.join(", ")}` : "";
  const missing = bench.missing_batches ? `; missing batches: ${bench.missing_batches}` : "";
  return make("td", { "data-label": "State" }, make("div", { class: "fleet-state" }, sign(bench), make("span", {}, `${words}${more}${missing}`)));
}

function row(bench) {
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, make("a", { href: path`/benches/${bench.bench}` }, bench.name)),
    stateCell(bench),
    ...COLUMNS.map(([channel, unit, label]) =>
      make("td", { "data-label": label }, shown(bench.values[channel], unit)),
    ),
    make("td", { "data-label": "Newest sample" }, age(bench.age_s)),
  );
}

function drawAll({ benches, trouble }) {
  tellTrouble(trouble);
  const bad = benches.filter(({ rank }) => rank > 0).length;
  say(byId("how-many"), `${benches.length} benches, ${bad ? `${bad} need a look` : "all normal"}`);
  show(byId("none-yet"), benches.length === 0);
  show(byId("bench-table"), benches.length > 0);
  const focused = document.activeElement?.getAttribute("href");
  byId("bench-rows").replaceChildren(...benches.map(row));
  if (focused) byId("bench-rows").querySelector(`a[href="${CSS.escape(focused)}"]`)?.focus();
}

function drawOne(bench) {
  ({ units } = bench);
  document.title = `${bench.name} · lyewatch`;
  say(byId("one-name"), bench.name);
  byId("one-state").replaceChildren(
    ...[sign(bench), " ", make("strong", {}, bench.state)].filter(Boolean),
    `; newest sample ${age(bench.age_s)}; ${bench.run ? `run ${bench.run}` : "no run"}` +
      `${bench.build ? `, build ${bench.build}` : ""}; samples gathered: ${bench.rows}` +
      `${bench.missing_batches ? `; missing batches: ${bench.missing_batches}` : ""}`,
  );
  byId("one-alarms").replaceChildren(...bench.alarms.map((words) => make("li", {}, words)));
  byId("one-values").replaceChildren(
    ...Object.keys(bench.values)
      .sort()
      .map((channel) =>
        make(
          "div",
          {},
          make("dt", {}, channel.replaceAll("_", " ")),
          make("dd", {}, shown(bench.values[channel], units[channel] ?? "")),
        ),
      ),
  );
}

function chart(channel, { utc_s: t, lo, hi }) {
  const known = t.map((_, k) => k).filter((k) => lo[k] !== null);
  if (known.length < 2) return null;
  const low = Math.min(...known.map((k) => lo[k]));
  const high = Math.max(...known.map((k) => hi[k]));
  const room = high - low || 1;
  const x = (k) => ((t[k] - t[0]) / (t.at(-1) - t[0] || 1)) * 1000;
  const y = (v) => 195 - ((v - low) / room) * 190;
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 1000 200");
  svg.setAttribute("preserveAspectRatio", "none");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", `${channel}: from ${low} to ${high} in the last ten minutes`);
  const band = document.createElementNS(SVG, "polygon");
  band.setAttribute(
    "points",
    [...known.map((k) => `${x(k)},${y(hi[k])}`), ...known.toReversed().map((k) => `${x(k)},${y(lo[k])}`)].join(" "),
  );
  const line = document.createElementNS(SVG, "polyline");
  line.setAttribute("points", known.map((k) => `${x(k)},${y((lo[k] + hi[k]) / 2)}`).join(" "));
  svg.append(band, line);
  return make(
    "figure",
    {},
    make("figcaption", {}, make("strong", {}, channel.replaceAll("_", " ")), ` ${plain(low, "")} to ${plain(high, units[channel] ?? "")}`),
    svg,
  );
}

async function drawSeries() {
  try {
    const { channels } = await get(path`/api/fleet/${wanted}/series`);
    const charts = Object.entries(channels)
      .map(([channel, series]) => chart(channel, series))
      .filter(Boolean);
    byId("one-charts").replaceChildren(...charts);
    show(byId("one-none"), charts.length === 0);
  } catch (error) {
    tellTrouble(error.message);
  }
}

function tellTrouble(words) {
  say(byId("trouble"), words ?? "");
  show(byId("trouble"), Boolean(words));
}

async function again() {
  try {
    if (wanted) drawOne(await get(path`/api/fleet/${wanted}`));
    else drawAll(await get("/api/fleet"));
  } catch (error) {
    tellTrouble(`Not up to date: ${error.message}`);
  }
  setTimeout(again, AGAIN_MS);
}

show(byId("all"), !wanted);
show(byId("one"), Boolean(wanted));
await again();
if (wanted) {
  drawSeries();
  setInterval(drawSeries, SERIES_MS);
}
