// @ts-check
// Simple dials side by side: what the donor says and what the host is told, at one moment of a capture.
import { make, drawing, number } from "./core.js";
export function dialBoard(place, view) {
  if (!view.dials.length) { place.replaceChildren(make("p", { class: "soft", text: "Nothing numeric is sent while this capture plays." })); return; }
  const end = view.times[view.times.length - 1] || 1;
  const slide = make("input", { type: "range", min: 0, max: view.times.length - 1, value: 0, "aria-label": "moment of the capture", class: "wide-range" });
  const clock = make("output", {}), play = make("button", { type: "button", text: "Play" });
  const faces = view.dials.map((d) => face(d));
  place.replaceChildren(make("div", { class: "bar" }, play, make("label", { class: "field grow" }, "Moment", slide), clock), make("div", { class: "dials" }, ...faces.map((f) => f.node)));
  function show() {
    const at = Number(slide.value);
    clock.textContent = `${view.times[at].toFixed(1)} s of ${end.toFixed(1)} s`;
    faces.forEach((f) => f.turn(at));
  }
  let timer = 0;
  play.addEventListener("click", () => {
    if (timer) { clearInterval(timer); timer = 0; play.textContent = "Play"; return; }
    play.textContent = "Pause";
    const step = view.times.length > 1 ? view.times[1] - view.times[0] : .1;
    timer = setInterval(() => {
      if (!place.isConnected || Number(slide.value) >= view.times.length - 1) { clearInterval(timer); timer = 0; play.textContent = "Play"; return; }
      slide.value = Number(slide.value) + 1;
      show();
    }, Math.max(50, step * 1000));
  });
  slide.addEventListener("input", show);
  show();

  function face(dial) {
    const needle = drawing("line", { x1: 60, y1: 60, x2: 60, y2: 18, class: "needle", "stroke-width": 4, "stroke-linecap": "round" });
    const host = make("b", {}), donor = make("span", { class: "soft" });
    const arc = drawing("path", { d: "M 22 98 A 54 54 0 1 1 98 98", fill: "none", class: "ring", "stroke-width": 8, "stroke-linecap": "round" });
    const node = make("figure", { class: "dial" }, make("figcaption", {}, make("b", { text: dial.name }), make("div", { class: "soft small", text: dial.message })), drawing("svg", { viewBox: "0 0 120 108", "aria-hidden": "true" }, arc, needle),
      make("div", {}, `${dial.bus}: `, host), make("div", { class: "small" }, donor));
    const low = dial.ticks[0], high = dial.ticks[dial.ticks.length - 1], turned = (value) => -135 + 270 * Math.min(1, Math.max(0, (value - low) / (high - low)));
    const marks = dial.numeric ? dial.ticks.map((tick, i) => {
      const angle = turned(tick) * Math.PI / 180, end = i === 0 || i === dial.ticks.length - 1;
      const at = (r) => [60 + r * Math.sin(angle), 60 - r * Math.cos(angle)];
      const [x1, y1] = at(48), [x2, y2] = at(57), [x, y] = at(38);
      return drawing("g", {}, drawing("line", { x1, y1, x2, y2, class: "tick", "stroke-width": end ? 2.5 : 1.2 }), ...(end || dial.ticks.length < 6 || i % 2 === 0 ? [drawing("text", { x, y: y + 3, "text-anchor": "middle", class: "tick-words", text: number(tick, 3) })] : []));
    }) : [];
    const ring = node.querySelector("svg");
    ring.append(...marks);
    if (!dial.numeric) { needle.remove(); arc.remove(); ring.remove(); }
    return { node, turn(at) {
      const value = dial.values[at], word = dial.words[at];
      needle.setAttribute("transform", `rotate(${value === null ? -135 : turned(value)} 60 60)`);
      needle.style.opacity = value === null ? .25 : 1;
      host.textContent = word || (value === null ? "not sent" : `${number(value)} ${dial.unit}`);
      const source = dial.sources.map((s) => `${s.name} ${s.words[at] || (s.values[at] === null ? "silent" : `${number(s.values[at])} ${s.unit}`)}`).join(", ");
      donor.textContent = source || "from no signal";
    } };
  }
}
