// The axis of time: what stretch is looked at, whatever is pressed, and what a strip says at a moment.
import assert from "node:assert/strict";
import { test } from "node:test";
import { place, press } from "./page.js";

const { blockStrip, latest, lineStrip, TimeAxis } = await import("../../../swapbridge/page/static/axis.js");

function opened() {
  const told = { moved: 0, at: [] }, axis = new TimeAxis(place(), () => { told.moved++; }, (at) => told.at.push(at));
  axis.open([0, 100], [{ begin: 40, end: 50, words: "the bus slept" }]);
  axis.put([]);
  return { axis, told };
}
const seen = (axis) => [axis.from, axis.to];

test("no key leads out of the recording, or nearer than can be told apart", () => {
  const { axis } = opened();
  for (const key of ["+", "ArrowRight", "-", "-", "-", "Home"]) press(key, axis.body);
  assert.deepEqual(seen(axis), [0, 100]);
  for (let n = 0; n < 60; n++) press("+", axis.body);
  assert.ok(axis.to - axis.from >= 0.002);
  for (let n = 0; n < 60; n++) press("ArrowRight", axis.body, { shiftKey: true });
  assert.ok(axis.to <= 100);
  for (let n = 0; n < 60; n++) press("-", axis.body);
  assert.deepEqual(seen(axis), [0, 100]);
});

test("zooming keeps the cursor where it is in the picture", () => {
  const { axis, told } = opened();
  axis.set(25);
  axis.zoom(0.5);
  assert.deepEqual(seen(axis), [12.5, 62.5]);
  assert.equal((25 - axis.from) / (axis.to - axis.from), 0.25);
  assert.deepEqual(told.at, [25]);
  assert.equal(told.moved, 1);
});

test("the words say the cursor, the gap it stands in, and the stretch", () => {
  const { axis } = opened();
  axis.set(45);
  assert.match(axis.words.textContent, /Cursor 45 s\. Here the bus slept\. Shown: 0 to 100 s/);
  press("Escape", axis.body);
  assert.doesNotMatch(axis.words.textContent, /Cursor/);
});

test("a wider whole shows itself where all was looked at, and leaves a stretch alone", () => {
  const { axis } = opened();
  axis.widen([-20, 130]);
  assert.deepEqual(seen(axis), [-20, 130]);
  axis.show(0, 10);
  axis.widen([-20, 200]);
  assert.deepEqual(seen(axis), [0, 10]);
  axis.widen([5, 8]);
  assert.deepEqual(seen(axis), [5, 8]);
});

test("the last value at a moment, as a loop finds it", () => {
  const times = [0, 1, 1, 2.5];
  for (const at of [-1, 0, 0.5, 1, 2, 2.5, 9]) {
    let last = -1;
    times.forEach((t, n) => { if (t <= at) last = n; });
    assert.equal(latest(times, at), last, String(at));
  }
});

test("a strip says numbers with their unit, states in words, and nothing where nothing came", () => {
  const line = { name: "speed", unit: "km/h", step: false, states: {}, times: [0, 1, 2], values: [10, null, 30.12345] };
  const strip = lineStrip(line, "accent", {});
  assert.deepEqual([-1, 0.5, 1.5, 9].map((at) => strip.read(at)), ["nothing", "10 km/h", "nothing", "30.123 km/h"]);
  const state = { ...line, unit: "", step: true, states: { 0: "off", 1: "on" }, values: [0, 1, 0] };
  assert.equal(lineStrip(state, "accent", {}, { ...state, values: [1, 1, 1] }).read(0.5), "off ┆ on");
  const blocks = blockStrip({ name: "lever", blocks: [[0, 5, "P"], [5, 9, "R"]] });
  assert.deepEqual([0, 5, 9].map((at) => blocks.read(at)), ["P", "R", ""]);
});
