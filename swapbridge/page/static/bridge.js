// @ts-check
// The bridge view: the text with the compiler's words at their lines, the gauge tables with their curve, the dials.
import { PickList } from "./list.js";
import { ask, forgetTyped, guard, id, job, keepTyped, make, mayWrite, plot, table, tell, typed } from "./core.js";
import { dialBoard } from "./dials.js";
import { BridgeEditor } from "./editor.js";
document.addEventListener("DOMContentLoaded", () => {
  const editor = new BridgeEditor(id("text"), { label: "The bridge file", described: "faults", writes: mayWrite, edited });
  let saved = "", version = "", later = 0, turn = 0, open = null;

  function show(view) {
    const { faults } = view;
    const refused = faults.filter((f) => f.level === "refused").length;
    id("state").className = refused ? "bad" : faults.length ? "warn" : "good";
    id("state").textContent = !editor.text.trim() ? "Empty." : refused ? `✗ Refused: ${refused} thing${refused > 1 ? "s" : ""} to correct.` : faults.length ? `✓ Compiles, with ${faults.length} warning${faults.length > 1 ? "s" : ""}.` : "✓ Compiles.";
    id("faults").replaceChildren(...(faults.length ? [make("ol", { class: "faults" }, ...faults.slice(0, 30).map((f) => make("li", {},
      make("span", { class: f.level === "refused" ? "bad" : "warn", text: f.level === "refused" ? "Refused. " : "Warning. " }),
      f.line ? make("button", { type: "button", class: "row", text: `Line ${f.line}`, onclick: () => editor.goTo(f.line) }) : "", ` ${f.words}`)))] : []));
    if (view.names.length) editor.names = view.names;
    editor.functions = view.functions;
    editor.mark(faults);
    if (view.rows.length || !refused) board.put(view.rows);
    curves(view.tables);
  }

  // The bridge as a table: where a signal is made from one other, another of the same kind of unit can be picked.
  const board = new PickList(id("rows"), [
    { name: "Signal", cell: (r) => r.signal },
    { name: "Message", cell: (r) => `${r.message}, ${r.every}` },
    { name: "Made from", cell: (r) => make("div", {}, make("code", { text: r.made_from }), picker(r)), sort: (r) => r.made_from },
    { name: "How sure", cell: (r) => r.sources.map((s) => s.sure).join(", ") || "a constant", sort: (r) => r.sources.map((s) => s.sure).join() },
    { name: "In doubt", cell: (r) => r.doubt },
    { name: "How exactly", cell: (r) => r.note },
  ], {
    words: "signals", key: (r) => `${r.message} ${r.signal}`, text: (r) => `${r.message} ${r.signal} ${r.made_from} ${r.doubt}`,
    pick: (r) => find(r), empty: "Nothing is sent yet.",
    filters: [["all", () => true], ["made of what was found, not by hand", (r) => r.sources.some((s) => s.sure.startsWith("found"))], ["constants", (r) => !r.sources.length]],
  });
  function picker(row) {
    if (!mayWrite || row.sources.length !== 1 || row.made_from !== row.sources[0].name) return null;
    const mine = row.message.split(".")[0], fits = editor.names.filter((n) => n.bus !== mine && n.kind === row.kind);
    if (fits.length < 2) return null;
    return make("select", { "aria-label": `${row.signal} is made from`, class: "small", onchange: guard(async (e) => { const { text: fresh } = await ask("/api/bridge/pick", { text: editor.text, message: row.message, signal: row.signal, source: e.target.value }); editor.retype(fresh); }) },
      ...fits.map((n) => make("option", { value: n.name, text: `${n.name}${n.unit ? `, ${n.unit}` : ""} (${n.sure})`, selected: n.name === row.made_from })));
  }
  /** Shows where the text says it. */
  function find(row) {
    const lines = editor.text.split("\n");
    const from = lines.findIndex((line) => line.includes("send") && line.includes(`"${row.message}"`));
    const at = lines.findIndex((line, n) => n > from && new RegExp(`(^|\\.)\\s*"?${row.signal}"?\\s*(=|\\])`).test(line));
    if (from >= 0 && at >= 0) editor.goTo(at + 1);
  }

  function curves(list) {
    if (!list.length) { id("tables").replaceChildren(make("p", { class: "soft", text: "The bridge file has no tables." })); return; }
    if (!list.some((t) => t.name === open)) open = list[0].name;
    const chosen = list.find((t) => t.name === open), points = chosen.points.map((p) => [...p]);
    const picture = make("div", { class: "plot" });
    const choose = make("select", { onchange: (e) => { open = e.target.value; curves(list); } }, ...list.map((t) => make("option", { value: t.name, text: t.name, selected: t.name === open })));
    const draw = () => plot(picture, [{ label: `${chosen.name} ${chosen.y}`, times: points.map((p) => p[0]), values: points.map((p) => p[1]) }], { height: 240, xLabel: chosen.x || "in" });
    const change = guard(async () => {
      const mine = ++turn;
      const { text: fresh } = await ask("/api/bridge/curve", { text: editor.text, table: open, points });
      if (mine !== turn) return;
      editor.retype(fresh);
      draw();
    });
    const rows = make("div", { class: "scroll points" });
    const cell = (i, side) => make("input", { type: "number", step: "any", value: points[i][side], size: 7, "aria-label": `point ${i + 1}, ${side ? chosen.y || "out" : chosen.x || "in"}`, disabled: !mayWrite,
      onchange: (e) => { const was = points[i][side]; points[i][side] = Number(e.target.value); change().catch(() => { points[i][side] = was; }); } });
    const list_ = () => rows.replaceChildren(table([`In ${chosen.x}`, `Out ${chosen.y}`, ""], points.map((_, i) => [cell(i, 0), cell(i, 1),
      make("span", {}, make("button", { type: "button", text: "Add below", disabled: !mayWrite, onclick: () => { const next = points[i + 1] || [points[i][0] + 10, points[i][1]]; points.splice(i + 1, 0, [(points[i][0] + next[0]) / 2, (points[i][1] + next[1]) / 2]); list_(); change(); } }), " ",
        make("button", { type: "button", text: "Remove", disabled: !mayWrite || points.length < 3, onclick: () => { points.splice(i, 1); list_(); change(); } }))])));
    id("tables").replaceChildren(make("div", { class: "bar" }, make("label", { class: "field" }, "Table", choose)), picture, rows);
    list_();
    draw();
  }

  const check = guard(async () => {
    const mine = ++turn, view = await ask("/api/bridge/check", { text: editor.text });
    if (mine === turn) show(view);
  });
  function edited() { keepTyped("bridge.toml", editor.text === saved ? null : { text: editor.text, version }); clearTimeout(later); later = setTimeout(mayWrite ? check : () => {}, 350); }
  function fromDisk(view) {
    turn += 1; // an answer about the text that was here before comes too late
    clearTimeout(later);
    saved = view.text;
    editor.open(saved);
    version = view.version;
    undoWords(view.undo);
    show(view);
    return view;
  }
  const load = guard(async () => fromDisk(await ask("/api/bridge")));
  function undoWords(what) { id("undo").textContent = what ? `Undo: ${what}` : "Undo"; id("undo").disabled = !mayWrite || !what; }

  // Text that was never saved comes back with the view, and the person chooses between it and the file.
  function choice(words, ...buttons) {
    id("unsaved").replaceChildren(...(words ? [make("section", { class: "card next" }, make("p", { text: words }), make("div", { class: "bar" }, ...buttons))] : []));
  }
  const button = (label, work) => make("button", { type: "button", text: label, onclick: guard(work) });
  function mine(kept) { editor.retype(kept); choice(""); }
  const start = guard(async () => {
    const view = await load(), kept = typed("bridge.toml");
    if (!view || !kept) return;
    if (kept.value.text === view.text) { forgetTyped(kept); return; }
    const words = `Text of bridge.toml that was never saved (typed ${new Date(kept.at).toLocaleString()})`;
    const others = kept.value.version !== view.version ? " The file on the disk has been changed since by something else." : "";
    const forget = button("Discard it and load the file from the disk", async () => { forgetTyped(kept); choice(""); fromDisk(view); await load(); });
    if (!kept.mine) { choice(`${words} was left behind by another tab.${others}`, button("Show it here", () => mine(kept.value.text)), forget); return; }
    version = kept.value.version;
    editor.retype(kept.value.text);
    choice(`${words} is shown.${others}`, forget);
  });
  // False where somebody else wrote the file: nothing is lost, and the person says what is to be done.
  async function store() {
    const now = editor.text;
    try {
      const done = await ask("/api/bridge/save", { text: now, version });
      saved = now; version = done.version;
      keepTyped("bridge.toml", null);
      undoWords("edit the bridge file");
      choice("");
      tell("Saved.");
      return true;
    } catch (error) {
      if (!error.changed) throw error;
      const theirs = await ask("/api/bridge");
      choice(`${error.message}. Your text is still here, unsaved.`,
        button("Show the file as it is now (yours is kept)", () => { keepTyped("bridge.toml", { text: now, version }); saved = theirs.text; editor.open(saved); version = theirs.version; show(theirs); choice("This is the file as it is now.", button("Back to my text", () => mine(now))); }),
        button("Write mine over it (undo brings theirs back)", async () => { version = theirs.version; await store(); }));
      return false;
    }
  }
  const save = guard(store);
  id("save").addEventListener("click", save);
  id("compile").addEventListener("click", guard(async () => {
    if (editor.text !== saved && !(await store())) return;
    await job(() => ask("/api/bridge/compile", { version }), id("work"), (r) => tell(`The plan is written: ${r.sends} messages, ${r.warnings.length} warnings.`));
  }));
  id("drive").addEventListener("click", () => job(() => ask("/api/bridge/dials", { file: id("driver").value }), id("dial-work"), (r) => dialBoard(id("dials"), r)));
  id("undo").addEventListener("click", guard(async () => {
    if (editor.text !== saved) { tell("There is unsaved text; save it, or reload the page, before you undo an earlier step.", true); return; }
    const { undone } = await ask("/api/undo", { file: "bridge.toml", version });
    await load();
    tell(`Undone: ${undone}`);
  }));
  start();
});
