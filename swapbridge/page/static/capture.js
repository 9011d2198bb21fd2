// @ts-check
// The capture view: identifiers in a list, and everything about the chosen one over the recording's own time.
import { bitStrip, blockStrip, headStrip, laneStrip, lineStrip, rulerStrip, TimeAxis } from "./axis.js";
import { lineUps, moved, movedBlocks } from "./lineup.js";
import { ask, guard, id, make, meta, number, query, sameFile, table, tell } from "./core.js";
import { PickList } from "./list.js";

const INKS = ["accent", "warm", "check", "good", "bad"];
const file = id("file");
let name = "", turn = 0, later = 0, frameLater = 0;
/** @type {any} */ let overall = null;
/** @type {any} */ let chosen = null;
/** @type {any} */ let strips = null;
/** @type {any} */ let all = null;
/** @type {any[]} */ let kept = [];
/** @type {any[]} */ let found = [];
/** @type {any} */ let here = null;
// a second recording on the same line of time: its file, what lies over it, its strips of the chosen identifier
/** @type {{file: string, axis: any, ids: Set<string>, shift: number, strips: any} | null} */ let beside = null;

const axis = new TimeAxis(id("axis"), () => { clearTimeout(later); later = setTimeout(refresh, 90); }, pointed);
const list = new PickList(id("identifiers"), [
  { name: "Identifier", cell: (m) => m.text },
  { name: "Bus", cell: (m) => m.bus },
  { name: "Frames", cell: (m) => number(m.count, 0), sort: (m) => m.count, right: true },
  { name: "Period ms", cell: (m) => m.period_ms === null ? "not regular" : number(m.period_ms, 1), sort: (m) => m.period_ms ?? Infinity, right: true },
  { name: "Live bits", cell: (m) => String(m.live_bits), sort: (m) => m.live_bits, right: true },
  { name: "In a map", cell: (m) => make("span", { text: m.named.split(" in ")[0], title: m.named }), sort: (m) => m.named },
], {
  words: "identifiers", key: (m) => `${m.text} ${m.bus}`, text: (m) => `${m.text} ${m.bus} ${m.named}`, pick: guard(pick),
  filters: [["all", () => true], ["that change", (m) => m.live_bits > 0], ["in no map yet", (m) => !m.named], ["in a map", (m) => !!m.named], ["regular", (m) => m.period_ms !== null]],
});

function clear(words, fault) {
  // nothing of the capture before stays under the new one's name, nor comes later
  turn += 1;
  clearTimeout(later);
  overall = chosen = strips = all = here = null;
  kept = kept.filter((one) => one.file === name || one.file === beside?.file); found = [];
  lock(true);
  axis.open([0, 1], []);
  axis.put([]);
  list.put([]);
  id("picture").replaceChildren();
  id("notes").replaceChildren(make("p", { class: fault ? "warn" : "soft", text: words }));
}

const show = guard(async () => {
  if (!file.value) return;
  document.getElementById("none-yet")?.remove();
  name = file.value;
  const mine = name;
  clear("", false);
  try {
    // the first picture waits for the frames alone; what takes a look at every identifier comes after it
    const first = await reading(mine);
    if (name !== mine) return;
    overall = { start: 0, span: first.span, gaps: [], loads: [], channels: [], blocks: [] };
    all = first;
    axis.open(first.span, []);
    arrange();
    id("notes").replaceChildren(make("p", { class: "soft", text: "Looking at every identifier…" }));
    const [view, whole] = await Promise.all([ask(query("/api/capture", { file: mine })), ask(query("/api/axis", { file: mine }))]);
    if (name !== mine) return;
    overall = whole;
    choices();
    id("notes").replaceChildren(...[...view.notes, ...(whole.trouble ? [whole.trouble] : [])].map((n) => make("p", { class: "soft", text: n })));
    axis.gaps = whole.gaps;
    axis.widen(wholeSpan());
    list.put(view.identifiers);
    const chief = view.identifiers.find((m) => m.live_bits > 8) || view.identifiers[0];
    if (chief) { list.mark(`${chief.text} ${chief.bus}`); await pick(chief); } else arrange();
  } catch (error) { if (name === mine) clear(error.message, true); }
});

/** Changes of all identifiers, with a bar while the file is being read. */
async function reading(mine) {
  const bar = make("progress", { max: "1", "aria-label": `reading ${mine}` });
  let waiting = true;
  id("notes").replaceChildren(make("p", { class: "soft", text: `Reading ${mine}…` }), bar);
  const watch = async () => {
    while (waiting && name === mine) {
      await new Promise((ready) => setTimeout(ready, 300));
      const { share } = await ask(query("/api/reading", { file: mine }));
      if (share !== null) bar.value = share;
    }
  };
  watch().catch(() => {});
  try { return await ask(query("/api/lanes", { file: mine })); } finally { waiting = false; }
}

async function pick(message) {
  chosen = message;
  strips = here = null;
  id("picture").replaceChildren(make("p", { class: "soft", text: "Reading…" }));
  await refresh();
  if (chosen === message) await words();
}

