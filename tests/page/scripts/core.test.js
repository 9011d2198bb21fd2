// What every view shares: text that was typed, questions to the server, elements made of data.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";
import { place } from "./page.js";

const { ask, colour, forgetTyped, keepTyped, make, plot, query, stopWords, table, typed } = await import("../../../swapbridge/page/static/core.js");

test("typed text is kept until it is given up, and the own tab's comes before another's", () => {
  assert.equal(typed("bridge.toml"), null);
  localStorage.setItem("page swap bridge.toml other", JSON.stringify({ value: { text: "theirs" }, at: Date.now() + 9000 }));
  localStorage.setItem("page swap bridge.toml torn", "{");
  assert.equal(typed("bridge.toml").value.text, "theirs");
  assert.equal(typed("bridge.toml").mine, false);
  keepTyped("bridge.toml", { text: "mine" });
  assert.equal(typed("bridge.toml").value.text, "mine");
  keepTyped("bridge.toml", null);
  forgetTyped(typed("bridge.toml"));
  assert.equal(typed("bridge.toml"), null);
});

test("an answer that is no success is one sentence, and says whether somebody else wrote", async () => {
  const answers = { 409: '{"error": "changed since", "changed": true}', 500: "<html>broken</html>", 403: "Refused: no.\n" };
  const sent = [];
  globalThis.fetch = async (path, options) => { sent.push([path, options]); const status = Number(path.slice(1)); return { ok: status === 200, status, text: async () => answers[status] ?? '{"fine": 1}' }; };
  assert.deepEqual(await ask("/200", { a: 1 }), { fine: 1 });
  assert.equal(sent[0][1].headers["x-swapbridge-form"], "f");
  assert.equal(sent[0][1].method, "POST");
  await assert.rejects(ask("/409"), (e) => e.message === "changed since" && e.changed === true);
  await assert.rejects(ask("/403"), (e) => e.message === "Refused: no." && e.changed === false);
  await assert.rejects(ask("/500"));
});

test("data becomes text, never markup", () => {
  const evil = "<img src=x onerror=alert(1)>", node = make("p", { text: evil, title: evil }, make("b", { text: "x", hidden: true }));
  assert.equal(node.querySelector("img"), null);
  assert.equal(node.getAttribute("title"), evil);
  assert.equal(table([evil], [[evil]]).querySelectorAll("img").length, 0);
  assert.equal(query("/api/field", { id: "1A0&x=1 #" }), "/api/field?id=1A0%26x%3D1+%23");
});

test("stop says what it does above the speed at which it matters, and a colour is asked for once", () => {
  assert.equal(stopWords(null), "Stop");
  assert.equal(stopWords(5), "Stop");
  assert.match(stopWords(40), /at 40 km\/h/);
  assert.equal(colour("accent"), colour("accent"));
});

test("a hole in one line stays open however many points another line has meanwhile", () => {
  const code = readFileSync("../../swapbridge/page/static/vendor/uPlot.iife.min.js", "utf8"); // npm runs in .ci/page
  const real = new Function("window", `${code}; return uPlot;`)(); // without a window it touches no page
  let drawn = null;
  globalThis.uPlot = Object.assign(class { constructor(options, data) { this.width = options.width; drawn = data; } destroy() {} }, { join: real.join, paths: real.paths });
  plot(place(), [{ label: "a", times: [0, 1, 2, 3, 4, 5], values: [1, 1, 1, 1, 1, 1] }, { label: "b", times: [0, 1, 1.5, 5], values: [2, 2, null, 2] }]);
  assert.deepEqual(drawn[0], [0, 1, 1.5, 2, 3, 4, 5]);
  assert.deepEqual(drawn[2], [2, 2, null, null, null, null, 2]);
});
