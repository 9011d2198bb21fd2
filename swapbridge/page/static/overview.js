// @ts-check
// The swap at a glance: the button of the one next thing does it where that needs nothing from the person.
import { ask, guard, id, job, mayWrite, tell } from "./core.js";

const next = id("next-do"), work = next.dataset.work;
if (work) next.addEventListener("click", guard(async (event) => {
  if (!mayWrite) return;
  event.preventDefault();
  if (work === "compile") {
    const { version } = await ask("/api/bridge");
    await job(() => ask("/api/bridge/compile", { version }), id("work"), (r) => { tell(`The plan is written: ${r.sends} messages.`); location.reload(); });
  } else if (work === "draft") {
    const { version } = await ask("/api/draft");
    await job(() => ask("/api/draft/make", { version }), id("work"), () => { location.href = next.href; });
  } else {
    const { captures } = await ask("/api/prove/likely");
    await job(() => ask("/api/prove", { captures, thoroughness: "full" }), id("work"), () => { location.href = next.href; });
  }
}));
