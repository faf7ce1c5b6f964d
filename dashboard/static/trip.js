// @ts-check
/* A trip's values on request: draws the series with the vendored chart, one panel a
   quantity on one time axis. A tap puts the values into the row under the chart; keys do
   what a drag would, so that the page itself scrolls. Rounds and writes; counts nothing. */

/**
 * @typedef {{low: (number|null)[], mean: (number|null)[], high: (number|null)[]}} Column
 * @typedef {{run_s: number[], step_s: number, channels: Record<string, Column>}} Series
 */

const DASH = "—";
const POINTS = 500;
const STEP = 0.5; // share of the view that Earlier and Later move by
const LEAST_S = 30;

/**
 * @template {Element} T
 * @param {string} selector
 * @param {ParentNode} [within]
 * @returns {T}
 */
function one(selector, within = document) {
  const found = within.querySelector(selector);
  if (!found) throw new Error(`nothing on the page matches ${selector}`);
  return /** @type {T} */ (found);
}

const box = /** @type {HTMLElement} */ (one(".reading"));
const chart = /** @type {any} */ (one(".chart", box));
/** @type {any} */
const plotly = /** @type {any} */ (window).Plotly;
const style = getComputedStyle(document.documentElement);
const zeroMs = Number(box.dataset.zeroMs ?? NaN);
const source = new URL(box.dataset.source ?? "", location.href);
const whole = [Number(source.searchParams.get("from_s")), Number(source.searchParams.get("to_s"))];

/** @param {string} name */
const ink = (name) => style.getPropertyValue(name).trim();

/** The van's own time, as text that the chart draws as it stands. @param {number} runS */
function stamp(runS) {
  if (!Number.isFinite(zeroMs)) return new Date(runS * 1000).toISOString().slice(0, 19);
  const parts = new Intl.DateTimeFormat("sv-SE", {
    timeZone: box.dataset.zone || "UTC", dateStyle: "short", timeStyle: "medium",
  }).format(new Date(zeroMs + runS * 1000));
  return parts.replace(" ", "T");
}

/**
 * Panels from the top down.
 * @param {Series} series
 */
function quantities(series) {
  const { channels } = series;
  const perHour = 3600 / Number(box.dataset.wayM);
  const soc = channels["pack.soc_pct"];
  const low = channels["pack.soc_low_pct"];
  const high = channels["pack.soc_high_pct"];
  const found = [
    { key: "power", title: "kW out", column: scaled(channels["pack.power_w"], -0.001), digits: 1, range: null },
    { key: "soc", title: "%", column: soc && { low: (low ?? soc).mean, mean: soc.mean, high: (high ?? soc).mean }, digits: 0, range: [0, 100] },
    { key: "speed", title: box.dataset.speed ?? "", column: scaled(channels["road.speed_mps"], perHour), digits: 0, range: null },
  ];
  return found.filter((each) => each.column);
}

/** @param {Column|undefined} column @param {number} factor @returns {Column|undefined} */
function scaled(column, factor) {
  if (!column) return undefined;
  /** @param {(number|null)[]} part */
  const by = (part) => part.map((value) => (value === null ? null : value * factor));
  const [low, mean, high] = [by(column.low), by(column.mean), by(column.high)];
  return factor < 0 ? { low: high, mean, high: low } : { low, mean, high };
}

/**
 * The band as one closed ring for each unbroken piece: a fill between two lines would
 * bridge the gaps.
 * @param {string[]} times @param {Column} column
 */
function ring(times, column) {
  /** @type {(string|null)[]} */ const x = [];
  /** @type {(number|null)[]} */ const y = [];
  let start = 0;
  for (let place = 0; place <= times.length; place += 1) {
    if (place < times.length && column.mean[place] !== null) continue;
    if (place > start) {
      const piece = [...Array(place - start).keys()].map((each) => each + start);
      for (const each of piece) x.push(times[each]), y.push(column.high[each]);
      for (const each of piece.reverse()) x.push(times[each]), y.push(column.low[each]);
      x.push(null);
      y.push(null);
    }
    start = place + 1;
  }
  return { x, y };
}

/** @type {Series|null} */
let shown = null;
let asked = 0;

/** @param {number[]} view start and end, s since the run's zero */
async function draw(view) {
  asked += 1;
  const mine = asked;
  const url = new URL(source);
  url.searchParams.set("from_s", String(Math.max(0, view[0])));
  url.searchParams.set("to_s", String(view[1]));
  url.searchParams.set("points", String(POINTS));
  const answer = await fetch(url);
  if (!answer.ok) throw new Error(`the van answered ${answer.status}`);
  /** @type {Series} */
  const series = await answer.json();
  if (mine !== asked) return; // a later key press was quicker
  shown = series;
  const times = series.run_s.map((start) => stamp(start + series.step_s / 2));
  const panels = quantities(series);
  /** @type {any[]} */
  const traces = [];
  panels.forEach((panel, place) => {
    const axis = place === 0 ? "" : String(place + 1);
    const column = /** @type {Column} */ (panel.column);
    const shared = { xaxis: "x", yaxis: `y${axis}`, hoverinfo: "none", mode: "lines" };
    traces.push({ ...shared, ...ring(times, column), fill: "toself", fillcolor: ink("--ink"), opacity: Number(ink("--band")), line: { width: 0 }, hoveron: "points" });
    traces.push({ ...shared, x: times, y: column.mean, connectgaps: false, line: { color: ink("--ink"), width: 2 }, meta: panel.key });
  });
  await plotly.react(chart, traces, layout(panels, view), {
    displayModeBar: false, scrollZoom: false, responsive: true, doubleClick: false,
  });
  one(".wait", box).textContent = "Tap the chart to read values.";
}

