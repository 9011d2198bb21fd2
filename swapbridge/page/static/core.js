// @ts-check
// What every view's script shares: asking the server, telling the person, plotting, small builders.
// Text from files only ever goes into textContent: nothing here makes HTML from data.
/** @type {(name: string) => any} */
const field = (name) => document.querySelector(`meta[name="${name}"]`);
const meta = (name) => field(name).content;
/** An element of the template, whatever kind it is there.
 * @type {(name: string) => any} */
const id = (name) => document.getElementById(name);
const mayWrite = meta("may-write") === "yes";
let hideLater = 0;

function tell(text, fault) {
  const box = id("message");
  box.textContent = text;
  box.classList.toggle("fault", !!fault);
  box.hidden = false;
  clearTimeout(hideLater);
  hideLater = setTimeout(() => { box.hidden = true; }, fault ? 12000 : 5000);
}

/** @typedef {import("./answers").Answers} Answers */
/** @typedef {import("./answers").Requests} Requests */
/**
 * Asks the server; with values it is a change. The types of both are told by the path.
 * @template {keyof Answers} P
 * @overload
 * @param {P | `${P}?${string}`} path
 * @param {P extends keyof Requests ? Requests[P] : never} [values]
 * @returns {Promise<Answers[P]>}
 */
/**
 * @overload
 * @param {"/api/live" | "/api/live/stop" | `/api/jobs/${string}`} path
 * @param {{}} [values]
 * @returns {Promise<any>}
 */
/**
 * @param {string} path
 * @param {object} [values]
 * @returns {Promise<any>}
 */
async function ask(path, values) {
  const post = values !== undefined;
  const reply = await fetch(path, post
    ? { method: "POST", headers: { "content-type": "application/json", "x-swapbridge-form": meta("form-token") }, body: JSON.stringify(values) }
    : {});
  const text = await reply.text();
  let value;
  try { value = JSON.parse(text); } catch { value = { error: text.trim() }; }
  if (!reply.ok) throw Object.assign(new Error(value.error || `the page's server answered ${reply.status}`), { changed: !!value.changed });
  return value;
}

/** A path with what is asked.
 * @type {<P extends string>(path: P, values: Record<string, any>) => `${P}?${string}`} */
const query = (path, values) => `${path}?${new URLSearchParams(values)}`;

/** An element with attributes (`text` and `on...` among them) and children.
 * @returns {any} */
function make(tag, attributes, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name === "text") node.textContent = value;
    else if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, value);
  }
  node.append(...children.filter((c) => c !== null && c !== undefined));
  return node;
}

function drawing(tag, attributes, ...children) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name === "text") node.textContent = value; else node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}

function table(head, rows, right) {
  const numeric = new Set(right || []);
  const cell = (tag, value, i) => {
    const node = make(tag, { class: numeric.has(i) ? "num" : false, scope: tag === "th" ? "col" : false, "data-name": tag === "td" && head[i] });
    if (value instanceof Node) node.append(value); else node.textContent = value ?? "";
    return node;
  };
  return make("table", {},
    make("thead", {}, make("tr", {}, ...head.map((h, i) => cell("th", h, i)))),
    make("tbody", {}, ...rows.map((row) => make("tr", {}, ...row.map((v, i) => cell("td", v, i))))));
}

/** @type {Map<string, string>} */
const colours = new Map();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => colours.clear());
/** One of the page's colours by its name, as it is in light or dark; asking the style each time is slow. */
function colour(name) {
  let found = colours.get(name);
  if (found === undefined) colours.set(name, found = getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim());
  return found;
}

// Lines over time. `lines` is [{label, times, values, dash}]; each is drawn against the first one's axis unless `own`.
const charts = new Map();
/** Lines in one picture; a picture that was there before, or has left the page, lets go of all it held.
 * @param {any} place @param {any[]} lines @param {any} [options] */
function plot(place, lines, options) {
  for (const [where, one] of charts) if (where === place || !where.isConnected) { one.watcher.disconnect(); one.chart.destroy(); charts.delete(where); }
  place.replaceChildren();
  if (!lines.length || !lines[0].times.length) { place.append(make("p", { class: "soft", text: "Nothing to draw." })); return null; }
  const inks = ["accent", "warm", "check", "good", "bad"].map(colour);
  const HOLES = 2; // a break in one line stays open however many points the other lines have meanwhile
  const data = uPlot.join(lines.map((l) => [l.times, l.values]), lines.map(() => [HOLES, HOLES]));
  /** @type {any} */
  const axis = { stroke: colour("ink"), grid: { stroke: colour("still"), width: 1 }, ticks: { stroke: colour("line") } };
  const scales = { x: { time: false } };
  const series = [{ label: (options && options.xLabel) || "seconds" }];
  const axes = [{ ...axis, label: (options && options.xLabel) || "seconds", size: 56, labelSize: 22 }];
  lines.forEach((line, i) => {
    const scale = line.own ? `y${i}` : "y0";
    if (!scales[scale]) {
      scales[scale] = {};
      axes.push({ ...axis, scale, side: line.own ? 1 : 3, label: line.axis || line.label, size: 64, labelSize: 20, grid: line.own ? { show: false } : axis.grid });
    }
    series.push({ label: line.label, scale, stroke: inks[i % inks.length], width: 1.6, dash: line.dash, spanGaps: false, points: { show: !!line.points, size: 5 }, paths: line.step ? uPlot.paths.stepped({ align: 1 }) : line.points ? () => null : undefined });
  });
  const size = () => ({ width: Math.max(280, place.clientWidth), height: (options && options.height) || 300 });
  const chart = new uPlot({ ...size(), scales, series, axes, cursor: { drag: { x: true, y: false } } }, data, place);
  const watcher = new ResizeObserver(() => { const now = size(); if (now.width !== chart.width) chart.setSize(now); });
  watcher.observe(place);
  charts.set(place, { chart, watcher });
  return chart;
}