const stem = (of) => of.split(".")[0];
const shiftOf = (one) => beside && one === beside.file ? beside.shift : 0;
const wholeSpan = () => beside ? [Math.min(0, beside.shift), Math.max(overall.span[1], beside.shift + beside.axis.span[1])] : overall.span;
const stretch = (of, more) => query("/api/strips", { ...more, file: of, from: axis.from - shiftOf(of), to: axis.to - shiftOf(of) });
const names = (lanes) => new Set(lanes.map((lane) => `${lane.text} ${lane.bus}`));

/** What is drawn is asked for again for the stretch that is looked at. */
async function refresh() {
  const mine = ++turn, message = chosen, second = beside;
  const asked = message ? { id: message.text, bus: message.bus } : null;
  try {
    const [some, other, every] = await Promise.all([
      asked ? ask(stretch(name, asked)) : null,
      asked && second?.ids.has(`${asked.id} ${asked.bus}`) ? ask(stretch(second.file, asked)) : null,
      ask(query("/api/lanes", { file: name, from: axis.from, to: axis.to })),
      ...kept.map(async (one) => {
        const view = await ask(stretch(one.file, { id: one.id, bus: one.bus }));
        one.line = view.fields.find((f) => f.name === one.line.name) || one.line;
      }),
    ]);
    if (mine !== turn) return;
    strips = some;
    all = every;
    if (second) second.strips = other;
    arrange();
  } catch (error) { if (mine === turn) { strips = null; arrange(); tell(error.message, true); } }
}

function arrange() {
  if (!overall) return;
  const keepKey = (one) => `${one.file} ${one.id} ${one.bus} ${one.line.name}`;
  const mine = (line) => ({ file: name, id: chosen.text, bus: chosen.bus, line });
  const isKept = (line) => kept.some((k) => keepKey(k) === keepKey(mine(line)));
  const second = beside, there = second?.axis, other = second?.strips;
  const over = (line) => second && line ? moved(line, second.shift, second.axis.span[1]) : null;
  const like = (lines, line) => over((lines || []).find((l) => l.name === line.name && l.unit === line.unit));
  const load = (one) => ({ name: `bus load ${one.bus}`, unit: "%", step: true, states: {}, times: one.times, values: one.values });
  const kinds = new Map();
  for (const field of found) for (const bit of field.positions) kinds.set(bit, field.kind === "counter" ? "count" : field.kind === "checksum" ? "check" : "move");
  const keptStrip = (one, n) => lineStrip({ ...(one.file === second?.file ? over(one.line) : one.line), name: `${one.id} ${one.line.name}${one.file === name ? "" : `, ${stem(one.file)}`}` },
    INKS[n % INKS.length], { kept: true, keep: () => { kept = kept.filter((k) => k !== one); arrange(); } });
  axis.put([
    rulerStrip(),
    ...overall.blocks.map(blockStrip),
    ...(there ? there.blocks.map((c) => blockStrip({ ...movedBlocks(c, second.shift), name: `${c.name}, ${stem(second.file)}` })) : []),
    ...overall.channels.map((line) => lineStrip(line, "warm", {}, like(there?.channels, line))),
    ...(there ? there.channels.filter((line) => !overall.channels.some((l) => l.name === line.name && l.unit === line.unit)).map((line) => lineStrip({ ...over(line), name: `${line.name}, ${stem(second.file)}` }, "check", {})) : []),
    ...overall.loads.map((one) => lineStrip(load(one), "soft", {}, like(there?.loads.map(load), load(one)))),
    ...kept.map(keptStrip),
    ...(strips ? [
      ...strips.fields.filter((line) => !isKept(line)).map((line) => lineStrip(line, "accent", { keep: () => { kept = [...kept, mine(line)]; arrange(); } }, like(other?.fields, line))),
      lineStrip({ ...strips.period, name: `${chosen.text} ${strips.period.name}` }, "check", {}, over(other?.period)),
      bitStrip(strips.picture, strips.span, kinds),
      ...(other ? [headStrip(`${chosen.text} in ${stem(second.file)}`), { ...bitStrip(other.picture, other.span.map((t) => t + second.shift), kinds), name: "bits beside" }] : []),
    ] : []),
    ...(all ? [laneStrip(all.lanes, all.span, (lane) => chosen && lane.text === chosen.text && lane.bus === chosen.bus)] : []),
  ]);
}

/** What lies beside can't be chosen before this recording's own clock is known. @param {boolean} locked */
function lock(locked) { for (const one of ["beside", "line-up", "moved-by", "swap-files"]) id(one).disabled = locked; }

/** The captures that can lie beside this one, and how the one that does is lined up. */
function choices() {
  const others = [...file.options].map((o) => o.value).filter((n) => n !== name);
  if (beside && beside.file === name) beside = null;
  id("beside").replaceChildren(make("option", { value: "", text: "nothing" }), ...others.map((n) => make("option", { value: n, text: n, selected: n === beside?.file })));
  id("beside-bar").hidden = !others.length;
  lock(false);
  id("lined").hidden = !beside;
  if (!beside) return;
  const ways = lineUps(overall, beside.axis);
  id("line-up").replaceChildren(...ways.map((w, n) => make("option", { value: n, text: w.words, selected: w.shift === beside?.shift })), make("option", { value: "", text: "by hand", selected: !ways.some((w) => w.shift === beside?.shift) }));
  id("moved-by").value = beside.shift.toFixed(2);
}

