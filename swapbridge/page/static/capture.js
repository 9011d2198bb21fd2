// @ts-check
// The capture view: identifiers in a list, and everything about the chosen one over the recording's own time.
import { bitStrip, blockStrip, laneStrip, lineStrip, rulerStrip, TimeAxis } from "./axis.js";
import { ask, guard, id, make, meta, number, query, table, tell } from "./core.js";
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
  // nothing of the capture before stays under the new one's name
  overall = chosen = strips = all = here = null;
  kept = []; found = [];
  axis.open([0, 1], []);
  axis.put([]);
  list.put([]);
  id("picture").replaceChildren();
  id("notes").replaceChildren(make("p", { class: fault ? "warn" : "soft", text: words }));
}

const show = guard(async () => {
  if (!file.value) return;
  name = file.value;
  const mine = name;
  clear("Reading…", false);
  try {
    const view = await ask(query("/api/capture", { file: mine }));
    const whole = await ask(query("/api/axis", { file: mine }));
    if (name !== mine) return;
    overall = whole;
    id("notes").replaceChildren(...[...view.notes, ...(whole.trouble ? [whole.trouble] : [])].map((n) => make("p", { class: "soft", text: n })));
    axis.open(whole.span, whole.gaps);
    list.put(view.identifiers);
    const first = view.identifiers.find((m) => m.live_bits > 8) || view.identifiers[0];
    if (first) { list.mark(`${first.text} ${first.bus}`); await pick(first); } else arrange();
  } catch (error) { if (name === mine) clear(error.message, true); }
});

async function pick(message) {
  chosen = message;
  strips = here = null;
  id("picture").replaceChildren(make("p", { class: "soft", text: "Reading…" }));
  await refresh();
  await words();
}

/** What is drawn is asked for again for the stretch that is looked at. */
async function refresh() {
  const mine = ++turn, asked = { file: name, from: axis.from, to: axis.to };
  const message = chosen;
  try {
    const [some, every] = await Promise.all([
      message ? ask(query("/api/strips", { ...asked, id: message.text, bus: message.bus })) : null,
      ask(query("/api/lanes", asked)),
      ...kept.map(async (one) => {
        const view = await ask(query("/api/strips", { ...asked, id: one.id, bus: one.bus }));
        one.line = view.fields.find((f) => f.name === one.line.name) || one.line;
      }),
    ]);
    if (mine !== turn) return;
    strips = some;
    all = every;
    arrange();
  } catch (error) { if (mine === turn) { strips = null; arrange(); tell(error.message, true); } }
}

function arrange() {
  if (!overall) return;
  const keepKey = (one) => `${one.id} ${one.bus} ${one.line.name}`;
  const keeping = (line) => () => {
    const key = keepKey({ id: chosen.text, bus: chosen.bus, line });
    kept = kept.some((k) => keepKey(k) === key) ? kept.filter((k) => keepKey(k) !== key) : [...kept, { id: chosen.text, bus: chosen.bus, line }];
    arrange();
  };
  const kinds = new Map();
  for (const field of found) for (const bit of field.positions) kinds.set(bit, field.kind === "counter" ? "count" : field.kind === "checksum" ? "check" : "move");
  axis.put([
    rulerStrip(),
    ...overall.blocks.map(blockStrip),
    ...overall.channels.map((line) => lineStrip(line, "warm", {})),
    ...overall.loads.map((load) => lineStrip({ name: `bus load ${load.bus}`, unit: "%", step: true, states: {}, times: load.times, values: load.values }, "soft", {})),
    ...kept.map((one, n) => lineStrip({ ...one.line, name: `${one.id} ${one.line.name}` }, INKS[n % INKS.length], { kept: true, keep: () => { kept = kept.filter((k) => k !== one); arrange(); } })),
    ...(strips ? [
      ...strips.fields.filter((line) => !kept.some((k) => keepKey(k) === keepKey({ id: chosen.text, bus: chosen.bus, line }))).map((line) => lineStrip(line, "accent", { keep: keeping(line) })),
      lineStrip({ ...strips.period, name: `${chosen.text} ${strips.period.name}` }, "check", {}),
      bitStrip(strips.picture, strips.span, kinds),
    ] : []),
    ...(all ? [laneStrip(all.lanes, all.span, (lane) => chosen && lane.text === chosen.text && lane.bus === chosen.bus)] : []),
  ]);
}

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

file.addEventListener("change", show);
id("upload").addEventListener("change", guard(async (event) => {
  const sent = event.target.files[0];
  if (!sent) return;
  const reply = await fetch(query("/api/upload", { name: sent.name }), { method: "POST", headers: { "x-swapbridge-form": meta("form-token") }, body: sent });
  const value = await reply.json();
  if (!reply.ok) throw new Error(value.error);
  tell(`Added ${value.name}`);
  if (value.capture) { file.append(make("option", { value: value.name, text: value.name })); file.value = value.name; }
  await show();
}));
show();