async function job(start, place, done) {
  const bar = make("progress", { max: "1", value: "0", "aria-label": "progress" });
  const words = make("span", { class: "soft", text: "starting" });
  const stop = make("button", { type: "button", text: "Cancel" });
  place.replaceChildren(make("div", { class: "card" }, bar, make("div", { class: "bar" }, words, stop)));
  try {
    const { job: key } = await start();
    stop.addEventListener("click", () => ask(`/api/jobs/${key}/cancel`, {}).catch(() => {}));
    for (;;) {
      const state = await ask(`/api/jobs/${key}`);
      bar.value = state.share;
      words.textContent = `${state.what}: ${state.doing} (${Math.round(state.share * 100)} %, ${state.seconds} s)`;
      if (state.state === "done") { place.replaceChildren(); done(state.result); return; }
      if (state.state === "cancelled") { place.replaceChildren(); tell("Cancelled."); return; }
      if (state.state === "failed") throw new Error(state.error);
      await new Promise((ready) => setTimeout(ready, 150));
    }
  } catch (error) { place.replaceChildren(); tell(error.message, true); }
}

// Text that a person typed outlives a reload: kept in the browser, by tab, until it is saved or given up.
const tab = sessionStorage.getItem("page-tab") || `${Date.now().toString(36)}${Math.random().toString(36).slice(2, 8)}`;
sessionStorage.setItem("page-tab", tab);
const folder = id("folder").textContent;
const place = (what, whose) => `page ${folder} ${what} ${whose}`;
function keepTyped(what, value) {
  try { if (value === null) localStorage.removeItem(place(what, tab)); else localStorage.setItem(place(what, tab), JSON.stringify({ value, at: Date.now() })); } catch { tell("The browser can't store more text: save soon.", true); }
}
// What this tab kept, else the newest that a tab now closed left behind.
function typed(what) {
  const found = Object.keys(localStorage).filter((k) => k.startsWith(place(what, ""))).map((k) => { try { return { ...JSON.parse(localStorage.getItem(k) || ""), mine: k === place(what, tab), key: k }; } catch { return null; } }).filter(Boolean);
  found.sort((a, b) => b.mine - a.mine || b.at - a.at);
  return found[0] || null;
}
const forgetTyped = (kept) => localStorage.removeItem(kept.key);

/** The capture that was chosen last in this tab, in whichever view, is chosen here too. @param {any} select */
function sameFile(select) {
  const key = `page ${folder} file`, last = sessionStorage.getItem(key);
  if ([...select.options].some((o) => o.value === last)) select.value = last;
  select.addEventListener("change", () => sessionStorage.setItem(key, select.value));
}

const guard = (work) => async (...values) => { try { return await work(...values); } catch (error) { tell(error.message, true); return undefined; } };
const number = (value, digits) => Number(value).toLocaleString("en", { maximumFractionDigits: digits ?? 2 });

// Stop needs nothing but this address: no session, no token, no answer read.
const GOING_SILENT = 5;
const stopLive = guard(async () => { await ask("/api/live/stop", {}); tell("Stop was asked for."); });
const stopWords = (kmh) => kmh !== null && kmh !== undefined && kmh > GOING_SILENT
  ? `Stop (at ${number(kmh, 0)} km/h: gearbox and stability control lose their engine, steering assist may end)` : "Stop";
const sent = () => id("sending");
function showSending(view) {
  sent().hidden = !view.sending;
  if (view.sending) id("stop-sending").textContent = stopWords(view.run ? view.run.speed_kmh : null);
}

document.addEventListener("DOMContentLoaded", () => {
  id("stop-sending").addEventListener("click", stopLive);
  if (!document.getElementById("board")) {
    const look = async () => { try { showSending(await ask("/api/live")); } catch { /* the next look tells */ } setTimeout(look, 2000); };
    setTimeout(look, 500);
  }
  if (!mayWrite) for (const node of document.querySelectorAll("[data-writes]")) node.setAttribute("disabled", "");
});
export { ask, meta, colour, drawing, forgetTyped, guard, id, job, keepTyped, make, mayWrite, number, plot, query, sameFile, showSending, stopLive, stopWords, table, tell, typed };
