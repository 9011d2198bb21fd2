// @ts-check
// The draft view: a card a message, a row a line; accept, refuse, edit; recorded against made on request.
import { ask, guard, id, job, make, mayWrite, plot, query, tell } from "./core.js";
document.addEventListener("DOMContentLoaded", () => {
  let view = null;
  const wanted = { all: () => true, waits: (l) => l.waits, open: (l) => l.open, said: (l) => l.sentence !== "", unseen: (l) => l.unseen !== "" };

  // Somebody else wrote the file: it is shown as it is now, and the person looks before pressing again.
  const seen = async (error) => {
    if (error.changed) { view = await ask("/api/draft"); show(); }
    throw error; // what was typed stays where it is
  };
  const decide = guard(async (line, what, more) => {
    view = await ask("/api/draft/decide", { name: line.name, decision: what, version: view.version, ...more }).catch(seen);
    show();
    tell(`${line.name}: ${{ accept: "accepted", refuse: "refused, and open now", edit: "written" }[what]}.`);
  });

  const states = (line) => [line.waits ? "waits for a review" : "", line.open ? "open" : "", line.sentence ? "draft's" : line.unseen ? "accepted together with others" : "yours"].filter((w) => w).join(", ");

  function editor(line, place) {
    const value = make("textarea", { class: "code", rows: "3", "aria-label": `rule of ${line.name}` });
    const safe = make("input", { "aria-label": `safe answer of ${line.name}` });
    value.value = line.value;
    safe.value = line.fallback;
    place.replaceChildren(
      make("label", { class: "field" }, "Rule", value),
      make("label", { class: "field" }, "Safe answer", safe),
      make("div", { class: "bar" },
        make("button", { type: "button", class: "go", text: "Save", onclick: () => decide(line, "edit", { value: value.value, fallback: safe.value }) }),
        make("button", { type: "button", text: "Leave it", onclick: () => place.replaceChildren() })));
    value.focus();
  }

  /** What was recorded, and what the rule makes of the same drive, as draft drew it. */
  async function draw(line, place) {
    const drawn = await ask(query("/api/draft/drawn", { name: line.name })), { times, recorded, made } = drawn;
    if (!times.length) { place.replaceChildren(make("p", { class: "soft", text: "No plot: the rule depends on something that a recording alone does not contain, or was not drafted." })); return; }
    if (drawn.value !== line.value) { place.replaceChildren(make("p", { class: "soft", text: "No plot: the rule has changed since draft plotted it." })); return; }
    const box = make("div", { class: "plot" }), unit = drawn.unit ? ` ${drawn.unit}` : "";
    place.replaceChildren(box, make("p", { class: "soft small", text: !made ? "Nobody knows how it is made; the safe answer is sent instead." : drawn.held_out ? "This stretch was not used to learn the rule." : "The whole recording was used to find this rule, including this stretch." }));
    plot(box, [{ label: `recorded${unit}`, times, values: recorded, step: true }, ...(made ? [{ label: `made${unit}`, times, values: made, dash: [5, 4], step: true }] : [])], { height: 200 });
  }

  function row(line) {
    const place = make("div", {});
    const beside = guard(async () => {
      const picture = make("div", {}), numbers = make("div", {});
      place.replaceChildren(picture, numbers);
      await draw(line, picture);
      await job(() => ask("/api/draft/beside", { name: line.name }), numbers,
        (found) => numbers.replaceChildren(make("pre", { tabindex: "0", text: found.lines.join("\n") })));
    });
    const button = (text, work) => make("button", { type: "button", text, "aria-label": `${text} ${line.name}`, disabled: !mayWrite, onclick: work });
    return make("section", { class: "drafted", "data-name": line.name },
      make("h3", {}, make("span", { class: "mono", text: line.signal }), make("span", { class: "soft state", text: ` ${states(line)}` })),
      make("p", {}, make("code", { text: line.value }), make("span", { class: "soft", text: line.fallback ? ` else ${line.fallback}` : "" })),
      line.sentence || line.unseen ? make("p", { class: "soft", text: line.sentence || line.unseen }) : null,
      make("div", { class: "bar" },
        button("Accept", () => decide(line, "accept")), button("Refuse", () => decide(line, "refuse")), button("Edit", () => editor(line, place)), line.unseen ? button("Take back", () => takeBack([line.name])) : null,
        make("button", { type: "button", text: "Recorded against made", "aria-label": `Recorded against made, ${line.name}`, onclick: beside })),
      place);
  }

  // a message that holds a torque waits as a whole too: its still bits may be limits
  function whole(name) {
    if (!view.waiting.includes(name)) return null;
    return make("div", { class: "bar" }, make("span", { text: "The whole message waits for a review." }),
      make("button", { type: "button", text: "Accept the message", "aria-label": `Accept the message ${name}`, disabled: !mayWrite, onclick: () => decide({ name }, "accept") }));
  }

  // What draft is sure of and no decision waits for, in one step; and afterwards each of it by name.
  const many = id("together"), least = many.querySelector("input"), unseen = id("unseen");
  const sureEnough = () => view.lines.filter((l) => l.together && l.sure >= Number(least.value) / 100);
  const listed = (line, words) => make("li", {}, make("span", { class: "mono", text: line.name }), " ", make("code", { text: line.value }), make("span", { class: "soft", text: ` ${words}` }));
  const takeBack = guard(async (names) => {
    view = await ask("/api/draft/take-back", { names, version: view.version }).catch(seen);
    show();
    tell(names.length > 1 ? `${names.length} lines are draft's again.` : `${names[0]} is draft's again.`);
  });
  function together() {
    const some = sureEnough(), done = view.lines.filter(wanted.unseen);
    many.hidden = !view.lines.some((l) => l.together);
    many.querySelector("[role=status]").textContent = some.length ? `${some.length} of ${view.lines.length} lines` : "No line is that sure.";
    many.querySelector("button").disabled = !some.length || !mayWrite;
    many.querySelector("ul").replaceChildren(...some.map((l) => listed(l, l.sentence)));
    unseen.hidden = !done.length;
    unseen.querySelector("ul").replaceChildren(...done.map((l) => listed(l, l.unseen)));
  }
  least.addEventListener("input", together);
  many.querySelector("form").addEventListener("submit", guard(async (event) => {
    event.preventDefault();
    const done = await ask("/api/draft/together", { confidence: Number(least.value) / 100, version: view.version }).catch(seen);
    view = done.view;
    show();
    tell(`${done.accepted.length} lines were accepted together.`);
  }));
  unseen.querySelector("button").addEventListener("click", () => takeBack(view.lines.filter(wanted.unseen).map((l) => l.name)));

  // First of all: what can be made completely, what is open, and what can't be made, as the last draft saw it.
  let changes = [];
  function outlook() {
    const said = [...view.outlook, ...changes.map((words) => `Changed: ${words}`)];
    id("outlook").replaceChildren(...(said.length ? [make("section", { class: "card next" }, make("h2", { text: "Outlook" }), make("ul", {}, ...said.map((words) => make("li", { text: words }))))] : []));
  }

  function show() {
    together();
    const lines = view.lines.filter(wanted[id("which").value]);
    const messages = new Map();
    for (const line of lines) messages.set(line.message, [...(messages.get(line.message) || []), line]);
    id("count").textContent = `${lines.length} of ${view.lines.length} lines; ${view.waiting.length} wait for a review`;
    id("trouble").hidden = !view.trouble;
    id("trouble").textContent = view.trouble;
    id("undo").hidden = !view.undo || !mayWrite;
    id("undo").textContent = view.undo ? `Undo: ${view.undo}` : "Undo";
    const cards = [...messages].map(([name, held]) => make("section", { class: "card" }, make("h2", { class: "mono", text: name }), whole(name), ...held.map(row)));
    if (!view.lines.length) cards.push(make("p", { text: "Nothing has been drafted yet: make the four recordings, then use the button above." }));
    id("lines").replaceChildren(...cards);
    outlook();
  }

  id("which").addEventListener("change", show);
  id("draft").addEventListener("click", guard(async () => {
    await job(() => ask("/api/draft/make", { version: view.version }), id("work"), guard(async (made) => {
      changes = made.changes;
      view = await ask("/api/draft");
      show();
    }));
  }));
  id("undo").addEventListener("click", guard(async () => {
    await ask("/api/undo", { file: "bridge.toml", version: view.version });
    view = await ask("/api/draft");
    show();
  }));
  guard(async () => { view = await ask("/api/draft"); show(); })();
});
