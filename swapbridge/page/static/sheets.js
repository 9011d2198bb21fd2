// @ts-check
// The sheets view: the health sheet and the needs list as forms. What was typed outlives a reload, and a file that somebody
// else wrote meanwhile is never written over unasked.
import { ask, forgetTyped, guard, id, keepTyped, make, mayWrite, tell, typed } from "./core.js";

/** @typedef {import("./answers").NeedRow} NeedRow */
/** @typedef {import("./answers").HealthRows} HealthRows */

const button = (label, work, more = {}) => make("button", { type: "button", text: label, disabled: !mayWrite, onclick: work, ...more });

/** A box with its label; what is typed goes into the row at once. @param {any} row @param {string} key @param {string} label */
export function box(row, key, label, more = {}, kind = "input") {
  const node = make(kind, more);
  node.value = row[key];
  node.addEventListener("input", () => { row[key] = node.value; });
  return make("label", { class: "field" }, label, node);
}

/** A choice of the words that the template brings. */
export function choice(row, key, label, words, none) {
  const node = make("select", {}, none === undefined ? null : make("option", { value: "", text: none }), id(`choices-${words}`).content.cloneNode(true));
  if (![...node.options].some((o) => o.value === row[key])) node.append(make("option", { value: row[key], text: row[key] }));
  node.value = row[key];
  node.addEventListener("input", () => { row[key] = node.value; });
  return make("label", { class: "field" }, label, node);
}

/** Rows that no longer say which of the file's they were: they take the place of all of them. @param {any} rows @returns {any} */
export const untied = (rows) => JSON.parse(JSON.stringify(rows), (key, value) => (key === "was" ? null : value));

/** A form over one file of the swap folder. */
export class Sheet {
  /**
   * @param {string} key the form's id in the page
   * @param {string} file
   * @param {{ read: () => Promise<any>, send: (rows: any, version: string) => Promise<any>, rows: (view: any) => any, draw: (rows: any) => void, look?: () => void }} work
   */
  constructor(key, file, work) {
    this.file = file;
    this.work = work;
    /** @type {any} */
    this.rows = null;
    this.saved = "";
    this.version = "";
    this.form = id(key);
    this.place = id(`${key}-unsaved`);
    this.trouble = id(`${key}-trouble`);
    this.undo = this.form.querySelector(".undo");
    this.words = this.form.querySelector("[role=status]");
    this.form.addEventListener("input", () => this.edited());
    this.form.addEventListener("submit", guard(async (event) => { event.preventDefault(); await this.store(); }));
    this.undo.addEventListener("click", guard(() => this.takeBack()));
  }

  get text() { return JSON.stringify(this.rows); }

  edited() {
    keepTyped(this.file, this.text === this.saved ? null : { text: this.text, version: this.version });
    this.look();
  }

  /** A row came or went. */
  changed() {
    this.draw();
    this.edited();
  }

  look() {
    this.words.textContent = this.text === this.saved ? "" : "Not saved yet.";
    this.work.look?.();
  }

  take(view) {
    this.version = view.version;
    this.rows = this.work.rows(view);
    this.saved = view.found?.length ? "" : this.text; // what a comparison found is in no file yet
    this.trouble.hidden = !view.trouble;
    this.trouble.textContent = view.trouble ? `${view.trouble}. Correct the file in an editor; this form can't show it.` : "";
    this.form.hidden = !!view.trouble;
    this.undo.textContent = view.undo ? `Undo: ${view.undo}` : "Undo";
    this.undo.disabled = !mayWrite || !view.undo;
    this.draw();
  }

  draw() {
    this.work.draw(this.rows);
    this.look();
  }

  mine(text) {
    this.rows = JSON.parse(text);
    this.choose("");
    this.draw();
  }

  choose(words, ...buttons) {
    this.place.replaceChildren(...(words ? [make("section", { class: "card next" }, make("p", { text: words }), make("div", { class: "bar" }, ...buttons))] : []));
  }

  async start() {
    const kept = typed(this.file);
    const view = await this.work.read();
    this.take(view);
    if (!kept || kept.value.text === this.saved) return;
    const changed = kept.value.version !== view.version ? " The file on the disk has been changed since by something else." : "";
    const words = `Entries for ${this.file} that were never saved (typed ${new Date(kept.at).toLocaleString()})`;
    const forget = button("Discard them and load the file from the disk", () => { forgetTyped(kept); this.choose(""); this.take(view); });
    if (!kept.mine) { this.choose(`${words} were left behind by another tab.${changed}`, button("Show them here", () => this.mine(kept.value.text)), forget); return; }
    this.version = kept.value.version;
    this.mine(kept.value.text);
    this.choose(`${words} are shown.${changed}`, forget);
  }

