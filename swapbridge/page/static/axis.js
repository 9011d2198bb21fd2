// @ts-check
// One axis of time for every picture of a recording: strips that scroll and zoom together, one cursor in all of them.
// Drag or one finger scrolls, two fingers or the wheel with Ctrl zoom, keys do the same; a click sets the cursor.
import { colour, make, number } from "./core.js";

const LEAST_SPAN_S = 0.002;

/**
 * @typedef {object} Strip
 * @property {string} name
 * @property {number} height
 * @property {(pen: CanvasRenderingContext2D, box: Box) => void} draw
 * @property {(at: number) => string} [read] what it says at a moment
 * @property {() => void} [keep] pressed to keep the strip, or to let it go
 * @property {boolean} [kept]
 */
/**
 * @typedef {object} Box
 * @property {number} width
 * @property {number} height
 * @property {(seconds: number) => number} x
 * @property {number} from
 * @property {number} to
 */

export class TimeAxis {
  /**
   * @param {HTMLElement} place
   * @param {() => void} moved told when another stretch is looked at
   * @param {(at: number) => void} pointed told when the cursor moves
   */
  constructor(place, moved, pointed) {
    this.place = place;
    this.moved = moved;
    this.pointed = pointed;
    this.whole = [0, 1];
    this.from = 0;
    this.to = 1;
    /** @type {number | null} */
    this.cursor = null;
    /** @type {{begin: number, end: number, words: string}[]} */
    this.gaps = [];
    /** @type {{strip: Strip, canvas: HTMLCanvasElement, value: HTMLElement}[]} */
    this.rows = [];
    this.pending = 0;
    this.line = make("div", { class: "axis-cursor", hidden: true });
    this.body = make("div", { class: "axis-rows" });
    this.words = make("output", { class: "axis-words", "aria-live": "off" });
    const key = (label, words, work) => make("button", { type: "button", text: label, "aria-label": words, title: words, onclick: work });
    place.replaceChildren(
      make("div", { class: "bar axis-keys" }, key("Whole", "the whole recording", () => this.show(this.whole[0], this.whole[1])),
        key("−", "zoom out", () => this.zoom(2)), key("+", "zoom in", () => this.zoom(0.5)),
        key("◀", "earlier", () => this.scroll(-0.5)), key("▶", "later", () => this.scroll(0.5)), this.words),
      make("div", { class: "axis-frame" }, this.body, this.line));
    this.body.tabIndex = 0;
    this.body.setAttribute("role", "group");
    this.body.setAttribute("aria-label", "Strips over one axis of time. Arrow keys move the cursor, with Shift they scroll; plus and minus zoom; Home shows the whole recording.");
    this.body.addEventListener("keydown", (event) => this.key(event));
    this.body.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    this.fingers = new Map();
    this.start = { x: 0, moved: false };
    for (const [name, work] of /** @type {[string, (e: PointerEvent) => void][]} */ ([["pointerdown", (e) => this.down(e)], ["pointermove", (e) => this.drag(e)], ["pointerup", (e) => this.up(e)], ["pointercancel", (e) => this.up(e)]])) this.body.addEventListener(name, /** @type {EventListener} */ (work));
    this.watcher = new ResizeObserver(() => this.draw());
    this.watcher.observe(this.body);
  }

  /** @param {number[]} span @param {{begin: number, end: number, words: string}[]} gaps */
  open(span, gaps) {
    this.whole = [span[0], Math.max(span[1], span[0] + LEAST_SPAN_S)];
    [this.from, this.to] = this.whole;
    this.gaps = gaps;
    this.cursor = null;
    this.say();
  }

  /** Another beginning or end of the whole; a stretch that is looked at stays.
   * @param {number[]} span */
  widen(span) {
    const all = this.from === this.whole[0] && this.to === this.whole[1];
    this.whole = [...span];
    if (all) this.show(span[0], span[1]); else this.show(this.from, this.to);
    this.say();
  }

