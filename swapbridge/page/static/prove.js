// The prove view: starts the proof, shows the verdict first, then what to mend, the coverage board and the report.
"use strict";
document.addEventListener("DOMContentLoaded", () => {
  const { ask, guard, id, job, make, table } = bench;
  const words = { pass: ["good", "✓ pass"], warn: ["warn", "! look"], fail: ["bad", "✗ fail"] };
  const mark = (status) => make("span", { class: words[status][0], text: words[status][1] });

  function verdict(passed, counts, extra) {
    id("verdict").replaceChildren(make("p", { class: `big ${passed ? "good" : "bad"}`, text: passed ? "✓ Yes: it passed" : "✗ No: it failed" }),
      make("p", { text: `${counts.pass} checks passed, ${counts.warn} to look at, ${counts.fail} failed.` }), ...(extra ? [make("p", { text: extra })] : []));
  }

  const load = guard(async () => {
    const view = await ask("/api/proof");
    if (view.proof) verdict(view.proof.passed, view.proof.counts, view.proof.current ? view.proof.first_failure : "The plan changed since this proof: prove again.");
    id("report").hidden = !view.report;
    if (view.report) id("report").querySelector("iframe").src = "/prove/report";
  });

  const form = id("prove");
  if (form) form.addEventListener("submit", (event) => {
    event.preventDefault();
    const captures = Object.fromEntries([...form.querySelectorAll("[data-bus]")].map((s) => [s.name, s.value]));
    job(() => ask("/api/prove", { captures, thoroughness: form.elements.thoroughness.value, model: form.elements.model.value }), id("work"), (r) => {
      verdict(r.passed, r.counts, `${r.faults} runs with a fault put in.`);
      id("details").replaceChildren(
        make("section", { class: "card" }, make("h2", { text: "What was judged, worst first" }), make("div", { class: "scroll" }, table(["", "Of", "What", "Measured", "Required", "What to change"], r.checks.map((c) => [mark(c.status), c.subject, c.name, c.measured, c.required, c.remedy])))),
        make("section", { class: "card" }, make("h2", { text: "Who gets what they wait for" }), make("div", { class: "scroll" }, table(["Module", "Bus", "Waits for", "Made from", "State"], r.coverage.map((c) => [c.module, c.bus, c.need, [c.made_from, c.quality].filter(Boolean).join(", "), [c.state, c.note].filter(Boolean).join(": ")])))));
      load();
    });
  });
  load();
});