  async store() {
    try {
      const view = await this.work.send(this.rows, this.version);
      keepTyped(this.file, null);
      this.choose("");
      this.take(view);
      tell("Saved.");
    } catch (error) {
      if (!error.changed) throw error;
      const mine = this.text, version = this.version, theirs = await this.work.read();
      this.choose(`${error.message}. Your entries are still here, unsaved.`,
        button("Show the file as it is now (yours are kept)", () => {
          this.take(theirs);
          keepTyped(this.file, { text: mine, version });
          this.choose("This is the file as it is now.", button("Back to my entries", () => { this.version = version; this.mine(mine); }));
        }),
        button("Write mine over it (undo brings theirs back)", guard(async () => { this.rows = untied(this.rows); this.version = theirs.version; await this.store(); })));
    }
  }

  async takeBack() {
    if (this.text !== this.saved) { tell("There are unsaved entries; save them, or reload the page and forget them, before you undo an earlier step.", true); return; }
    const { undone } = await ask("/api/undo", { file: this.file, version: this.version });
    this.take(await this.work.read());
    tell(`Undone: ${undone}`);
  }
}

const NEED = { was: null, module: "", bus: "host", id: "", period_ms: "", length: "", how: "can", role: "", signal: "", note: "", codes: "", codes_found: "" };
const CYLINDER = { was: null, number: "", supply: "", cylinder: "", compression: "", air_heard: "" };
const OIL = { was: null, after: "old fill", seen: "nothing" };
const called = (/** @type {NeedRow} */ row) => `${row.module || "new"}: ${[row.id, row.signal || row.role].filter(Boolean).join(" ") || row.note || "nothing said yet"}${row.how === "can" ? "" : ` (${row.how})`}`;