/** @param {number} shift */
function move(shift) {
  if (!beside || !overall || !Number.isFinite(shift)) return;
  beside.shift = shift;
  choices();
  axis.widen(wholeSpan());
  refresh();
}

const putBeside = guard(async () => {
  if (!overall || id("beside").disabled) return;
  const wanted = id("beside").value;
  kept = kept.filter((one) => one.file === name || one.file === wanted);
  beside = null;
  if (wanted) {
    const mine = name, [there, every] = await Promise.all([ask(query("/api/axis", { file: wanted })), ask(query("/api/lanes", { file: wanted }))]);
    if (name !== mine || id("beside").value !== wanted) return;
    beside = { file: wanted, axis: there, ids: names(every.lanes), shift: lineUps(overall, there)[0].shift, strips: null };
  }
  choices();
  axis.widen(wholeSpan());
  await refresh();
});

async function words() {
  const message = chosen, asked = { file: name, id: message.text, bus: message.bus };
  const place = make("p", {}), frame = make("div", { id: "frame" }), fields = make("details", {}, make("summary", { text: "The fields in words" }));
  const view = await ask(query("/api/identifier", asked));
  if (chosen !== message) return;
  found = view.fields;
  place.append(make("b", { class: "mono", text: message.text }), ` ${number(message.count, 0)} frames, ${view.words}`);
  if (strips?.source) place.append(`. Shown: ${strips.source}`, strips.left_out ? `; ${strips.left_out} more fields are not drawn` : "");
  fields.append(view.fields.length ? table(["Field", "Kind", "Start bit", "Bits", "Byte order"], view.fields.map((f) => [f.label, f.kind, String(f.start), String(f.length), f.byte_order.replace("_", " ")]), [2, 3]) : make("p", { class: "soft", text: "Not guessed yet: the Guess view finds the fields." }));
  id("picture").replaceChildren(place, frame, make("p", { class: "soft small", text: "Bits: a tall mark changes often, a rule at the foot is set. Lanes: the taller, the more often a payload changes. Hatched: nothing was recorded." }), fields);
  arrange();
  if (axis.cursor !== null) pointed(axis.cursor);
  const { checks } = await ask(query("/api/checks", asked));
  if (chosen === message) place.append(checks.map((w) => `, ${w}`).join(""));
}

/** The raw frame under the cursor. */
function pointed(at) {
  clearTimeout(frameLater);
  frameLater = setTimeout(guard(async () => {
    const place = document.getElementById("frame"), message = chosen;
    if (!place || !message) return;
    const { frame } = await ask(query("/api/frame", { file: name, id: message.text, bus: message.bus, at }));
    if (chosen !== message) return;
    here = frame;
    place.replaceChildren(here
      ? make("p", {}, "Frame under the cursor: ", make("code", { text: here.data || "no bytes" }), ` number ${number(here.number, 0)} of ${number(here.of, 0)}, at ${number(here.time_s, 6)} s, ${number(here.age_s * 1000, 1)} ms before the cursor. `, make("code", { class: "small", text: here.bits }))
      : make("p", { class: "soft", text: "No frame of it came before the cursor." }));
  }), 60);
}

sameFile(file);
file.addEventListener("change", show);
id("beside").addEventListener("change", putBeside);
id("line-up").addEventListener("change", () => { const way = lineUps(overall, beside?.axis)[Number(id("line-up").value)]; if (id("line-up").value !== "") move(way.shift); });
id("moved-by").addEventListener("change", () => move(Number(id("moved-by").value)));
id("swap-files").addEventListener("click", guard(async () => {
  if (!beside || !all) return;
  const other = beside;
  beside = { file: name, axis: overall, ids: names(all.lanes), shift: -other.shift, strips: null };
  file.value = other.file;
  file.dispatchEvent(new Event("change"));
}));
id("upload").addEventListener("change", guard(async (event) => {
  const added = [];
  try {
    for (const sent of event.target.files) {
      tell(`Adding ${sent.name}…`);
      const reply = await fetch(query("/api/upload", { name: sent.name }), { method: "POST", headers: { "x-swapbridge-form": meta("form-token") }, body: sent });
      const value = await reply.json().catch(() => ({ error: `the page's server answered ${reply.status}` }));
      if (!reply.ok) throw new Error(`${sent.name}: ${value.error}`);
      added.push(value.name);
      if (value.capture) { file.append(make("option", { value: value.name, text: value.name })); file.value = value.name; }
    }
    if (added.length) tell(`Added ${added.join(", ")}`);
  } finally {
    event.target.value = "";
    if (added.length) file.dispatchEvent(new Event("change"));
  }
}));
show();
