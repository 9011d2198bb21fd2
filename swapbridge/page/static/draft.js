// @ts-check
// The draft view: a card a message, a row a line; accept, refuse, edit; recorded against made on request.
import { ask, guard, id, job, make, mayWrite, tell } from "./core.js";
document.addEventListener("DOMContentLoaded", () => {
  let view = null;
  const wanted = { all: () => true, waits: (l) => l.waits, open: (l) => l.open, said: (l) => l.said !== "" };

  const say = guard(async (line, what, more) => {
    try {
      view = await ask("/api/draft/say", { name: line.name, say: what, version: view.version, ...more });
    } catch (error) {
      if (error.changed) { view = await ask("/api/draft"); show(); }
      throw error; // what was typed stays where it is
    }
    show();
    tell(`${line.name}: ${{ accept: "accepted", refuse: "refused, and open now", edit: "written" }[what]}.`);
  });

  const states = (line) => [line.waits ? "waits for a review" : "", line.open ? "open" : "", line.said ? "draft's" : "yours"].filter((w) => w).join(", ");

  function editor(line, place) {
    const value = make("textarea", { class: "code", rows: "3", "aria-label": `rule of ${line.name}` });
    const safe = make("input", { "aria-label": `safe answer of ${line.name}` });
    value.value = line.value;
    safe.value = line.fallback;
    place.replaceChildren(
      make("label", { class: "field" }, "Rule", value),
      make("label", { class: "field" }, "Safe answer", safe),
      make("div", { class: "bar" },
        make("button", { type: "button", class: "go", text: "Save", onclick: () => say(line, "edit", { value: value.value, fallback: safe.value }) }),
        make("button", { type: "button", text: "Leave it", onclick: () => place.replaceChildren() })));
    value.focus();
  }

  function row(line) {
    const place = make("div", {});
    const beside = () => job(() => ask("/api/draft/beside", { name: line.name }), place,
      (found) => place.replaceChildren(make("pre", { text: found.lines.join("\n") })));
    const button = (text, work) => make("button", { type: "button", text, "aria-label": `${text} ${line.name}`, disabled: !mayWrite, onclick: work });
    return make("section", { class: "drafted", "data-name": line.name },
      make("h3", {}, make("span", { class: "mono", text: line.signal }), make("span", { class: "soft state", text: ` ${states(line)}` })),
      make("p", {}, make("code", { text: line.value }), make("span", { class: "soft", text: line.fallback ? ` else ${line.fallback}` : "" })),
      line.said ? make("p", { class: "soft", text: line.said }) : null,
      make("div", { class: "bar" },
        button("Accept", () => say(line, "accept")), button("Refuse", () => say(line, "refuse")), button("Edit", () => editor(line, place)),
        make("button", { type: "button", text: "Recorded against made", "aria-label": `Recorded against made, ${line.name}`, onclick: beside })),
      place);
  }

  // a message that holds a torque waits as a whole too: its still bits may be limits
  function whole(name) {
    if (!view.waiting.includes(name)) return null;
    return make("div", { class: "bar" }, make("span", { text: "The message as a whole waits for a review." }),
      make("button", { type: "button", text: "Accept the message", "aria-label": `Accept the message ${name}`, disabled: !mayWrite, onclick: () => say({ name }, "accept") }));
  }

  function show() {
    const lines = view.lines.filter(wanted[id("which").value]);
    const messages = new Map();
    for (const line of lines) messages.set(line.message, [...(messages.get(line.message) || []), line]);
    id("count").textContent = `${lines.length} of ${view.lines.length} lines; ${view.waiting.length} wait for a review`;
    id("trouble").hidden = !view.trouble;
    id("trouble").textContent = view.trouble;
    id("undo").hidden = !view.undo || !mayWrite;
    id("undo").textContent = view.undo ? `Undo: ${view.undo}` : "Undo";
    const cards = [...messages].map(([name, held]) => make("section", { class: "card" }, make("h2", { class: "mono", text: name }), whole(name), ...held.map(row)));
    if (!view.lines.length) cards.push(make("p", { text: "No line is drafted yet. In the swap folder: swapbridge draft" }));
    id("lines").replaceChildren(...cards);
  }

  id("which").addEventListener("change", show);
  id("undo").addEventListener("click", guard(async () => {
    await ask("/api/undo", { file: "bridge.toml", version: view.version });
    view = await ask("/api/draft");
    show();
  }));
  guard(async () => { view = await ask("/api/draft"); show(); })();
});