  /** @param {Strip[]} strips */
  put(strips) {
    this.rows = strips.map((strip) => {
      const canvas = make("canvas", { class: "axis-canvas", role: "img", "aria-label": `${strip.name} over time` });
      const value = make("b", { class: "axis-value" });
      return { strip, canvas, value };
    });
    this.body.replaceChildren(...this.rows.map(({ strip, canvas, value }) => make("div", { class: "axis-row" },
      make("div", { class: "axis-name" }, make("span", { text: strip.name }), value,
        strip.keep ? make("button", { type: "button", class: "row small", text: strip.kept ? "let go" : "keep", "aria-label": `${strip.kept ? "let go of" : "keep"} the strip ${strip.name}`, onclick: strip.keep }) : null), canvas)));
    this.draw();
  }

  draw() {
    const scale = window.devicePixelRatio || 1;
    for (const { strip, canvas } of this.rows) {
      const width = Math.max(60, canvas.clientWidth);
      const wide = Math.round(width * scale), high = Math.round(strip.height * scale);
      if (canvas.width !== wide || canvas.height !== high) { canvas.width = wide; canvas.height = high; }
      canvas.style.height = `${strip.height}px`;
      const pen = canvas.getContext("2d");
      if (!pen) continue;
      pen.setTransform(scale, 0, 0, scale, 0, 0);
      pen.clearRect(0, 0, width, strip.height);
      const x = (seconds) => (seconds - this.from) / (this.to - this.from) * width;
      this.shade(pen, x, width, strip.height);
      strip.draw(pen, { width, height: strip.height, x, from: this.from, to: this.to });
    }
    this.point();
  }

  /** Where nothing was recorded: hatched in every strip, and said in words under the cursor. */
  shade(pen, x, width, height) {
    for (const gap of this.gaps) {
      const a = Math.max(0, x(gap.begin)), b = Math.min(width, x(gap.end));
      if (b <= 0 || a >= width) continue;
      pen.fillStyle = colour("shade");
      pen.fillRect(a, 0, Math.max(1, b - a), height);
      pen.strokeStyle = colour("line");
      pen.lineWidth = 1;
      pen.save();
      pen.beginPath(); pen.rect(a, 0, Math.max(1, b - a), height); pen.clip();
      pen.beginPath();
      for (let at = a - height; at < b; at += 8) { pen.moveTo(at, height); pen.lineTo(at + height, 0); }
      pen.stroke();
      pen.restore();
    }
  }

  /** @param {number} from @param {number} to */
  show(from, to) {
    const most = this.whole[1] - this.whole[0], span = Math.min(most, Math.max(LEAST_SPAN_S, to - from));
    const first = Math.min(Math.max(this.whole[0], from), this.whole[1] - span);
    if (first === this.from && first + span === this.to) return;
    this.from = first;
    this.to = first + span;
    this.say();
    if (!this.pending) this.pending = requestAnimationFrame(() => { this.pending = 0; this.draw(); });
    this.moved();
  }

  /** @param {number} factor @param {number} [around] */
  zoom(factor, around) {
    const at = around ?? (this.cursor !== null && this.cursor >= this.from && this.cursor <= this.to ? this.cursor : (this.from + this.to) / 2);
    this.show(at - (at - this.from) * factor, at + (this.to - at) * factor);
  }

  /** @param {number} share */
  scroll(share) {
    const by = share * (this.to - this.from);
    this.show(this.from + by, this.to + by);
  }

  /** @param {number} at */
  set(at) {
    this.cursor = Math.min(this.whole[1], Math.max(this.whole[0], at));
    if (this.cursor < this.from || this.cursor > this.to) this.show(this.cursor - (this.to - this.from) / 2, this.cursor + (this.to - this.from) / 2);
    this.point();
    this.say();
    this.pointed(this.cursor);
  }

  point() {
    const first = this.rows[0];
    const inside = first && this.cursor !== null && this.cursor >= this.from && this.cursor <= this.to;
    this.line.hidden = !inside;
    for (const { strip, value } of this.rows) value.textContent = this.cursor === null || !strip.read ? "" : strip.read(this.cursor);
    if (!inside || !first || this.cursor === null) return;
    const part = (this.cursor - this.from) / (this.to - this.from);
    this.line.style.left = `${first.canvas.offsetLeft + part * first.canvas.clientWidth}px`;
  }

