// @ts-check
// The guess view: the list of claims and, for one of them, overlay, scatter, words, and the form to edit and accept it.
import { PickList } from "./list.js";
import { ask, guard, id, job, make, mayWrite, number, plot, query, sameFile, table, tell } from "./core.js";
document.addEventListener("DOMContentLoaded", () => {
  const file = id("file");
  let maps = new Map(), claims = [], chosen = -1, mapName = "vehicle.dbc";

  const list = new PickList(id("claims"), [
    { name: "Claim", cell: (c) => c.stimulus || c.kind },
    { name: "Where", cell: (c) => make("span", { class: "mono", text: `${c.id} ${c.label}` }), sort: (c) => `${c.id} ${c.label}` },
    { name: "How sure", cell: (c) => `${c.sure} ${number(100 * c.confidence, 1)} %`, sort: (c) => c.confidence, right: true },
    { name: "In the map already", cell: (c) => c.in_maps.length ? `✓ ${c.in_maps.join(", ")}` : "" },
  ], {
    words: "claims", key: (c) => `${c.id} ${c.bus} ${c.name}`, text: (c) => `${c.stimulus || ""} ${c.kind} ${c.id} ${c.bus} ${c.label} ${c.unit} ${c.sure} ${c.in_maps.join(" ")}`,
    pick: (c) => pick(claims.indexOf(c)),
    filters: [["what follows a stimulus", (c) => !!c.stimulus], ["every field", () => true], ["not in a map yet", (c) => !c.in_maps.length], ["sure (95 % and up)", (c) => c.confidence >= 0.95]],
    empty: "Nothing in this capture follows a stimulus channel.",
  });

  const load = guard(async () => {
    const state = (text, fault) => { id("claims-state").textContent = text; id("claims-state").className = fault ? "warn" : "soft"; };
    claims = [];
    list.put([]);
    id("detail").replaceChildren();
    id("advice").replaceChildren();
    if (!file.value) { state("No capture here yet.", false); return; }
    const name = file.value;
    state("Reading…", false);
    let view;
    try { view = await ask(query("/api/claims", { file: name })); } catch (error) { if (file.value === name) state(error.message, true); return; }
    if (file.value !== name) return;
    claims = view.claims;
    known(view.maps);
    id("advice").replaceChildren(...(view.advice.length ? [make("section", { class: "card next" }, make("h2", { text: "What to record next" }), make("ul", {}, ...view.advice.map((a) => make("li", { text: a }))))] : []));
    state(view.guessed ? "" : "Not guessed yet.", false);
    id("claims").hidden = id("accept-all").hidden = !view.guessed;
    list.put(claims);
    const buses = [...new Set(claims.map((c) => c.bus))];
    id("which-bus").hidden = buses.length < 2;
    many.elements.bus.replaceChildren(...(buses.length < 2 ? [""] : buses).map((b) => make("option", { value: b, text: b })));
    count();
    if (list.shown.length) list.take(list.shown[0]);
  });

  const many = id("accept-all").querySelector("form");
  function count() {
    const least = Number(many.elements.confidence.value) / 100, some = claims.filter((c) => c.stimulus && Math.min(c.confidence, c.layout_confidence) >= least);
    id("how-many").textContent = claims.length ? `${some.length} claims are that sure, ${some.filter((c) => c.in_maps.length).length} of them in a map already; what is in the map stays as it is.` : "";
  }
  many.addEventListener("input", count);
  many.addEventListener("submit", guard(async (event) => {
    event.preventDefault();
    mapName = many.elements.map.value;
    const done = await ask("/api/accept-all", { file: file.value, confidence: Number(many.elements.confidence.value) / 100, map: mapName, bus: many.elements.bus.value, version: maps.get(mapName)?.version ?? "" }).catch(seen);
    const conflicts = done.conflicts.length ? ` Not taken: ${done.conflicts.slice(0, 3).join("; ")}.` : "";
    tell(`${done.map}: ${done.named} with meaning and ${done.bare} raw were added, ${done.confirmed} were there already.${conflicts}`, !!conflicts);
    await again();
  }));
  // Somebody else wrote the map: its new version is fetched, and the person looks before pressing again.
  /** @returns {Promise<never>} */
  async function seen(error) {
    if (error.changed) known((await ask("/api/maps")).maps);
    throw error.changed ? new Error(`${error.message}. Look at it, then press again.`) : error;
  }
  /** After a map was written: which claims are in one, and what undo would take back. */
  async function again() {
    const view = await ask(query("/api/claims", { file: file.value }));
    known(view.maps);
    claims.forEach((claim) => { const now = view.claims.find((c) => c.id === claim.id && c.bus === claim.bus && c.name === claim.name); if (now) claim.in_maps = now.in_maps; });
    list.draw();
    count();
  }

  function known(some) {
    maps = new Map(some.map((m) => [m.name, m]));
    const what = maps.get(mapName)?.undo;
    id("undo").textContent = what ? `Undo: ${what}` : "Undo";
    id("undo").disabled = !mayWrite || !what;
  }

  const pick = guard(async (index) => {
    chosen = index;
    const claim = claims[index];
    const overlay = make("div", { class: "plot" }), scatter = make("div", { class: "plot" }), verdict = make("p", {});
    const form = editor(claim, () => draw());
    id("detail").replaceChildren(
      make("section", { class: "card" },
        make("h2", { text: claim.stimulus ? `${claim.stimulus} in ${claim.id}` : `${claim.kind} in ${claim.id}` }),
        make("p", { text: claim.words || `${claim.kind} of ${claim.length} bits from start bit ${claim.start}, ${claim.byte_order.replace("_", " ")}.` }),
        overlay, verdict),
      make("div", { class: "pair" },
        make("section", { class: "card" }, make("h2", { text: claim.stimulus ? "Field against stimulus" : "Field" }), scatter),
        make("section", { class: "card" }, make("h2", { text: "Edit and accept" }), form.node)),
      make("section", { class: "card" }, make("details", {}, make("summary", { text: "All the evidence" }), evidence(claim))));
    let turn = 0;
    const draw = guard(async () => {
      const mine = ++turn, values = form.values();
      const mux = claim.mux && claims.find((c) => c.id === claim.id && c.bus === claim.bus && c.name === claim.mux.signal);
      /** @type {Record<string, any>} */
      const asked = { file: file.value, id: claim.id, bus: claim.bus, ...values, channel: claim.stimulus || "", lag: claim.lag_s || 0 };
      if (mux) asked.mux_bits = [mux.start, mux.length, mux.byte_order, claim.mux.value].join(":");
      let view;
      try { view = await ask(query("/api/field", { ...asked, kind: claim.kind })); } catch (error) {
        if (mine === turn) { overlay.replaceChildren(make("p", { class: "warn", text: error.message })); scatter.replaceChildren(); verdict.textContent = ""; }
        return;
      }
      if (mine !== turn || chosen !== index) return;
      /** @type {any[]} */
      const lines = [{ label: `${claim.name}${values.unit ? ` ${values.unit}` : ""}`, times: view.times, values: view.values, step: view.step }];
      if (view.stimulus) lines.push({ label: `${view.stimulus.name}, as measured, lag taken out`, times: view.stimulus.times, values: view.stimulus.values, dash: [6, 4] });
      plot(overlay, lines, { height: 300 });
      verdict.textContent = view.stimulus ? `${number(view.frames, 0)} frames; half of the measured points differ by less than ${`${number(view.stimulus.median_error, 4)} ${view.stimulus.unit}`.trim()}.` : `${number(view.frames, 0)} frames. ${view.note}`;
      if (view.stimulus) dots(scatter, view.stimulus, claim); else scatter.replaceChildren(make("p", { class: "soft", text: "No stimulus channel belongs to this field." }));
    });
    await draw();
  });

  function dots(place, stimulus, claim) {
    const order = stimulus.dots[0].map((x, i) => [x, stimulus.dots[1][i]]).sort((a, b) => a[0] - b[0]);
    if (!order.length) { place.replaceChildren(make("p", { class: "soft", text: "Field and stimulus share no time." })); return; }
    const low = order[0][0], high = order[order.length - 1][0];
    plot(place, [{ label: claim.name, times: order.map((d) => d[0]), values: order.map((d) => d[1]), points: true },
      { label: "where they agree", times: [low, high], values: [low, high], dash: [5, 4] }], { height: 280, xLabel: `${stimulus.name} ${stimulus.unit}` });
  }

  function editor(claim, changed) {
    const inputs = {};
    const input = (key, label, attributes) => {
      inputs[key] = make("input", { id: `edit-${key}`, value: claim[key] ?? "", ...attributes });
      inputs[key].addEventListener("input", () => { clearTimeout(inputs.later); inputs.later = setTimeout(changed, 120); });
      return make("label", { class: "field" }, label, inputs[key]);
    };
    inputs.byte_order = make("select", { id: "edit-byte_order", onchange: changed }, ...["little_endian", "big_endian"].map((o) => make("option", { value: o, text: o.replace("_", " "), selected: claim.byte_order === o })));
    inputs.signed = make("input", { type: "checkbox", id: "edit-signed", checked: claim.signed, onchange: changed });
    const name = make("input", { id: "edit-name", value: claim.stimulus || claim.name, maxlength: "120" });
    const map = make("input", { id: "edit-map", value: mapName, list: "maps" });
    const press = make("button", { type: "submit", class: "go", text: "Accept into the map", disabled: !mayWrite });
    const node = make("form", {},
      make("div", { class: "bar" }, input("start", "Start bit", { type: "number", min: 0, max: 511 }), input("length", "Bits", { type: "number", min: 1, max: 64 }),
        make("label", { class: "field" }, "Byte order", inputs.byte_order), make("label", { class: "field" }, "Signed", inputs.signed)),
      make("div", { class: "bar" }, input("scale", "Scale", { inputmode: "decimal", size: 12 }), input("offset", "Offset", { inputmode: "decimal", size: 10 }), input("unit", "Unit", { size: 8 })),
      make("div", { class: "bar" }, make("label", { class: "field" }, "Signal name", name), make("label", { class: "field" }, "Signal map", map), press));
    const key = `edit ${file.value} ${claim.id} ${claim.bus} ${claim.name}`, boxes = { ...inputs, name };
    try { const was = JSON.parse(sessionStorage.getItem(key) || "{}"); for (const [k, v] of Object.entries(was)) if (boxes[k]) { if (k === "signed") boxes[k].checked = v; else boxes[k].value = v; } } catch { sessionStorage.removeItem(key); }
    node.addEventListener("input", () => sessionStorage.setItem(key, JSON.stringify({ ...values(), name: name.value })));
    node.addEventListener("change", () => sessionStorage.setItem(key, JSON.stringify({ ...values(), name: name.value })));
    const values = () => ({ start: inputs.start.value, length: inputs.length.value, byte_order: inputs.byte_order.value, signed: inputs.signed.checked, scale: inputs.scale.value, offset: inputs.offset.value, unit: inputs.unit.value });
    node.addEventListener("submit", guard(async (event) => {
      event.preventDefault();
      mapName = map.value;
      const edit = values(), same = ["start", "length", "byte_order", "signed", "scale", "offset", "unit"].every((k) => String(edit[k]) === String(claim[k] ?? ""));
      const done = await ask("/api/accept", { file: file.value, id: claim.id, bus: claim.bus, field: claim.name, name: name.value, map: map.value, edit: same ? null : edit, version: maps.get(map.value)?.version ?? "" }).catch(seen);
      sessionStorage.removeItem(key);
      await again();
      tell(`${done.accepted} is in ${done.map}${done.by_hand ? ", set by hand: the old evidence is not kept" : ""}.`);
    }));
    return { node, values };
  }

  function evidence(claim) {
    const rows = Object.entries(claim.evidence).filter(([k]) => k !== "words").map(([k, v]) => [k.replaceAll("_", " "), typeof v === "object" ? JSON.stringify(v) : String(v)]);
    if (claim.alternatives.length) rows.push(["runners-up", JSON.stringify(claim.alternatives.slice(0, 4))]);
    return rows.length ? table(["What", "Value"], rows) : make("p", { class: "soft", text: "Nothing more is kept." });
  }

  sameFile(file);
  file.addEventListener("change", load);
  id("start").addEventListener("click", () => job(() => ask("/api/guess", { file: file.value }), id("work"), () => { tell("Guessed."); load(); }));
  id("undo").addEventListener("click", guard(async () => {
    const { undone } = await ask("/api/undo", { file: mapName, version: maps.get(mapName)?.version ?? "" });
    await again();
    tell(`Undone: ${undone}`);
  }));
  load();
});
