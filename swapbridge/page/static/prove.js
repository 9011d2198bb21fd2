// @ts-check
// The prove view: starts the proof, shows the verdict first, then what to correct, the coverage board and the report.
import { ask, guard, id, job, make, table } from "./core.js";
document.addEventListener("DOMContentLoaded", () => {
  const words = { pass: ["good", "✓ pass"], habit: ["good", "habit"], open: ["warn", "○ open"], warn: ["warn", "! look"], unproved: ["bad", "? NOT PROVED"], fail: ["bad", "✗ FAILED"] };
  let known = "", shown = "", told = false;
  const mark = (status) => make("span", { class: words[status][0], text: words[status][1] });

  /** @param {"good" | "warn" | "bad"} how */
  function verdict(how, headline, counts, extra) {
    const sums = counts.pass === undefined ? [] : [make("p", { text: `${counts.fail} failed, ${counts.unproved} not proved, ${counts.warn} to look at, ${counts.open} left open, ${counts.pass} passed.` })];
    id("verdict").replaceChildren(make("p", { class: `big ${how}`, text: headline }), ...sums, ...(extra ? [make("p", { text: extra })] : []));
  }

  const load = guard(async () => {
    const view = await ask("/api/proof");
    const now = JSON.stringify(view);
    if (now === known) return;
    known = now;
    if (view.proof) verdict(view.proof.proved ? "good" : "bad", view.proof.proved ? "✓ PASSED" : "✗ No proof that a run accepts", view.proof.counts, view.proof.words);
    else if (!told) id("verdict").replaceChildren(make("p", { class: "soft", text: "Not proved yet." }));
    id("report").hidden = !view.report;
    const holds = !!view.proof && view.proof.proved;
    id("report-words").textContent = holds ? "" : "! This report is from a run that left something out, did not pass, or used other files than those here now. It proves nothing about the present plan.";
    id("report-whole").open = holds;
    if (view.report && shown !== view.report_version) { shown = view.report_version; id("report").querySelector("iframe").src = "/prove/report"; }
  });

  // What is green must be so now: looked at again whenever somebody looks.
  setInterval(() => { if (!document.hidden && !id("work").firstChild) load(); }, 4000);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) load(); });
  const form = id("prove");
  if (form) form.addEventListener("submit", (event) => {
    event.preventDefault();
    const captures = Object.fromEntries([...form.querySelectorAll("[data-bus]")].map((s) => [s.name, s.value]));
    job(() => ask("/api/prove", { captures, thoroughness: form.elements.thoroughness.value, model: form.elements.model.value }), id("work"), (r) => {
      const whole = r.outcome === "PASSED" && !r.left_out.length;
      told = !whole;  // a run that is no proof says so until the view is left
      const part = r.outcome === "PASSED" && !whole;
      verdict(whole ? "good" : part ? "warn" : "bad", part ? "! PASSED in part: a run does not accept this proof" : `${whole ? "✓" : "✗"} ${r.outcome}`, r.counts, r.left_out.length ? `Not a complete proof: it left out ${r.left_out.join(" and ")}.` : `${r.faults} runs with an injected fault.`);
      id("details").replaceChildren(
        make("section", { class: "card" }, make("h2", { text: "What was judged, worst first" }), make("div", { class: "scroll list", tabindex: "0", role: "region", "aria-label": "what was judged" }, table(["", "Of", "What", "Measured", "Required", "What to change"], r.checks.map((c) => [mark(c.status), c.subject, c.name, c.measured, c.required, c.remedy])))),
        make("section", { class: "card" }, make("h2", { text: "What each module waits for and gets" }), make("div", { class: "scroll list", tabindex: "0", role: "region", "aria-label": "who gets what" }, table(["Module", "Bus", "Waits for", "Made from", "State"], r.coverage.map((c) => [c.module, c.bus, c.need, [c.made_from, c.quality].filter(Boolean).join(", "), [c.state, c.note].filter(Boolean).join(": ")])))));
      known = "";
      load();
    });
  });
  load();
});
