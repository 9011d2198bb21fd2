// @ts-check
// The phone at the pedals: the step in large letters, Next while the vehicle stands, and a Stop that is never refused.
import { ask, id, number, stopLive } from "./core.js";

let timer = 0;
const next = /** @type {HTMLButtonElement} */ (id("next"));
const say = (text) => { id("answered").textContent = text; };

function show(view) {
  const step = view.record ? view.record.step : null, on = view.what === "recording";
  next.disabled = !on || !step;
  id("headline").textContent = on ? (step ? step.headline : "Recording, without a script") : view.sending ? "A translator is SENDING" : "Nothing is being recorded.";
  id("caution").textContent = on && step ? step.caution : "";
  id("left").textContent = on && step && step.left_s > 0 ? String(Math.ceil(step.left_s)) : "";
  id("place").textContent = on && step ? `Step ${step.number} of ${step.of}${step.times > 1 ? `, time ${step.time} of ${step.times}` : ""}, ${number(view.record.seconds, 0)} s` : "";
}

async function look() {
  clearTimeout(timer);
  try { show(await ask("/api/live")); } catch (error) { say(`No answer: ${error.message}`); next.disabled = true; }
  timer = setTimeout(look, 400);
}

next.addEventListener("click", async () => {
  next.disabled = true;
  try { await ask("/api/live/next", {}); say("Next."); } catch (error) { say(error.message); }
  look();
});
id("stop").addEventListener("click", () => { say("Stop was asked for."); stopLive(); });
look();
