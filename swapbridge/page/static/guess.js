// @ts-check
// The guess view: the list of claims and, for one of them, overlay, scatter, words, and the form to edit and accept it.
import { ask, guard, id, job, make, mayWrite, number, plot, query, table, tell } from "./core.js";
document.addEventListener("DOMContentLoaded", () => {
  const file = id("file");
  let maps = new Map(), claims = [], chosen = -1, mapName = "vehicle.dbc";

  const load = guard(async () => {
    if (!file.value) { id("claims").replaceChildren(make("p", { class: "soft", text: "No capture here yet." })); return; }
    const name = file.value;
    id("claims").replaceChildren(make("p", { class: "soft", text: "Reading…" }));
    id("detail").replaceChildren();
    id("advice").replaceChildren();
    let view;
    try { view = await ask(query("/api/claims", { file: name })); } catch (error) { id("claims").replaceChildren(make("p", { class: "warn", text: error.message })); return; }
    if (file.value !== name) return;
    claims = view.claims;
    known(view.maps);
    id("advice").replaceChildren(...(view.advice.length ? [make("section", { class: "card next" }, make("h2", { text: "What to record next" }), make("ul", {}, ...view.advice.map((a) => make("li", { text: a }))))] : []));
    if (!view.guessed) { id("claims").replaceChildren(make("p", { text: "Not guessed yet." })); return; }
    list();
  });

  function known(list) {
    maps = new Map(list.map((m) => [m.name, m]));
    const what = maps.get(mapName)?.undo;
    id("undo").textContent = what ? `Undo: ${what}` : "Undo";
    id("undo").disabled = !mayWrite || !what;
  }

  function list() {
    const all = id("filter").value === "all";
    const shown = claims.map((c, i) => [c, i]).filter(([c]) => all || c.stimulus);
    const out = table(["Claim", "Where", "How sure"], shown.map(([c, i]) => [
      make("button", { type: "button", class: "row", text: c.stimulus || c.kind, onclick: () => pick(i) }),
      make("span", { class: "mono", text: `${c.id} ${c.label}` }),
      `${c.sure} ${number(100 * c.confidence, 1)} %`]), [2]);
    out.querySelectorAll("tbody tr").forEach((row, n) => { row.dataset.index = shown[n][1]; });
    id("claims").replaceChildren(shown.length ? out : make("p", { text: "Nothing in this capture follows a stimulus channel." }));
    if (shown.length) pick(shown[0][1]);
  }

  const pick = guard(async (index) => {
    chosen = index;
    const claim = claims[index];
    for (const row of id("claims").querySelectorAll("tbody tr")) row.setAttribute("aria-selected", Number(row.dataset.index) === index);
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
      const asked = { file: file.value, id: claim.id, bus: claim.bus, ...values, channel: claim.stimulus || "", lag: claim.lag_s || 0 };
      if (mux) asked.mux_bits = [mux.start, mux.length, mux.byte_order, claim.mux.value].join(":");
      let view;
      try { view = await ask(query("/api/field", { ...asked, kind: claim.kind })); } catch (error) {
        if (mine === turn) { overlay.replaceChildren(make("p", { class: "warn", text: error.message })); scatter.replaceChildren(); verdict.textContent = ""; }
        return;
      }
      if (mine !== turn || chosen !== index) return;
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
    const values = () => ({ start: inputs.start.value, length: inputs.length.value, byte_order: inputs.byte_order.value, signed: inputs.signed.checked, scale: inputs.scale.value, offset: inputs.offset.value, unit: inputs.unit.value });
    node.addEventListener("submit", guard(async (event) => {
      event.preventDefault();
      mapName = map.value;
      const edit = values(), same = ["start", "length", "byte_order", "signed", "scale", "offset", "unit"].every((k) => String(edit[k]) === String(claim[k] ?? ""));
      const done = await ask("/api/accept", { file: file.value, id: claim.id, bus: claim.bus, field: claim.name, name: name.value, map: map.value, edit: same ? null : edit, version: maps.get(map.value)?.version ?? "" }).catch(async (error) => {
        if (error.changed) known((await ask("/api/maps")).maps);
        throw error.changed ? new Error(`${error.message}. Look at it, then press again.`) : error;
      });
      known((await ask("/api/maps")).maps);
      tell(`${done.accepted} is in ${done.map}${done.by_hand ? ", set by hand: the old evidence is not kept" : ""}.`);
    }));
    return { node, values };
  }

  function evidence(claim) {
    const rows = Object.entries(claim.evidence).filter(([k]) => k !== "words").map(([k, v]) => [k.replaceAll("_", " "), typeof v === "object" ? JSON.stringify(v) : String(v)]);
    if (claim.alternatives.length) rows.push(["runners-up", JSON.stringify(claim.alternatives.slice(0, 4))]);
    return rows.length ? table(["What", "Value"], rows) : make("p", { class: "soft", text: "Nothing more is kept." });
  }

  file.addEventListener("change", load);
  id("filter").addEventListener("change", list);
  id("start").addEventListener("click", () => job(() => ask("/api/guess", { file: file.value }), id("work"), () => { tell("Guessed."); load(); }));
  id("undo").addEventListener("click", guard(async () => {
    const { undone } = await ask("/api/undo", { file: mapName, version: maps.get(mapName)?.version ?? "" });
    known((await ask("/api/maps")).maps);
    tell(`Undone: ${undone}`);
  }));
  load();
});
