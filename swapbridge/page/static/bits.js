// @ts-check
// The bit picture: one lane for every bit, time to the right. The height of the mark says how often the bit changes;
// a thin rule at the foot says it is set. Fields stand at the left as brackets with their kind in words.
import { make, colour } from "./core.js";
export function bitPicture(place, picture, fields, choose) {
  const canvas = make("canvas", { class: "bits", tabindex: "0", role: "img" });
  const laneHeight = 13, left = 190, gap = 6;
  const rows = picture.bits;
  const y = (bit) => Math.floor(bit / 8) * (8 * laneHeight + gap) + (7 - (bit % 8)) * laneHeight;
  const height = Math.ceil(rows / 8) * (8 * laneHeight + gap);
  const kinds = { counter: "count", checksum: "check" };
  canvas.setAttribute("aria-label", `Bit picture of ${rows} bits over time; ${fields.length} fields. The table below says the same in words.`);
  function draw() {
    const scale = window.devicePixelRatio || 1, width = Math.max(320, place.clientWidth || 320);
    canvas.width = width * scale; canvas.height = height * scale; canvas.style.height = `${height}px`;
    const pen = canvas.getContext("2d");
    pen.scale(scale, scale);
    pen.clearRect(0, 0, width, height);
    const small = width < 560, start = small ? 92 : left, cell = (width - start - 4) / picture.columns;
    const owner = new Map();
    fields.forEach((f) => f.positions.forEach((p) => owner.set(p, f)));
    pen.font = "11px 'DejaVu Sans Mono', monospace";
    pen.textBaseline = "middle";
    for (let bit = 0; bit < rows; bit++) {
      const top = y(bit), field = owner.get(bit);
      pen.fillStyle = colour("soft");
      pen.fillText(`${Math.floor(bit / 8)}.${bit % 8}`, 4, top + laneHeight / 2);
      const ink = colour(field ? kinds[field.kind] || "move" : "soft");
      for (let c = 0; c < picture.columns; c++) {
        const at = c * rows + bit, moves = picture.moves.charCodeAt(at) - 48, ones = picture.ones.charCodeAt(at) - 48;
        if (moves < 0) continue;
        const x = start + c * cell;
        if (ones > 0) { pen.fillStyle = colour("still"); pen.fillRect(x, top + laneHeight - 3, Math.max(1, cell + .3), Math.max(1, ones / 4)); }
        if (moves > 0) { pen.fillStyle = ink; const h = 2 + (moves / 9) * (laneHeight - 5); pen.fillRect(x, top + laneHeight - 1 - h, Math.max(1, cell + .2), h); }
      }
    }
    fields.forEach((f) => {
      if (f.kind === "constant") return;
      pen.strokeStyle = pen.fillStyle = colour(kinds[f.kind] || "accent");
      pen.lineWidth = 2;
      const spans = runs(f.positions);
      spans.forEach(([a, b]) => { pen.beginPath(); pen.moveTo(start - 6, y(b) + 2); pen.lineTo(start - 10, y(b) + 2); pen.lineTo(start - 10, y(a) + laneHeight - 2); pen.lineTo(start - 6, y(a) + laneHeight - 2); pen.stroke(); });
      if (!small) { const [a, b] = spans[spans.length - 1]; pen.fillText(`${f.label} ${f.kind}`.slice(0, 24), 36, (y(a) + y(b) + laneHeight) / 2); }
    });
  }
  // Stretches of neighbouring bits inside one byte, as lanes are laid out byte by byte.
  function runs(positions) {
    const sorted = [...positions].sort((a, b) => a - b), out = [];
    for (const p of sorted) {
      const last = out[out.length - 1];
      if (last && p === last[1] + 1 && Math.floor(p / 8) === Math.floor(last[1] / 8)) last[1] = p; else out.push([p, p]);
    }
    return out;
  }
  canvas.addEventListener("click", (event) => {
    const box = canvas.getBoundingClientRect(), at = event.clientY - box.top;
    for (let bit = 0; bit < rows; bit++) if (at >= y(bit) && at < y(bit) + laneHeight && choose) { const f = fields.find((g) => g.positions.includes(bit)); if (f) choose(f); }
  });
  place.replaceChildren(canvas);
  draw();
  let width = 0;
  new ResizeObserver(() => { if (place.clientWidth !== width) { width = place.clientWidth; draw(); } }).observe(place);
}
