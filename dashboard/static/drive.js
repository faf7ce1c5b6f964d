// @ts-check
/* Drive, alive: takes the server's view, ages it by itself, and never lets it look live
   when it is not. The server does arithmetic and wording; this only ages and patches. */

/**
 * One figure, as `dashboard/ageing.py` makes it.
 * @typedef {{text: string, value: number|null, step: number, unit: string,
 *   source: string, age_s: number|null, late_after_s: number, gone_after_s: number,
 *   was: string}} Figure
 * @typedef {{figure: Figure, to: string, band: string, word: string, other: string,
 *   other_word: string, low_pct: number, high_pct: number, doubt_pct: number,
 *   reserve_pct: number, is_known: boolean, label: string}} Charge
 * @typedef {{state: string, mark: string, words: string, for_s: number|null}} Strip
 * @typedef {{seq: number, is_moving: boolean|null, strip: Strip, charge: Charge,
 *   power_in: Figure, power_out: Figure, in_pct: number, out_pct: number,
 *   use: Figure|null, sun: Figure|null}} View
 * @typedef {"live"|"late"|"held"|"none"} State
 */

const TICK_MS = 500;
const LINK_LOST_MS = 5000;
const WATCHDOG_MS = 12000;
const HIDDEN_MS = 10000;
const POLL_MS = 1000; // at 2 s the figures would turn late between two answers
const QUIET_MS = 3000; // another tab that says nothing for this long is gone
const SPEAK_MS = 10000;
const RETRY_MS = [1000, 2000, 5000, 10000];
/** @type {Record<string, string>} */
const WORDS = { live: "Live", late: "Late", held: "Held", none: "No reading", differ: "Disagree" };
const DASH = "—";
const NBSP = "\u00a0";

/**
 * Whether the digits may change: the value has moved 0.7 of the last digit.
 * @param {number} shown what the digits say now
 * @param {number} value the value now
 * @param {number} step what the last digit counts
 */
export function hasMoved(shown, value, step) {
  return Math.abs(value - shown) >= 0.7 * step - 1e-9;
}

/**
 * @param {number} seconds
 * @returns {string} as `span_text` in `dashboard/wording.py`
 */
export function spanText(seconds) {
  if (seconds < 120) return `${Math.floor(seconds)}${NBSP}s`;
  const minutes = Math.floor(seconds / 60);
  if (minutes < 60) return `${minutes}${NBSP}min`;
  if (minutes < 2880) {
    const rest = String(minutes % 60).padStart(2, "0");
    return `${Math.floor(minutes / 60)}${NBSP}h${NBSP}${rest}`;
  }
  return `${Math.floor(minutes / 1440)}${NBSP}d`;
}

/**
 * @param {Figure} figure
 * @param {number} sinceS time since the view came
 * @param {boolean} isCharge the charge is held where others are late
 * @returns {State}
 */
export function stateOf(figure, sinceS, isCharge) {
  if (figure.age_s === null) return "none";
  const ageS = figure.age_s + sinceS;
  if (ageS > figure.gone_after_s) return "none";
  if (ageS <= figure.late_after_s) return "live";
  return isCharge ? "held" : "late";
}

const main = /** @type {HTMLElement|null} */ (document.querySelector("main.drive"));

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

