// @ts-check
// The bridge file's editor: CodeMirror with the compiler's marks at their lines, and the names and functions of the
// language to complete. Its styles carry the page's nonce, since the content policy allows no others.
import {
  autocompletion, bracketMatching, completionKeymap, defaultKeymap, drawSelection, EditorState, EditorView, highlightActiveLine, HighlightStyle, highlightSpecialChars, history, historyKeymap, keymap,
  lineNumbers, lintGutter, lintKeymap, search, searchKeymap, setDiagnostics, StreamLanguage, syntaxHighlighting, tags, toml,
} from "./vendor/codemirror.js";
import { meta } from "./core.js";

const LOOK = EditorView.theme({
  "&": { color: "var(--ink)", backgroundColor: "var(--card)", border: "1px solid var(--soft)", borderRadius: "7px", height: "34rem", fontSize: ".85rem" },
  "&.cm-focused": { outline: "3px solid var(--warm)", outlineOffset: "1px" },
  ".cm-scroller": { fontFamily: "'DejaVu Sans Mono', ui-monospace, monospace", lineHeight: "1.5" },
  ".cm-content": { caretColor: "var(--ink)" },
  ".cm-cursor": { borderLeftColor: "var(--ink)" },
  ".cm-gutters": { color: "var(--soft)", backgroundColor: "var(--card)", borderRight: "1px solid var(--line)" },
  ".cm-activeLine": { backgroundColor: "transparent", boxShadow: "inset 0 -1px var(--line), inset 0 1px var(--line)" },
  ".cm-activeLineGutter": { color: "var(--ink)", backgroundColor: "var(--shade)" },
  "&.cm-focused > .cm-scroller > .cm-selectionLayer .cm-selectionBackground, .cm-selectionBackground": { backgroundColor: "var(--line)" },
  ".cm-tooltip, .cm-panels": { color: "var(--ink)", backgroundColor: "var(--card)", border: "1px solid var(--soft)" },
  ".cm-tooltip-autocomplete ul li": { padding: ".2rem .4rem" },
  ".cm-tooltip-autocomplete ul li[aria-selected]": { color: "var(--accent-ink)", backgroundColor: "var(--accent)" },
  ".cm-completionDetail": { fontStyle: "normal", color: "var(--soft)" },
  "li[aria-selected] .cm-completionDetail": { color: "inherit" },
  ".cm-completionMatchedText": { textDecoration: "underline" },
  ".cm-matchingBracket, &.cm-focused .cm-matchingBracket": { color: "inherit", backgroundColor: "var(--shade)", outline: "1px solid var(--soft)" },
  ".cm-searchMatch": { backgroundColor: "var(--shade)", outline: "1px solid var(--warm)" },
  ".cm-panel.cm-search": { padding: ".4rem" },
  ".cm-button, .cm-textfield": { color: "var(--ink)", backgroundColor: "var(--card)", backgroundImage: "none", border: "1px solid var(--soft)" },
}, { dark: window.matchMedia("(prefers-color-scheme: dark)").matches });

const INKS = HighlightStyle.define([
  { tag: tags.comment, color: "var(--soft)", fontStyle: "italic" },
  { tag: tags.string, color: "var(--accent)" },
  { tag: [tags.number, tags.atom, tags.bool], color: "var(--warm)" },
  { tag: [tags.propertyName, tags.variableName], color: "var(--ink)" },
  { tag: [tags.bracket, tags.heading], color: "var(--check)", fontWeight: "bold" },
]);

/** @typedef {import("./answers").Pickable} Pickable */
/** @typedef {import("./answers").Usage} Usage */
/** @typedef {import("./answers").CompilerMessage} CompilerMessage */

export class BridgeEditor {
  /**
   * @param {HTMLElement} place
   * @param {{label: string, described: string, writes: boolean, edited: () => void}} options
   */
  constructor(place, options) {
    this.options = options;
    /** @type {Pickable[]} */ this.names = [];
    /** @type {Usage[]} */ this.functions = [];
    this.view = new EditorView({ parent: place, state: this.fresh("") });
  }

  /** A text that nobody typed yet: undo does not go behind it. @param {string} text */
  fresh(text) {
    return EditorState.create({
      doc: text,
      extensions: [
        EditorView.cspNonce.of(meta("style-nonce")), LOOK, syntaxHighlighting(INKS), StreamLanguage.define(toml),
        lintGutter(), lineNumbers(), history(), drawSelection(), bracketMatching(), highlightSpecialChars(), highlightActiveLine(), search({ top: true }),
        autocompletion({ override: [(context) => this.complete(context)], icons: false }),
        keymap.of([...completionKeymap, ...defaultKeymap, ...historyKeymap, ...searchKeymap, ...lintKeymap]),
        EditorView.contentAttributes.of({ "aria-label": this.options.label, "aria-describedby": this.options.described, spellcheck: "false", tabindex: "0" }),
        EditorState.readOnly.of(!this.options.writes),
        EditorView.updateListener.of((update) => { if (update.docChanged) this.options.edited(); }),
      ],
    });
  }

  /** @returns {string} */
  get text() { return this.view.state.doc.toString(); }

  /** Another text with a history of its own. @param {string} text */
  open(text) { this.view.setState(this.fresh(text)); }

  /** The whole text anew, as one step that undo takes back; the cursor stays where it was as far as it can.
   * @param {string} text */
  retype(text) {
    const old = this.text;
    let same = 0;
    while (same < old.length && same < text.length && old[same] === text[same]) same++;
    let tail = 0;
    while (tail < old.length - same && tail < text.length - same && old[old.length - 1 - tail] === text[text.length - 1 - tail]) tail++;
    this.view.dispatch({ changes: { from: same, to: old.length - tail, insert: text.slice(same, text.length - tail) } });
  }

  /** @param {number} line */
  goTo(line) {
    const { doc } = this.view.state, found = doc.line(Math.min(Math.max(1, line), doc.lines));
    this.view.dispatch({ selection: { anchor: found.from, head: found.to }, effects: EditorView.scrollIntoView(found.from, { y: "center" }) });
    this.view.focus();
  }

  /** The compiler's words at their lines. @param {CompilerMessage[]} faults */
  mark(faults) {
    const { doc } = this.view.state, some = faults.filter((f) => f.line && f.line <= doc.lines);
    this.view.dispatch(setDiagnostics(this.view.state, some.map((fault) => {
      const line = doc.line(fault.line || 1), from = Math.min(line.to, line.from + fault.column - 1);
      return { from: from < line.to ? from : line.from, to: line.to, severity: fault.level === "refused" ? "error" : "warning", message: fault.words };
    })));
  }

  /** Names of the maps and functions of the language, inside quotes; everywhere with Ctrl and Space.
   * @param {import("./vendor/codemirror.js").CompletionContext} context */
  complete(context) {
    const word = context.matchBefore(/[A-Za-z_][\w.]*/), line = context.state.doc.lineAt(context.pos);
    const quoted = line.text.slice(0, context.pos - line.from).split('"').length % 2 === 0;
    if (!context.explicit && (!word || !quoted)) return null;
    return {
      from: word ? word.from : context.pos,
      validFor: /^[\w.]*$/,
      options: [
        ...this.names.map((n) => ({ label: n.name, detail: `${n.unit} ${n.sure}`.trim() })),
        ...this.functions.map((f) => ({ label: f.name, detail: f.usage, info: f.words, apply: `${f.name}(` })),
      ],
    };
  }
}
