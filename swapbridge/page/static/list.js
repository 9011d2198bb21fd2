// @ts-check
// A table of many rows: search, filter, sort by a column, and arrow keys from row to row.
import { make } from "./core.js";

/**
 * @typedef {object} Column
 * @property {string} name
 * @property {(row: any) => any} cell what is shown: text or a node
 * @property {(row: any) => any} [sort] what it is sorted by; the text by default
 * @property {boolean} [right]
 */

export class PickList {
  /**
   * @param {HTMLElement} place
   * @param {Column[]} columns
   * @param {{words: string, key: (row: any) => string, text: (row: any) => string, pick: (row: any) => void, filters?: [string, (row: any) => boolean][], empty?: string}} options
   */
  constructor(place, columns, options) {
    this.columns = columns;
    this.options = options;
    /** @type {any[]} */
    this.all = [];
    /** @type {any[]} */
    this.shown = [];
    this.chosen = "";
    this.by = -1;
    this.down = false;
    this.search = make("input", { type: "search", placeholder: `Search ${options.words}`, "aria-label": `Search ${options.words}` });
    this.search.addEventListener("input", () => this.draw());
    this.filter = make("select", { "aria-label": `Which ${options.words} are shown`, onchange: () => this.draw() }, ...(options.filters || []).map(([words], n) => make("option", { value: n, text: words })));
    this.count = make("span", { class: "soft", role: "status" });
    this.body = make("tbody", {});
    this.heads = columns.map((column, n) => make("th", { scope: "col", class: column.right ? "num" : false, "aria-sort": "none" },
      make("button", { type: "button", class: "row", text: column.name, title: `sort by ${column.name}`, onclick: () => this.sort(n) })));
    this.table = make("table", {}, make("thead", {}, make("tr", {}, ...this.heads)), this.body);
    this.body.addEventListener("keydown", (event) => this.key(event));
    const box = make("div", { class: "scroll list", tabindex: "-1" }, this.table);
    place.replaceChildren(make("div", { class: "bar list-keys" }, this.search, options.filters ? this.filter : null, this.count), box);
  }

  /** @param {any[]} rows */
  put(rows) { this.all = rows; this.draw(); }

  sort(n) {
    this.down = this.by === n ? !this.down : false;
    this.by = n;
    this.heads.forEach((head, i) => head.setAttribute("aria-sort", i !== n ? "none" : this.down ? "descending" : "ascending"));
    this.draw();
  }

  draw() {
    const wanted = this.search.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
    const test = this.options.filters ? this.options.filters[Number(this.filter.value) || 0][1] : () => true;
    this.shown = this.all.filter((row) => test(row) && wanted.every((word) => this.options.text(row).toLowerCase().includes(word)));
    if (this.by >= 0) {
      const of = this.columns[this.by].sort || this.columns[this.by].cell, turn = this.down ? -1 : 1;
      const order = (a, b) => typeof a === "number" && typeof b === "number" ? a - b : String(a ?? "").localeCompare(String(b ?? ""), "en", { numeric: true });
      this.shown = this.shown.map((row) => [of(row), row]).sort((a, b) => turn * order(a[0], b[0])).map((pair) => pair[1]);
    }
    this.count.textContent = this.shown.length === this.all.length ? `${this.all.length} ${this.options.words}` : `${this.shown.length} of ${this.all.length} ${this.options.words}`;
    this.body.replaceChildren(...this.shown.map((row) => {
      const key = this.options.key(row);
      return make("tr", { "data-key": key, "aria-selected": key === this.chosen ? "true" : "false" }, ...this.columns.map((column, n) => {
        const value = column.cell(row);
        if (n === 0) return make("td", { "data-name": column.name }, make("button", { type: "button", class: "row mono", text: value, tabindex: "-1", onclick: () => this.take(row) }));
        return make("td", { class: column.right ? "num" : false, "data-name": column.name }, value instanceof Node ? value : String(value ?? ""));
      }));
    }), ...(this.shown.length ? [] : [make("tr", {}, make("td", { colspan: this.columns.length, class: "soft", text: this.all.length ? "Nothing matches; clear the search." : this.options.empty || "None." }))]));
    this.reach();
  }

  /** One row can be reached by Tab: the chosen one, else the first. */
  reach() {
    const buttons = [...this.body.querySelectorAll("td:first-child > button")];
    buttons.forEach((button) => button.setAttribute("tabindex", "-1"));
    const chosen = buttons.find((button) => button.closest("tr")?.dataset.key === this.chosen) || buttons[0];
    chosen?.setAttribute("tabindex", "0");
  }

  /** @param {string} key */
  mark(key) {
    this.chosen = key;
    for (const row of this.body.rows) row.setAttribute("aria-selected", String(row.dataset.key === key));
    this.reach();
  }

  take(row) {
    this.mark(this.options.key(row));
    this.options.pick(row);
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const rows = [...this.body.rows], at = rows.findIndex((row) => row.contains(document.activeElement));
    const to = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: rows.length - 1, PageDown: at + 10, PageUp: at - 10 }[event.key];
    if (to === undefined || at < 0) return;
    event.preventDefault();
    const next = Math.min(rows.length - 1, Math.max(0, to));
    if (!this.shown[next]) return;
    this.take(this.shown[next]);
    this.body.rows[next].querySelector("button")?.focus();
  }
}
