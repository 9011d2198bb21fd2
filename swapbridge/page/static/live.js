// @ts-check
// The live view: starts a recording or a run, then shows its board and passes the person's keys on.
import { ask, drawing, guard, id, make, mayWrite, number, showSending, stopLive, stopWords, table, tell } from "./core.js";
document.addEventListener("DOMContentLoaded", () => {
  const board = id("board");
  let was = "nothing", kind = "";

  id("record").addEventListener("submit", guard(async (event) => { 
    event.preventDefault();
    const { buses, name, script, active, scan_tool } = event.target.elements;
    await ask("/api/live/record", { buses: buses.value, name: name.value, script: script.checked, active: active.checked, scan_tool: scan_tool.value });
    tick();
   }));
  const run = id("run");
  if (run) {
    run.addEventListener("submit", guard(async (event) => { 
      event.preventDefault();
      const { buses, sending, acknowledged, unproved, against, against_bus } = event.target.elements;
      await ask("/api/live/run", { buses: buses.value, sending: sending.checked, acknowledged: acknowledged.checked, unproved: unproved.checked, against: against.value, against_bus: against_bus.value });
      tick();
     }));
    run.elements.sending.addEventListener("change", (e) => { run.querySelector("button.go").textContent = e.target.checked ? "Start sending" : "Start watching"; });
  }

  const phone = id("phone-link");
  if (phone) phone.addEventListener("click", guard(async () => {
    const { link, code } = await ask("/api/live/phone", {});
    const path = code.flatMap((row, y) => [...row].map((cell, x) => cell === "1" ? `M${x} ${y}h1v1h-1z` : "")).join("");
    id("phone-code").replaceChildren(
      drawing("svg", { viewBox: `0 0 ${code.length} ${code.length}`, class: "code", role: "img", "aria-label": "QR code of the link below" }, drawing("rect", { width: code.length, height: code.length, class: "code-paper" }), drawing("path", { d: path, class: "code-ink" })),
      make("p", {}, "For one phone, once: ", make("code", { text: link })));
  }));
  const press = (key, text) => guard(() => ask("/api/live/press", { key, text }))();
  const stopButton = () => make("button", { type: "button", text: "Stop", onclick: stopLive });
  const stopRecording = stopButton(), stopRun = stopButton();
  const keyButtons = [["next", "Next (N)"], ["repeat", "Repeat (R)"], ["skip", "Skip (S)"], ["mark", "Mark (space)"]].map(([key, text]) => make("button", { type: "button", class: key === "next" ? "go" : false, text, disabled: !mayWrite, onclick: (event) => { event.currentTarget.blur(); press(key); } }));
  const note = make("input", { placeholder: "note", maxlength: "200", "aria-label": "note", disabled: !mayWrite });
  note.addEventListener("keydown", (e) => { if (e.key === "Enter" && note.value) { press("note", note.value); note.value = ""; } e.stopPropagation(); });
  document.addEventListener("keydown", (/** @type {any} */ event) => {
    // a key button that was clicked keeps the focus in some browsers: space marks all the same
    if (was !== "recording" || event.target.matches("input, textarea, select") || (event.target.matches("button") && !keyButtons.includes(event.target))) return;
    const key = { n: "next", r: "repeat", s: "skip", " ": "mark" }[event.key];
    if (key) { event.preventDefault(); if (event.target.matches("button")) event.target.blur(); press(key); }
  });
  document.addEventListener("keyup", (event) => { if (event.key === " " && keyButtons.includes(event.target)) event.preventDefault(); });

  const headline = make("p", { class: "instruction" }), left = make("p", { class: "countdown", "aria-hidden": "true" }), caution = make("p", { class: "warn" }), place = make("p", { class: "soft" });
  const confirmed = make("p", { class: "good", role: "status" });
  const buses = make("div", {}), announced = make("div", {}), rest = make("div", {});
  const controls = make("div", { class: "bar" }, ...keyButtons, note, stopRecording);

  // A new cue is heard and seen: eyes are on the vehicle, not on the screen.
  let cue = "", sound = null;
  document.addEventListener("pointerdown", () => { sound = sound || new AudioContext(); }, { once: true });
  document.addEventListener("keydown", () => { sound = sound || new AudioContext(); }, { once: true });
  function signal(now) {
    if (now === cue) return;
    cue = now;
    headline.classList.remove("flash");
    requestAnimationFrame(() => headline.classList.add("flash"));
    if (!sound) return;
    const tone = sound.createOscillator(), gain = sound.createGain();
    tone.frequency.value = 880; gain.gain.value = 0.2;
    tone.connect(gain).connect(sound.destination);
    tone.start(); tone.stop(sound.currentTime + 0.15);
  }

  function show(view) {
    const live = view.what !== "nothing";
    showSending(view);
    board.hidden = !live && !view.ended_by && !view.error;
    id("start").hidden = live;
    if (kind !== view.what) {
      kind = view.what;
      board.replaceChildren(...(view.what === "recording" ? [place, caution, headline, left, controls, confirmed, buses, announced] : view.what === "running" ? [place, make("div", { class: "bar" }, stopRun), buses, rest, announced] : [headline, announced]));
    }
    announced.replaceChildren(...view.announced.map((t) => make("p", { class: "soft", text: t })));
    if (!live) { headline.textContent = view.error ? `Stopped: ${view.error}` : `Ended: ${view.ended_by}`; if (was !== "nothing") tell(headline.textContent, !!view.error); was = view.what; return; }
    was = view.what;
    if (view.record) {
      const step = view.record.step;
      headline.textContent = step ? step.headline : "Recording";
      if (step) signal(`${step.phase} ${step.number} ${step.time} ${step.headline}`);
      confirmed.textContent = view.record.confirmed;
      left.textContent = step && step.left_s > 0 ? Math.ceil(step.left_s) : "";
      caution.textContent = step ? step.caution : "";
      place.textContent = `${number(view.record.seconds, 0)} s, ${view.record.files.join(", ")}${step ? `, step ${step.number} of ${step.of}${step.times > 1 ? `, time ${step.time} of ${step.times}` : ""}` : ""}`;
      buses.replaceChildren(table(["Bus", "Now", "Frames", "Lost"], view.record.buses.map((b) => [b.name, make("span", { class: b.warning ? "warn" : false, text: b.warning ? `! ${b.warning}` : b.line }), number(b.frames, 0), number(b.lost, 0)]), [2, 3]));
    }
    if (view.run && view.what === "running") {
      stopRun.textContent = stopWords(view.run.speed_kmh);
      place.replaceChildren(make("b", { class: view.run.sending ? "bad" : "good", text: view.run.sending ? "SENDING" : "Watching only" }), ` ${view.run.mode}, ${number(view.run.seconds, 0)} s, worst lag ${number(view.run.worst_lag_ms, 1)} ms ${[view.run.shut, ...view.run.lost.map((name) => `${name} was claimed by another node`)].join(" ")}`);
      buses.replaceChildren(table(["Bus", "Now", "Heard", "Sent"], view.run.buses.map((b) => [`${b.name}${b.up ? "" : " (down)"}`, b.warning ? `! ${b.warning}` : b.line, number(b.received, 0), number(b.sent, 0)]), [2, 3]));
      rest.replaceChildren(make("div", { class: "pair" },
        table(["What it listens to", "Age s"], view.run.inputs.map((i) => [`${i.bus} ${i.name}`, make("span", { class: i.fresh ? "good" : "bad", text: i.age_s === null ? "✗ never seen" : `${i.fresh ? "✓" : "✗ stale"} ${number(i.age_s, 2)}` })]), [1]),
        table(["What it sends", "Times", "Values", "Seen on the bus"], view.run.outputs.map((o) => [`${o.bus} ${o.id} ${o.name}`, number(o.count, 0), o.values.join(", ") || o.data, make("code", { text: o.seen })]), [1])));
    }
  }

  let timer = 0;
  const tick = guard(async () => { clearTimeout(timer); try { show(await ask("/api/live")); } finally { timer = setTimeout(tick, was === "nothing" ? 1500 : 300); } });
  tick();
});