document.addEventListener("DOMContentLoaded", () => {
  const needs = new Sheet("needs", "needs.toml", {
    read: () => ask("/api/needs"),
    send: (rows, version) => ask("/api/needs/save", { needs: rows, version }),
    rows: (view) => (view.version ? view.needs : view.found),
    draw: (rows) => {
      id("needs-rows").replaceChildren(...rows.map((row, place) => needCard(rows, row, place)));
      if (rows.length && !needs.version) id("needs-rows").prepend(make("p", { text: "Found by comparison, and in no list yet: look through it, then save." }));
      if (!rows.length) id("needs-rows").append(make("p", { class: "soft", text: "Nothing is listed yet. Comparing the host with its engine computer plugged in and unplugged finds what vanished; the rest is added here." }));
    },
  });

  /** @param {NeedRow[]} rows @param {NeedRow} row @param {number} place */
  function needCard(rows, row, place) {
    const head = make("summary", { text: called(row) });
    const node = make("details", { class: "entry" }, head,
      make("div", { class: "bar" }, box(row, "module", "Module that waits"), choice(row, "how", "How it is met", "ways"), box(row, "bus", "Bus", { size: 8 })),
      make("div", { class: "bar" }, box(row, "id", "Identifier in hex (followed by x for 29 bits)", { class: "mono", size: 10 }), box(row, "period_ms", "Every (ms)", { inputmode: "decimal", class: "short" }), box(row, "length", "Bytes", { inputmode: "numeric", class: "short" })),
      make("div", { class: "bar" }, box(row, "role", "What it is (role)", { list: "roles" }), box(row, "signal", "Signal in the map")),
      box(row, "note", "Note: what happens without it", { rows: "2" }, "textarea"),
      make("div", { class: "bar" }, box(row, "codes", "Fault codes it sets (separated by commas)"), box(row, "codes_found", "How these were found")),
      button("Remove", () => { rows.splice(place, 1); needs.changed(); }, { "aria-label": `Remove ${called(row)}` }));
    node.addEventListener("input", () => { head.textContent = called(row); });
    node.open = !row.module;
    return node;
  }
  id("needs-add").addEventListener("click", () => {
    needs.rows.push({ ...NEED });
    needs.changed();
    id("needs-rows").lastElementChild.querySelector("input").focus();
  });

  let later = 0, turn = 0;
  const health = new Sheet("health", "health.toml", {
    read: () => ask("/api/health"),
    send: (sheet, version) => ask("/api/health/save", { sheet, version }),
    rows: (view) => view.sheet,
    draw: (sheet) => id("health-rows").replaceChildren(...sheet.engines.map(engineCard), make("section", { "aria-labelledby": "gearbox" },
      make("h3", { id: "gearbox", text: "The host's gearbox" }),
      make("div", { class: "bar" }, box(sheet, "most_torque", "Maximum torque (Nm)", { inputmode: "decimal", class: "short" }), box(sheet, "shifts_at", "Highest upshift (rpm)", { inputmode: "decimal", class: "short" })))),
    look: () => { clearTimeout(later); later = setTimeout(judge, 300); },
  });
  const judge = guard(async () => {
    if (!mayWrite) return;
    const mine = ++turn, said = await ask("/api/health/check", { sheet: health.rows });
    if (mine !== turn) return;
    health.words.textContent = said.fault || (health.text === health.saved ? "" : "Not saved yet.");
    for (const node of document.querySelectorAll("[data-engine]")) {
      const engine = said.engines.find((e) => e.which === node.getAttribute("data-engine"));
      const place = node.querySelector(".judged");
      if (place) place.replaceChildren(...(engine?.words ?? []).map((words) => make("li", { text: words })));
      for (const leak of node.querySelectorAll("[data-cylinder]")) leak.textContent = engine?.leaks[leak.getAttribute("data-cylinder") ?? ""] ?? "";
    }
  });

  /** @param {HealthRows["engines"][0]} engine */
  function engineCard(engine) {
    const gauge = (row, key, label) => box(row, key, label, { inputmode: "decimal", class: "short" });
    const out = (rows, place) => () => { rows.splice(place, 1); health.changed(); };
    const cylinder = (row, place) => {
      const leak = make("span", { class: "soft", "data-cylinder": row.number });
      const node = make("div", { class: "bar cylinder", role: "group", "aria-label": `cylinder ${row.number} of the ${engine.which}` }, box(row, "number", "Cylinder", { inputmode: "numeric", class: "tiny" }),
        gauge(row, "supply", `Supply gauge (${engine.unit})`), gauge(row, "cylinder", `Cylinder gauge (${engine.unit})`), choice(row, "air_heard", "Air heard at", "heard", "nowhere"), gauge(row, "compression", `Compression (${engine.unit})`),
        button("Remove", out(engine.cylinders, place), { "aria-label": `Remove cylinder ${row.number} of the ${engine.which}` }), leak);
      node.addEventListener("input", () => leak.setAttribute("data-cylinder", row.number));
      return node;
    };
    const look = (row, place) => make("div", { class: "bar" }, choice(row, "after", "Oil looked at", "fills"), choice(row, "seen", "Seen in it", "oil"), button("Remove", out(engine.oil, place), { "aria-label": `Remove look ${place + 1} at the ${engine.which}'s oil` }));
    const unit = choice(engine, "unit", "Gauges read", "units");
    unit.addEventListener("change", () => health.changed()); // it stands beside every box
    return make("section", { "data-engine": engine.which, "aria-labelledby": `engine-${engine.which}` },
      make("h3", { id: `engine-${engine.which}`, text: engine.which === "donor" ? "Donor's engine" : "Host's old engine" }),
      make("ul", { class: "judged plain" }),
      make("div", { class: "bar" }, unit, gauge(engine, "redline", "Redline (rpm)"), gauge(engine, "idle", "Idle (rpm)"), gauge(engine, "peak_torque", "Peak torque (Nm)")),
      ...engine.cylinders.map(cylinder),
      ...engine.oil.map(look),
      make("div", { class: "bar" },
        button("Add a cylinder", () => { engine.cylinders.push({ ...CYLINDER, number: String(1 + Math.max(0, ...engine.cylinders.map((c) => Number(c.number) || 0))) }); health.changed(); }, { "aria-label": `Add a cylinder to the ${engine.which}` }),
        button("Add a look at the oil", () => { engine.oil.push({ ...OIL }); health.changed(); }, { "aria-label": `Add a look at the ${engine.which}'s oil` })));
  }

  guard(() => health.start())();
  guard(() => needs.start())();
});
