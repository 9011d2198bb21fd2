// The capture view: load and stimulus over time, identifiers, and the bit picture of one of them.
"use strict";
document.addEventListener("DOMContentLoaded", () => {
  const { ask, guard, id, lanes, make, number, query, table, tell } = bench;
  const file = id("file");
  let current = null;

  const show = guard(async () => {
    if (!file.value) return;
    const name = file.value;
    // nothing of the capture before stays under the new one's name
    for (const place of ["load", "notes", "identifiers", "picture"]) id(place).replaceChildren();
    id("notes").replaceChildren(make("p", { class: "soft", text: "Reading…" }));
    let view;
    try { view = await ask(query("/api/capture", { file: name })); } catch (error) {
      if (file.value === name) id("notes").replaceChildren(make("p", { class: "warn", text: error.message }));
      return;
    }
    if (file.value !== name) return;
    lanes(id("load"), [{ label: "bus load %", times: view.load.times, values: view.load.values, step: true }, ...view.stimulus], view.span);
    id("notes").replaceChildren(...view.notes.map((n) => make("p", { class: "soft", text: n })));
    const rows = view.identifiers.map((m) => [
      make("button", { type: "button", class: "row mono", text: m.text, onclick: () => pick(m) }),
      m.bus, number(m.count, 0), m.period_ms === null ? "not regular" : number(m.period_ms, 1), String(m.live_bits)]);
    const list = table(["Identifier", "Bus", "Frames", "Period ms", "Live bits"], rows, [2, 3, 4]);
    list.querySelectorAll("tbody tr").forEach((row, i) => { row.dataset.key = view.identifiers[i].text; });
    id("identifiers").replaceChildren(list);
    if (view.identifiers.length) await pick(view.identifiers.find((m) => m.live_bits > 8) || view.identifiers[0]);
  });

  const pick = guard(async (message) => {
    current = message.text;
    for (const row of id("identifiers").querySelectorAll("tbody tr")) row.setAttribute("aria-selected", row.dataset.key === message.text);
    const asked = { file: file.value, id: message.text, bus: message.bus };
    id("picture").replaceChildren();
    let view;
    try { view = await ask(query("/api/identifier", asked)); } catch (error) {
      if (current === message.text) id("picture").replaceChildren(make("p", { class: "warn", text: error.message }));
      return;
    }
    if (current !== message.text) return;
    const place = make("div", {}), checks = make("span", {});
    id("picture").replaceChildren(
      make("p", {}, make("b", { class: "mono", text: message.text }), ` ${number(message.count, 0)} frames, ${view.words}`, checks),
      make("ul", { class: "legend" }, make("li", {}, make("b", { text: "Tall mark" }), " the bit changes often"), make("li", {}, make("b", { text: "Rule at the foot" }), " the bit is set"), make("li", {}, make("b", { text: "Bracket" }), " a field, its kind beside it")),
      place,
      make("details", {}, make("summary", { text: "The fields in words" }),
        view.fields.length ? table(["Field", "Kind", "Start bit", "Bits", "Byte order"], view.fields.map((f) => [f.label, f.kind, String(f.start), String(f.length), f.byte_order.replace("_", " ")]), [2, 3]) : make("p", { class: "soft", text: "Not guessed yet: the Guess view finds the fields." })));
    bitPicture(place, view.picture, view.fields);
    const { checks: found } = await ask(query("/api/checks", asked));
    checks.textContent = found.map((words) => `, ${words}`).join("");
  });

  file.addEventListener("change", show);
  id("upload").addEventListener("change", guard(async (event) => {
    const chosen = event.target.files[0];
    if (!chosen) return;
    const reply = await fetch(query("/api/upload", { name: chosen.name }), { method: "POST", headers: { "x-swapbridge-form": document.querySelector('meta[name="form-token"]').content }, body: chosen });
    const value = await reply.json();
    if (!reply.ok) throw new Error(value.error);
    tell(`Added ${value.name}`);
    if (value.capture) { file.append(make("option", { value: value.name, text: value.name })); file.value = value.name; }
    await show();
  }));
  show();
});
