// What the bridge view's editor needs of CodeMirror 6. `npm --prefix .ci/page run vendor` bundles it, with all it stands
// on, into one file that the wheel carries: swapbridge/page/static/vendor/codemirror.js.
export { autocompletion, completionKeymap } from "@codemirror/autocomplete";
export { defaultKeymap, history, historyKeymap } from "@codemirror/commands";
export { bracketMatching, HighlightStyle, StreamLanguage, syntaxHighlighting } from "@codemirror/language";
export { toml } from "@codemirror/legacy-modes/mode/toml";
export { lintGutter, lintKeymap, setDiagnostics } from "@codemirror/lint";
export { search, searchKeymap } from "@codemirror/search";
export { EditorState } from "@codemirror/state";
export { drawSelection, EditorView, highlightActiveLine, highlightSpecialChars, keymap, lineNumbers } from "@codemirror/view";
export { tags } from "@lezer/highlight";
/** @typedef {import("@codemirror/autocomplete").CompletionContext} CompletionContext */
