// @ts-check
// The compare view: three lists, each with its count, and how sure each line is; the bits of one identifier in both.
import { bitStrip, rulerStrip, TimeAxis } from "./axis.js";
import { ask, guard, id, make, number, query, table } from "./core.js";

const sure = (value) => value ? "sure" : "may be chance: too few frames";
const head = ["Identifier", "Bus", "Frames", "Period ms", "Bytes", "Seen in it", "How sure"];
let turn = 0, later = 0;
/** @type {any} */ let chosen = null;

const opener = (m) => make("button", { type: "button", class: "row mono", text: m.id, "aria-label": `bits of ${m.id} on ${m.bus}, before and after`, onclick: guard(() => open(m)) });
const rows = (list) => list.map((m) => [opener(m), m.bus, number(m.frames, 0), m.period_ms === null ? "not regular" : number(m.period_ms, 1), String(m.length), m.hints.join("; "), sure(m.sure)]);
const none = () => make("p", { class: "soft", text: "None." });
const section = (title, count, content) => make("section", { class: "card" }, make("h2", { text: `${title}: ${count}` }), make("div", { class: "scroll list", tabindex: "0", role: "region", "aria-label": title }, content));

const axis = new TimeAxis(id("bits-axis"), () => { clearTimeout(later); later = setTimeout(again, 90); }, () => {});

const show = guard(async () => {
  if (!id("a").value) return;
  chosen = null;
  id("bits").hidden = true;
  id("result").replaceChildren(make("p", { class: "soft", text: "Comparing…" }));
  let view;
  try { view = await ask(query("/api/compare", { a: id("a").value, b: id("b").value })); } catch (error) { id("result").replaceChildren(make("p", { class: "warn", text: error.message })); return; }
  id("result").replaceChildren(
    ...view.remarks.map((r) => make("p", { class: "warn", text: r })),
    make("p", { text: `${view.same} identifiers are the same in both. Press an identifier to see its bits before and after.` }),
    section("Vanished", view.vanished.length, view.vanished.length ? table(head, rows(view.vanished), [2, 3, 4]) : none()),
    section("Appeared", view.appeared.length, view.appeared.length ? table(head, rows(view.appeared), [2, 3, 4]) : none()),
    section("Changed", view.changed.length, view.changed.length ? table(["Identifier", "Bus", "What changed"], view.changed.map((c) => [opener(c), c.bus,
      make("ul", {}, ...c.changes.map((d) => make("li", { text: d.sure ? d.words : `${d.words} (${sure(false)})` })))])) : none()));
});

async function open(message) {
  chosen = { a: id("a").value, b: id("b").value, id: message.id, bus: message.bus };
  const mine = chosen, view = await ask(query("/api/compare/bits", chosen));
  if (chosen !== mine) return;
  id("bits").hidden = false;
  id("bits-head").textContent = `Bits of ${message.id} on ${message.bus}, before and after`;
  id("bits-states").replaceChildren(...states(view));
  axis.open([0, view.seconds], []);
  draw(view);
  id("bits").scrollIntoView({ block: "start" });
  id("bits-head").focus({ preventScroll: true });
}

/** The same stretch of both recordings, each by its own seconds. */
const again = guard(async () => {
  const mine = ++turn, asked = chosen;
  if (!asked) return;
  const view = await ask(query("/api/compare/bits", { ...asked, from: axis.from, to: axis.to }));
  if (mine === turn && asked === chosen) draw(view);
});

function draw(view) {
  const strip = (side, words) => side ? [{ ...bitStrip(side.picture, side.span, new Map()), name: words }] : [];
  axis.put([rulerStrip(), ...strip(view.before, "bits before"), ...strip(view.after, "bits after")]);
}

/** A table of the bits: what each was before and is after, the highest of a byte first; what differs stands out. */
function states(view) {
  const { before, after } = view, one = before || after;
  if (!one) return [make("p", { text: "In neither capture." })];
  const bytes = Math.ceil(Math.max(before?.states.length ?? 0, after?.states.length ?? 0) / 8), all = Array.from({ length: 8 * bytes }, (_, bit) => bit);
  const pair = (bit) => [before, after].filter(Boolean).map((side) => side.states[bit] ?? " ");
  const differs = (bit) => new Set(pair(bit)).size > 1;
  const cell = (bit) => differs(bit) ? make("b", { class: "warn", text: pair(bit).join("→") }) : make("span", { text: pair(bit)[0] });
  const grid = table(["Byte", "7", "6", "5", "4", "3", "2", "1", "0"], all.filter((bit) => bit % 8 === 0).map((first) => [String(first / 8), ...[7, 6, 5, 4, 3, 2, 1, 0].map((k) => cell(first + k))]));
  grid.classList.add("bit-states");
  const differ = all.filter(differs).length;
  const words = !before || !after ? `Only in the capture ${before ? "before" : "after"}: ${number(one.frames, 0)} frames.` : differ ? `${differ} bits behave differently.` : "Every bit behaves as before.";
  return [make("p", { text: words }), grid, make("p", { class: "soft small", text: "0 or 1: constant at that value. ~: it moves. An arrow: before and after." })];
}

id("go").addEventListener("click", show);
show();