/** @param {Element} node @param {string} text */
function write(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** @param {Element} node @param {string} name @param {string} value */
function attribute(node, name, value) {
  if (node.getAttribute(name) !== value) node.setAttribute(name, value);
}

/** @param {Element} row @param {string} mark */
function setMark(row, mark) {
  attribute(one("use", row), "href", `#m-${mark}`);
}

/** What the digits of a figure say, by its name: text, number, step. */
/** @type {Map<string, {text: string, shown: number, step: number}>} */
const kept = new Map();

/**
 * Digits that do not flicker between two values.
 * @param {string} name @param {Figure} figure
 */
function settled(name, figure) {
  const before = kept.get(name);
  const value = figure.value ?? 0;
  if (before && before.step === figure.step && !hasMoved(before.shown, value, figure.step)) {
    return before.text;
  }
  const shown = Math.round(value / figure.step) * figure.step;
  kept.set(name, { text: figure.text, shown, step: figure.step });
  return figure.text;
}

/**
 * @param {Element} node the digits
 * @param {Figure} figure @param {number} sinceS @param {string} text
 */
function patchDigits(node, figure, sinceS, text) {
  write(node, text);
  attribute(node, "data-src", figure.source);
  patchAge(node, figure, sinceS);
}

/** @param {Element} node @param {Figure} figure @param {number} sinceS */
function patchAge(node, figure, sinceS) {
  if (figure.age_s === null) node.removeAttribute("data-age-ms");
  else attribute(node, "data-age-ms", String(Math.round((figure.age_s + sinceS) * 1000)));
}

/**
 * @param {Element} row @param {State} state @param {string} mark
 * @param {number|null} ageS null where the strip tells the age
 */
function patchMargin(row, state, mark, ageS) {
  attribute(row, "data-state", state);
  setMark(row, mark);
  write(one(".word", row), WORDS[mark]);
  const isOld = state === "late" || state === "held";
  write(one(".ago", row), isOld && ageS !== null ? `${spanText(ageS)} old` : "");
}

/** @param {Charge} charge @param {number} sinceS @param {boolean} isTold */
function patchCharge(charge, sinceS, isTold) {
  const row = one('[data-figure="charge"]');
  const { figure } = charge;
  const state = stateOf(figure, sinceS, true);
  const isDoubted = charge.other !== "";
  const isGone = state === "none";
  patchMargin(row, state, isDoubted && state === "live" ? "differ" : state,
    isTold || figure.age_s === null ? null : figure.age_s + sinceS);
  row.toggleAttribute("data-doubt", isDoubted);
  const text = isGone ? DASH : settled("charge", figure);
  row.classList.toggle("three", text === "100");
  row.classList.toggle("broad", charge.to !== "");
  patchDigits(one(".fig b", row), figure, sinceS, text);
  write(one(".unit", row), charge.to && !isGone ? "to" : "%");
  const side = one(".side", row);
  side.classList.toggle("words", state === "held" || charge.word !== "");
  write(side, isGone ? "" : state === "held" ? "held" : charge.word || charge.band);
  attribute(side, "data-src", figure.source);
  patchAge(side, figure, sinceS);
  const to = /** @type {HTMLElement} */ (one(".to", row));
  to.hidden = isGone || !charge.to;
  patchDigits(one("b", to), figure, sinceS, charge.to);
  const other = /** @type {HTMLElement} */ (one(".other", row));
  other.hidden = isGone || !isDoubted;
  write(one("span", other), charge.other);
  write(one("span + span", other), charge.other_word);
  write(one(".was", row), isGone ? figure.was : "");
  patchChargeBar(one("svg.bar", row), charge, state);
}

/** @param {Element} bar @param {Charge} charge @param {State} state */
function patchChargeBar(bar, charge, state) {
  const isGone = state === "none";
  const sure = state === "live" ? charge.low_pct : 0;
  const maybe = isGone ? 0 : charge.high_pct - sure;
  attribute(bar, "aria-label", charge.label);
  attribute(one(".sure", bar), "width", `${sure}%`);
  attribute(one(".maybe", bar), "x", `${sure}%`);
  attribute(one(".maybe", bar), "width", `${isGone ? 0 : +maybe.toFixed(1)}%`);
  attribute(one(".doubt", bar), "x", `${charge.high_pct}%`);
  attribute(one(".doubt", bar), "width",
    `${isGone ? 0 : +(charge.doubt_pct - charge.high_pct).toFixed(1)}%`);
}

/** @param {View} view @param {number} sinceS @param {boolean} isTold */
function patchPower(view, sinceS, isTold) {
  const row = one('[data-figure="power"]');
  const states = { in: stateOf(view.power_in, sinceS, false), out: stateOf(view.power_out, sinceS, false) };
  for (const name of /** @type {const} */ (["in", "out"])) {
    const cell = one(`[data-figure="${name}"]`, row);
    const figure = view[`power_${name}`];
    attribute(cell, "data-state", states[name]);
    patchDigits(one("b", cell), figure, sinceS, states[name] === "none" ? DASH : settled(name, figure));
  }
  const out = view.power_out;
  patchMargin(row, states.out, states.out, isTold || out.age_s === null ? null : out.age_s + sinceS);
  const came = states.in === "none" ? 0 : view.in_pct;
  attribute(one(".came", row), "x", `${+(100 / 3 - came).toFixed(2)}%`);
  attribute(one(".came", row), "width", `${came}%`);
  attribute(one(".sure", row), "width", `${states.out === "none" ? 0 : view.out_pct}%`);
  write(one(".was", row), states.out === "none" ? out.was : "");
}

/**
 * @param {string} name @param {Figure|null} figure
 * @param {number} sinceS @param {boolean} isTold
 */
function patchSingle(name, figure, sinceS, isTold) {
  const row = /** @type {HTMLElement} */ (one(`[data-figure="${name}"]`));
  row.hidden = figure === null;
  if (figure === null) return;
  const state = stateOf(figure, sinceS, false);
  patchMargin(row, state, state, isTold || figure.age_s === null ? null : figure.age_s + sinceS);
  patchDigits(one("b", row), figure, sinceS, state === "none" ? DASH : settled(name, figure));
  write(one(".unit", row), figure.unit);
  write(one(".was", row), state === "none" ? figure.was : "");
}

/**
 * What the strip says by now: a lost link goes before everything the server said.
 * @param {View} view @param {number} sinceMs @returns {Strip}
 */
function stripNow(view, sinceMs) {
  const words = one(".strip");
  if (sinceMs > LINK_LOST_MS) {
    return { state: "look", mark: "look", words: words.getAttribute("data-link") ?? "", for_s: sinceMs / 1000 };
  }
  const strip = view.strip;
  if (strip.for_s !== null) return { ...strip, for_s: strip.for_s + sinceMs / 1000 };
  const figures = [view.charge.figure, view.power_in, view.power_out, view.use, view.sun];
  const isLate = figures.some((each) => each && each.age_s !== null && stateOf(each, sinceMs / 1000, false) !== "live");
  if (strip.state === "ok" && isLate) {
    return { state: "note", mark: "note", words: words.getAttribute("data-late") ?? "", for_s: null };
  }
  return strip;
}

let said = "";
let saidMs = -Infinity;

/** Say a change of state, at most once in ten seconds. @param {string} words */
function say(words) {
  const nowMs = performance.now();
  if (said === "") said = words; // what the page opened with has been read already
  if (words === said || nowMs - saidMs < SPEAK_MS) return;
  said = words;
  saidMs = nowMs;
  write(one('[role="status"]'), words);
}

/** @param {Strip} strip */
function patchStrip(strip) {
  const row = one(".strip");
  row.classList.toggle("look", strip.state === "look");
  setMark(row, strip.mark);
  write(one("p", row), strip.for_s === null ? strip.words : `${strip.words} for ${spanText(strip.for_s)}`);
  say(strip.words);
}

/** @param {boolean|null} isMoving */
function patchFoot(isMoving) {
  if (isMoving === null || !main?.hasAttribute("data-locks")) return;
  /** @type {HTMLElement} */ (one(".standing")).hidden = isMoving;
  /** @type {HTMLElement} */ (one(".moving")).hidden = !isMoving;
}

/** @type {View|null} */
let view = null;
let cameMs = performance.now();
let cameDateMs = Date.now();

/** Time since the newest view. A sleeping phone stops one clock, a step the other. */
function sinceMs() {
  return Math.max(performance.now() - cameMs, Date.now() - cameDateMs, 0);
}

function patch() {
  const ms = sinceMs();
  if (!view) {
    if (ms > LINK_LOST_MS) {
      patchStrip({ state: "look", mark: "look", words: one(".strip").getAttribute("data-link") ?? "", for_s: ms / 1000 });
    }
    return;
  }
  const strip = stripNow(view, ms);
  const isTold = strip.for_s !== null;
  patchStrip(strip);
  patchCharge(view.charge, ms / 1000, isTold);
  patchPower(view, ms / 1000, isTold);
  patchSingle("use", view.use, ms / 1000, isTold);
  patchSingle("sun", view.sun, ms / 1000, isTold);
  patchFoot(view.is_moving);
  document.querySelector(".clock")?.remove();
}

/** @param {View} newest */
function take(newest) {
  const isFirst = view === null;
  view = newest;
  cameMs = performance.now();
  cameDateMs = Date.now();
  if (isFirst) patch(); // later ones wait for the timer: twice a second at most
}

async function fetchNow() {
  const stop = typeof AbortController === "function" ? new AbortController() : null;
  const timer = setTimeout(() => stop?.abort(), 4000);
  try {
    const answer = await fetch(main?.dataset.now ?? "", { cache: "no-store", signal: stop?.signal });
    if (answer.status === 401 || answer.status === 403) location.reload(); // no longer paired
    if (answer.ok) take(await answer.json());
  } catch {
    // No link: the strip counts already.
  } finally {
    clearTimeout(timer);
  }
}

/* One stream a browser: browsers open six connections to a host at most, so that a
   seventh page would not load. The tabs choose one that listens for all. */
const own = Math.random();
const between = "BroadcastChannel" in window ? new BroadcastChannel("ampledger-drive") : null;
/** @type {EventSource|null} */
let stream = null;
let isStreaming = false;
let heardMs = performance.now(); // last sign of life on our stream
let otherMs = -Infinity; // last word of another tab that streams
let tries = 0;
/** @type {ReturnType<typeof setTimeout>|undefined} */
let retry;
/** @type {ReturnType<typeof setTimeout>|undefined} */
let election;

/** @param {string} kind @param {unknown} [data] */
function tell(kind, data) {
  between?.postMessage({ kind, own, data });
}

function openStream() {
  closeStream();
  isStreaming = true;
  heardMs = performance.now();
  const opened = new EventSource(main?.dataset.stream ?? "");
  stream = opened;
  opened.onmessage = (event) => {
    if (opened !== stream) return;
    tries = 0;
    heardMs = performance.now();
    const newest = JSON.parse(event.data);
    take(newest);
    tell("view", newest);
  };
  // The browser's own retry ends for good on an answer like 503.
  opened.onerror = () => {
    if (opened === stream && opened.readyState === 2) reopenLater();
  };
  tell("lead");
}

function closeStream() {
  clearTimeout(retry);
  stream?.close();
  stream = null;
  isStreaming = false;
}

function reopenLater() {
  stream?.close();
  stream = null;
  clearTimeout(retry);
  retry = setTimeout(openStream, RETRY_MS[Math.min(tries, RETRY_MS.length - 1)]);
  tries += 1;
}

/** Ask whether another tab streams; if none answers, do it here. */
function elect() {
  clearTimeout(election);
  if (!("EventSource" in window) || !between) return; // polled instead
  tell("who");
  const askedMs = performance.now();
  election = setTimeout(() => {
    if (otherMs < askedMs && !isStreaming && !document.hidden) openStream();
  }, 200 + 300 * Math.random());
}

/** @param {MessageEvent<{kind: string, own: number, data: View}>} event */
function hear({ data: word }) {
  if (word.kind === "who") {
    if (isStreaming) tell("lead");
    return;
  }
  if (word.kind === "gone") {
    otherMs = -Infinity;
    if (!document.hidden && !isStreaming) elect();
    return;
  }
  if (isStreaming && word.own < own) return tell("lead"); // two began at once
  if (isStreaming) closeStream();
  otherMs = performance.now();
  if (word.kind === "view") take(word.data);
}

function leave() {
  clearTimeout(election);
  if (!isStreaming) return;
  closeStream();
  tell("gone");
}

/** Back in sight: whatever the socket claims, phones kill it silently. */
function arrive() {
  tries = 0;
  void fetchNow();
  if (isStreaming) openStream();
  else elect();
}

let polledMs = -Infinity;

function tick() {
  patch();
  if (document.hidden) return;
  const nowMs = performance.now();
  if (stream) {
    if (nowMs - heardMs > WATCHDOG_MS) reopenLater();
    return;
  }
  if (!isStreaming && between && nowMs - otherMs < QUIET_MS) return;
  if (nowMs - polledMs < POLL_MS) return;
  polledMs = nowMs;
  void fetchNow(); // also while a stream was refused: the answer may say why
  if (!isStreaming) elect();
}

function begin() {
  between?.addEventListener("message", hear);
  /** @type {ReturnType<typeof setTimeout>|undefined} */
  let hiding;
  document.addEventListener("visibilitychange", () => {
    clearTimeout(hiding);
    if (document.hidden) hiding = setTimeout(leave, HIDDEN_MS);
    else arrive();
  });
  window.addEventListener("pagehide", leave);
  window.addEventListener("pageshow", (event) => {
    if (event.persisted) arrive();
  });
  window.addEventListener("online", arrive);
  setInterval(tick, TICK_MS);
  elect();
  void fetchNow(); // before it is settled who streams
}

if (main) begin();
