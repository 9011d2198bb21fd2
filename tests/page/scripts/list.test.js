// Long lists: search, filter, sort, and the keyboard.
import assert from "node:assert/strict";
import { test } from "node:test";
import { place, press } from "./page.js";

const { PickList } = await import("../../../swapbridge/page/static/list.js");
const ROWS = [["100", 10], ["2A0", 9], ["<b>1F</b>", 200]].map(([id, period]) => ({ id, period }));

function listed(picked = []) {
  const list = new PickList(place(), [
    { name: "Identifier", cell: (r) => r.id },
    { name: "Period", cell: (r) => `${r.period} ms`, sort: (r) => r.period },
  ], { words: "identifiers", key: (r) => r.id, text: (r) => `${r.id} every ${r.period}`, pick: (r) => picked.push(r.id), filters: [["all", () => true], ["slow", (r) => r.period > 100]] });
  list.put(ROWS);
  return list;
}
const shown = (list) => list.shown.map((r) => r.id);

test("text from files is text", () => {
  const list = listed();
  assert.equal(list.body.querySelector("b"), null);
  assert.match(list.body.textContent, /<b>1F<\/b>/);
});

test("every word of a search must be there, in any order, whatever the case", () => {
  const list = listed();
  for (const [words, found] of [["2a0", ["2A0"]], ["every 10", ["100"]], ["10 100", ["100"]], ["nothing", []], ["", ["100", "2A0", "<b>1F</b>"]]]) {
    list.search.value = words;
    list.draw();
    assert.deepEqual(shown(list), found, words);
  }
  list.search.value = "nothing";
  list.draw();
  assert.match(list.body.textContent, /clear the search/);
  assert.equal(list.count.textContent, "0 of 3 identifiers");
});

test("a filter and a search both hold", () => {
  const list = listed();
  list.filter.value = "1";
  list.draw();
  assert.deepEqual(shown(list), ["<b>1F</b>"]);
});

test("numbers are sorted as numbers, and the head says which way", () => {
  const list = listed();
  list.sort(1);
  assert.deepEqual(shown(list), ["2A0", "100", "<b>1F</b>"]);
  assert.equal(list.heads[1].getAttribute("aria-sort"), "ascending");
  list.sort(1);
  assert.deepEqual(shown(list), ["<b>1F</b>", "100", "2A0"]);
  list.sort(0);
  assert.deepEqual([list.heads[0], list.heads[1]].map((h) => h.getAttribute("aria-sort")), ["ascending", "none"]);
});

test("arrow keys take the next row, stop at the ends, and one row is in the order of Tab", () => {
  const picked = [], list = listed(picked), stops = () => [...list.body.querySelectorAll('button[tabindex="0"]')].map((b) => b.textContent);
  assert.deepEqual(stops(), ["100"]);
  list.body.querySelector("button").focus();
  for (const key of ["ArrowDown", "ArrowDown", "ArrowDown", "Home", "End", "ArrowUp"]) press(key);
  assert.deepEqual(picked, ["2A0", "<b>1F</b>", "<b>1F</b>", "100", "<b>1F</b>", "2A0"]);
  assert.deepEqual(stops(), ["2A0"]);
  assert.equal(document.activeElement.textContent, "2A0");
  assert.equal(list.body.querySelector('[aria-selected="true"]').dataset.key, "2A0");
});
