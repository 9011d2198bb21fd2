// A page for the scripts under test: jsdom, with what it lacks of a browser. Imported first, since core.js looks at the
// document as soon as it is loaded.
import { JSDOM } from "jsdom";

const { window } = new JSDOM(
  '<meta name="form-token" content="f"><meta name="may-write" content="yes"><span id="folder">swap</span><p id="sending"><button id="stop-sending"></button></p><div id="message"></div><main id="main"></main><div id="board"></div>',
  { url: "http://127.0.0.1:8321/", pretendToBeVisual: true },
);
Object.assign(window, { matchMedia: () => ({ matches: false, addEventListener() {} }), ResizeObserver: class { observe() {} disconnect() {} } });
window.HTMLCanvasElement.prototype.getContext = () => null;
for (const name of ["window", "document", "sessionStorage", "localStorage", "matchMedia", "ResizeObserver", "getComputedStyle", "Node", "HTMLCanvasElement", "requestAnimationFrame", "KeyboardEvent"]) {
  Object.defineProperty(globalThis, name, { value: name === "window" ? window : window[name], configurable: true });
}

/** A fresh place in the page. */
export function place() {
  const box = document.createElement("div");
  document.getElementById("main").replaceChildren(box);
  return box;
}

/** A key pressed on whatever has the focus, or on a node. */
export function press(key, node = document.activeElement, more = {}) {
  node.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true, ...more }));
}