/** @param {ReturnType<typeof quantities>} panels @param {number[]} view */
function layout(panels, view) {
  /** @type {Record<string, unknown>} */
  const axes = {};
  const font = { color: ink("--quiet"), size: 16, family: ink("--count") };
  panels.forEach((panel, place) => {
    const top = 1 - place / panels.length;
    axes[`yaxis${place === 0 ? "" : place + 1}`] = {
      domain: [top - 1 / panels.length + 0.08, top], fixedrange: true, nticks: 5, range: panel.range ?? undefined,
      gridcolor: ink("--feint"), zerolinecolor: ink("--ink"), rangemode: "tozero",
    };
  });
  const isBrief = view[1] - view[0] < 300;
  const names = panels.map((panel, place) => ({
    text: panel.title, xref: "paper", yref: "paper", x: 0, y: 1 - place / panels.length, xanchor: "left",
    yanchor: "bottom", showarrow: false, font: { ...font, color: ink("--ink") },
  }));
  return {
    ...axes, font, annotations: names, dragmode: false, showlegend: false, uirevision: source.pathname + source.searchParams.get("run"),
    paper_bgcolor: ink("--ground"), plot_bgcolor: ink("--ground"), height: 160 * panels.length + 40,
    margin: { l: 60, r: 14, t: 28, b: 40 }, hovermode: "x",
    xaxis: { range: [stamp(view[0]), stamp(view[1])], type: "date", gridcolor: ink("--feint"), nticks: 4, ticklabelstandoff: 8, tickformat: isBrief ? "%-H:%M:%S" : "%-H:%M", anchor: `y${panels.length === 1 ? "" : panels.length}`, fixedrange: true },
    shapes: cursor(),
  };
}

let markedS = NaN; // middle of the bucket whose values stand in the row

/** The line through what was tapped; it stays where it is when the view moves. */
function cursor() {
  if (Number.isNaN(markedS)) return [];
  const at = stamp(markedS);
  return [{ type: "line", xref: "x", yref: "paper", x0: at, x1: at, y0: 0.08, y1: 1, line: { color: ink("--ink"), width: 1, dash: "dot" } }];
}

/** @param {number} place of the bucket that was tapped */
function readOut(place) {
  if (!shown) return;
  const text = stamp(shown.run_s[place]);
  one(".when", box).textContent = Number.isFinite(zeroMs) ? text.slice(11).replace(/^0/, "") : `${shown.run_s[place]} s`;
  for (const panel of quantities(shown)) {
    const value = /** @type {Column} */ (panel.column).mean[place];
    const words = value === null ? DASH : value.toFixed(panel.digits).replace(/^-(0(\.0+)?)$/, "$1").replace("-", "−");
    one(`.${panel.key}`, box).textContent = words;
  }
  markedS = shown.run_s[place] + shown.step_s / 2;
  plotly.relayout(chart, { shapes: cursor() });
}

let view = [...whole];

/** @param {string} move */
function moved(move) {
  const [start, end] = view;
  const length = end - start;
  const middle = (start + end) / 2;
  const longest = whole[1] - whole[0];
  if (move === "whole") return [...whole];
  if (move === "earlier" || move === "later") {
    const by = (move === "later" ? 1 : -1) * STEP * length;
    const first = Math.min(Math.max(whole[0], start + by), whole[1] - length);
    return [first, first + length];
  }
  const wanted = move === "nearer" ? Math.max(Math.min(LEAST_S, longest), length / 2) : Math.min(longest, length * 2);
  const first = Math.min(Math.max(whole[0], middle - wanted / 2), whole[1] - wanted);
  return [first, first + wanted];
}

async function begin() {
  await draw(view);
  let last = "";
  chart.on("plotly_click", (/** @type {any} */ event) => {
    const point = event.points?.find((/** @type {any} */ each) => each.data.meta);
    if (!point || !shown) return;
    const key = `${point.pointIndex}/${shown.run_s[0]}`;
    if (key === last) return; // one tap comes twice
    last = key;
    readOut(point.pointIndex);
  });
  for (const key of box.querySelectorAll("[data-move]")) {
    key.addEventListener("click", () => {
      view = moved(/** @type {HTMLElement} */ (key).dataset.move ?? "");
      last = "";
      draw(view).catch(tell);
    });
  }
}

/** @param {unknown} error */
function tell(error) {
  one(".wait", box).textContent = `The values did not come: ${error instanceof Error ? error.message : error}.`;
}

begin().catch(tell);
