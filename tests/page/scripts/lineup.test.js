// Two recordings on one line of time: every way to line them up, and lines moved so.
import assert from "node:assert/strict";
import { test } from "node:test";
import { lineUps, moved, movedBlocks } from "../../../swapbridge/page/static/lineup.js";

const recorded = (start, seconds, ...blocks) => ({ start, span: [0, seconds], blocks: [{ name: "lever", blocks }] });

test("clocks come first where the recordings overlap, and are left out where they do not", () => {
  const mine = recorded(1000, 60);
  assert.deepEqual(lineUps(mine, recorded(1030.5, 60)).map((w) => [w.words, w.shift]), [["by their clocks", 30.5], ["both beginnings", 0]]);
  assert.deepEqual(lineUps(mine, recorded(950, 60))[0].shift, -50);
  for (const start of [1060, 5000, 900]) assert.deepEqual(lineUps(mine, recorded(start, 60)).map((w) => w.shift), [0]);
});

test("a word that both say lines up its first places, once", () => {
  const mine = recorded(0, 60, [0, 5, "P"], [5, 9, "R"], [9, 20, "P"]), other = recorded(9000, 60, [0, 8, "N"], [8, 12, "R"], [12, 14, "P"]);
  assert.deepEqual(lineUps(mine, other).slice(1), [{ words: "where lever says P", shift: -12 }, { words: "where lever says R", shift: -3 }]);
  assert.equal(lineUps(mine, { ...other, blocks: [{ name: "key", blocks: [[0, 1, "P"]] }] }).length, 1);
});

test("no more ways than a list can show", () => {
  const words = Array.from({ length: 90 }, (_, n) => [n, n + 1, `step ${n}`]);
  assert.ok(lineUps(recorded(0, 90, ...words), recorded(9000, 90, ...words)).length <= 30);
});

test("what is moved keeps its values and ends where its recording does", () => {
  const line = { name: "a", times: [0, 1.5], values: [7, null] };
  assert.deepEqual(moved(line, 10, 2), { name: "a", times: [10, 11.5], values: [7, null], end: 12 });
  assert.deepEqual(line.times, [0, 1.5]);
  assert.deepEqual(movedBlocks({ name: "key", blocks: [[0, 2, "on"]] }, -1).blocks, [[-1, 1, "on"]]);
});
