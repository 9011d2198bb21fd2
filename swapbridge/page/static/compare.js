// @ts-check
// The compare view: three lists, each with its count, and how sure each line is.
import { ask, guard, id, make, number, query, table } from "./core.js";
document.addEventListener("DOMContentLoaded", () => {
  const sure = (value) => value ? "sure" : "may be chance: too few frames";
  const rows = (list) => list.map((m) => [make("span", { class: "mono", text: m.id }), m.bus, number(m.frames, 0), m.period_ms === null ? "not regular" : number(m.period_ms, 1), String(m.length), m.hints.join("; "), sure(m.sure)]);
  const head = ["Identifier", "Bus", "Frames", "Period ms", "Bytes", "Seen in it", "How sure"];
  const section = (title, count, content) => make("section", { class: "card" }, make("h2", { text: `${title}: ${count}` }), make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": title }, content));
  const show = guard(async () => {
    if (!id("a").value) return;
    id("result").replaceChildren(make("p", { class: "soft", text: "Comparing…" }));
    let view;
    try { view = await ask(query("/api/compare", { a: id("a").value, b: id("b").value })); } catch (error) { id("result").replaceChildren(make("p", { class: "warn", text: error.message })); return; }
    const none = () => make("p", { class: "soft", text: "None." });
    id("result").replaceChildren(
      ...view.remarks.map((r) => make("p", { class: "warn", text: r })),
      make("p", { text: `${view.same} identifiers are the same in both.` }),
      section("Vanished", view.vanished.length, view.vanished.length ? table(head, rows(view.vanished), [2, 3, 4]) : none()),
      section("Appeared", view.appeared.length, view.appeared.length ? table(head, rows(view.appeared), [2, 3, 4]) : none()),
      section("Changed", view.changed.length, view.changed.length ? table(["Identifier", "Bus", "What changed"], view.changed.map((c) => [make("span", { class: "mono", text: c.id }), c.bus,
        make("ul", {}, ...c.changes.map((d) => make("li", { text: d.sure ? d.words : `${d.words} (${sure(false)})` })))])) : none()));
  });
  id("go").addEventListener("click", show);
  show();
});