  say() {
    const digits = this.to - this.from < 1 ? 4 : this.to - this.from < 20 ? 2 : 1;
    const gap = this.cursor === null ? null : this.gaps.find((g) => this.cursor !== null && this.cursor >= g.begin && this.cursor <= g.end);
    const where = this.cursor === null ? "" : `Cursor ${number(this.cursor, 4)} s. `;
    this.words.textContent = `${where}${gap ? `Here ${gap.words}. ` : ""}Shown: ${number(this.from, digits)} to ${number(this.to, digits)} s of ${number(this.whole[1] - this.whole[0], 1)} s.`;
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const step = (this.to - this.from) / (event.altKey ? 1000 : 100);
    const middle = this.cursor ?? (this.from + this.to) / 2;
    const work = {
      ArrowLeft: () => event.shiftKey ? this.scroll(-0.25) : this.set(middle - step),
      ArrowRight: () => event.shiftKey ? this.scroll(0.25) : this.set(middle + step),
      "+": () => this.zoom(0.5), "=": () => this.zoom(0.5), "-": () => this.zoom(2),
      Home: () => this.show(this.whole[0], this.whole[1]), Escape: () => { this.cursor = null; this.point(); this.say(); },
    }[event.key];
    if (!work || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    work();
  }

  /** @param {{clientX: number}} event */
  seconds(event) {
    const canvas = this.rows[0]?.canvas;
    if (!canvas) return 0;
    const box = canvas.getBoundingClientRect();
    return this.from + (event.clientX - box.left) / Math.max(1, box.width) * (this.to - this.from);
  }

  /** @param {WheelEvent} event */
  wheel(event) {
    const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
    if (!event.ctrlKey && !event.shiftKey && !sideways) return;
    event.preventDefault();
    if (event.ctrlKey) this.zoom(Math.exp(Math.max(-1, Math.min(1, event.deltaY / 200))), this.seconds(event));
    else this.scroll((sideways ? event.deltaX : event.deltaY) / 800);
  }

  /** @param {PointerEvent} event */
  down(event) {
    if (!(event.target instanceof HTMLCanvasElement) || event.button > 0) return;
    this.fingers.set(event.pointerId, event.clientX);
    this.start = { x: event.clientX, moved: false };
    if (event.pointerType === "mouse") event.target.setPointerCapture(event.pointerId);
  }

  /** @param {PointerEvent} event */
  drag(event) {
    const canvas = this.rows[0]?.canvas;
    if (!canvas) return;
    if (!this.fingers.has(event.pointerId)) return;
    const before = [...this.fingers.values()], last = this.fingers.get(event.pointerId);
    this.fingers.set(event.pointerId, event.clientX);
    if (Math.abs(event.clientX - this.start.x) > 4) this.start.moved = true;
    if (this.fingers.size === 1) {
      if (!this.start.moved) return;
      const by = (last - event.clientX) / canvas.clientWidth * (this.to - this.from);
      this.show(this.from + by, this.to + by);
    } else if (this.fingers.size === 2) {
      const now = [...this.fingers.values()], was = Math.abs(before[0] - before[1]), is = Math.abs(now[0] - now[1]);
      if (was > 8 && is > 8) this.zoom(was / is, this.seconds({ clientX: (now[0] + now[1]) / 2 }));
    }
  }

  /** @param {PointerEvent} event */
  up(event) {
    if (!this.fingers.delete(event.pointerId)) return;
    if (event.type === "pointerup" && !this.start.moved && !this.fingers.size) this.set(this.seconds(event));
  }
}

/** The number of the last value at or before a moment; -1 before the first. */
export function latest(times, at) {
  let low = 0, high = times.length;
  while (low < high) { const middle = (low + high) >> 1; if (times[middle] <= at) low = middle + 1; else high = middle; }
  return low - 1;
}

/** A line's value in words. */
function said(line, at) {
  const n = latest(line.times, at), value = n < 0 ? null : line.values[n];
  if (value === null) return "nothing";
  return line.states[String(Number(value.toPrecision(6)))] || `${number(value, 3)} ${line.unit}`.trim();
}

/** One line of a strip, broken where nothing came. */
function trace(pen, box, line, y) {
  pen.beginPath();
  let joined = false, last = 0;
  for (let n = Math.max(0, latest(line.times, box.from) - 1); n < line.times.length; n++) {
    const value = line.values[n], x = box.x(line.times[n]);
    if (value === null) { joined = false; continue; }
    if (joined && line.step) pen.lineTo(x, y(last));
    if (joined) pen.lineTo(x, y(value)); else pen.moveTo(x, y(value));
    joined = true; last = value;
    if (line.times[n] > box.to) break;
  }
  if (line.step && joined && line.times[line.times.length - 1] < box.to) pen.lineTo(Math.min(box.width, box.x(line.end ?? box.to)), y(last));
  pen.stroke();
}

/** Words over a picture, on a rim of the card's colour so that a line behind them does not cross them out. */
function label(pen, words, x, y) {
  pen.lineWidth = 4;
  pen.lineJoin = "round";
  pen.setLineDash([]);
  pen.strokeStyle = colour("card");
  pen.strokeText(words, x, y);
  pen.fillText(words, x, y);
}

/** A strip of one line in its own units, or of two in the same: the second dashed. */
export function lineStrip(line, ink, more, second) {
  const lines = second ? [line, second] : [line];
  let low = Infinity, high = -Infinity;
  for (const one of lines) for (const v of one.values) if (v !== null) { low = Math.min(low, v); high = Math.max(high, v); }
  const room = high - low || 1;
  return {
    name: line.unit ? `${line.name} (${line.unit})` : line.name,
    height: lines.every((one) => one.step) ? 34 : 58,
    read: (at) => lines.map((one) => said(one, at)).join(" ┆ "),
    draw(pen, box) {
      if (low > high) return;
      const y = (v) => high === low ? box.height / 2 : box.height - 5 - (v - low) / room * (box.height - 10);
      pen.lineWidth = 1.6;
      lines.forEach((one, n) => {
        pen.strokeStyle = colour(n ? "check" : ink || "accent");
        pen.setLineDash(n ? [5, 3] : []);
        trace(pen, box, one, y);
      });
      pen.setLineDash([]);
      pen.fillStyle = colour("soft");
      pen.font = "11px system-ui, sans-serif";
      pen.textBaseline = "top";
      label(pen, number(high, 2), 3, 1);
      pen.textBaseline = "bottom";
      if (high !== low) label(pen, number(low, 2), 3, box.height - 1);
    },
    ...more,
  };
}

/** A heading between strips. */
export function headStrip(words) {
  return { name: words, height: 4, draw() {} };
}

/** Words that hold over stretches of time: marks, steps of the script, positions of a lever. */
export function blockStrip(channel) {
  return {
    name: channel.name,
    height: 26,
    read(at) { const found = channel.blocks.find((b) => at >= b[0] && at < b[1]); return found ? found[2] : ""; },
    draw(pen, box) {
      pen.font = "12px system-ui, sans-serif";
      pen.textBaseline = "middle";
      channel.blocks.forEach(([a, b, words], n) => {
        const left = box.x(a), right = box.x(b);
        if (right < 0 || left > box.width) return;
        pen.fillStyle = colour(n % 2 ? "shade" : "still");
        pen.fillRect(Math.max(0, left), 2, Math.max(1, Math.min(box.width, right) - Math.max(0, left)), box.height - 4);
        pen.fillStyle = colour("ink");
        pen.fillRect(left, 2, 1.5, box.height - 4);
        const from = Math.max(3, left + 4), space = Math.min(box.width, right) - from;
        if (space > 12) { pen.save(); pen.beginPath(); pen.rect(from, 0, space, box.height); pen.clip(); pen.fillText(words, from, box.height / 2); pen.restore(); }
      });
    },
  };
}

/** The seconds themselves. */
export function rulerStrip() {
  return {
    name: "seconds",
    height: 24,
    read: (at) => `${number(at, 4)}`,
    draw(pen, box) {
      const rough = (box.to - box.from) / Math.max(2, box.width / 90), power = 10 ** Math.floor(Math.log10(rough));
      const step = [1, 2, 5, 10].map((n) => n * power).find((n) => n >= rough) || power;
      pen.fillStyle = colour("ink");
      pen.font = "12px system-ui, sans-serif";
      pen.textBaseline = "middle";
      for (let n = Math.ceil(box.from / step); n * step <= box.to; n++) {
        const x = box.x(n * step);
        pen.fillRect(x, 15, 1, 9);
        const words = number(n * step, Math.max(0, -Math.floor(Math.log10(step))));
        pen.fillText(words, Math.min(x + 3, box.width - pen.measureText(words).width - 1), 9);
      }
    },
  };
}

/** A picture of cells, a pixel wide each, that is painted once and stretched to whatever part of it is looked at.
 * @param {number} columns @param {number} height
 * @param {(dot: (column: number, top: number, tall: number, ink: number) => void) => void} paint */
function cells(columns, height, paint) {
  const image = new OffscreenCanvas(Math.max(1, columns), Math.max(1, height)), pen = image.getContext("2d");
  if (!pen) return image;
  const pixels = pen.createImageData(image.width, image.height), all = new Uint32Array(pixels.data.buffer);
  paint((column, top, tall, ink) => { for (let y = Math.max(0, top); y < top + tall && y < height; y++) all[y * columns + column] = ink; });
  pen.putImageData(pixels, 0, 0);
  return image;
}

/** A colour of the page as a pixel is written: alpha, blue, green, red. */
function pixel(name) {
  const hex = Number.parseInt(colour(name).slice(1), 16);
  return ((255 << 24) | ((hex & 255) << 16) | (hex & 0xff00) | (hex >> 16)) >>> 0;
}

/** The part of a picture of cells that is looked at. */
function stretch(pen, box, image, span) {
  pen.imageSmoothingEnabled = false;
  const left = box.x(span[0]), wide = box.x(span[1]) - left;
  if (left > box.width || left + wide < 0) return;
  pen.drawImage(image, left, 0, Math.max(1, wide), box.height);
}

/** One lane for each identifier: how often its payload changes; a lane that is chosen stands out. */
export function laneStrip(lanes, span, chosen) {
  const high = lanes.length > 60 ? 5 : lanes.length > 24 ? 8 : 12, columns = lanes[0]?.cells.length || 1, height = Math.max(14, lanes.length * high);
  /** @type {OffscreenCanvas | null} */ let image = null;
  return {
    name: `changes of ${lanes.length} identifiers`,
    height,
    draw(pen, box) {
      image ??= cells(columns, height, (dot) => {
        const inks = { plain: pixel("move"), chosen: pixel("warm") };
        lanes.forEach((lane, n) => {
          const ink = chosen(lane) ? inks.chosen : inks.plain, foot = (n + 1) * high - 1;
          for (let c = 0; c < columns; c++) {
            const level = lane.cells.charCodeAt(c) - 48;
            if (level < 0) continue;
            const tall = level ? Math.round(1 + (level / 9) * (high - 2)) : 1;
            dot(c, foot - tall, tall, ink);
          }
        });
      });
      lanes.forEach((lane, n) => { if (chosen(lane)) { pen.fillStyle = colour("shade"); pen.fillRect(0, n * high, box.width, high); } });
      stretch(pen, box, image, span);
    },
  };
}

/** Bits of one identifier, byte by byte, over the same seconds. */
export function bitStrip(picture, span, kinds) {
  const lane = 9, space = 4, rows = picture.bits, height = Math.ceil(rows / 8) * (8 * lane + space);
  const y = (bit) => Math.floor(bit / 8) * (8 * lane + space) + (7 - (bit % 8)) * lane;
  /** @type {OffscreenCanvas | null} */ let image = null;
  return {
    name: "bits",
    height,
    draw(pen, box) {
      image ??= cells(picture.columns, height, (dot) => {
        const still = pixel("still"), inks = new Map([...new Set(["move", ...kinds.values()])].map((kind) => [kind, pixel(kind)]));
        for (let bit = 0; bit < rows; bit++) {
          const foot = y(bit) + lane, ink = inks.get(kinds.get(bit) || "move") ?? 0;
          for (let c = 0; c < picture.columns; c++) {
            const moves = picture.moves.charCodeAt(c * rows + bit) - 48, ones = picture.ones.charCodeAt(c * rows + bit) - 48;
            if (ones > 0) dot(c, foot - 2, 1 + Math.floor(ones / 5), still);
            if (moves > 0) { const tall = Math.round(1.5 + (moves / 9) * (lane - 3)); dot(c, foot - tall, tall, ink); }
          }
        }
      });
      stretch(pen, box, image, span);
      pen.font = "9px 'DejaVu Sans Mono', monospace";
      pen.textBaseline = "middle";
      pen.fillStyle = colour("soft");
      for (let byte = 0; byte < rows / 8; byte++) pen.fillText(`byte ${byte}`, 2, y(8 * byte + 7) + lane / 2);
    },
  };
}
