// Puts what the server has drawn in its place; every value keeps its path in assessment.json and full precision.

export const $ = (id) => document.getElementById(id);

// On a large screen drawings grow with the words beside them: one of their units is so many CSS pixels.
export const zoom = () => (window.innerWidth >= 2200 ? 1.4 : 1);

export function make(tag, attributes = {}, ...inside) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "class") node.className = value;
    else if (key.startsWith("on")) handle(node, key.slice(2), value);
    else node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...inside.filter((one) => one !== null && one !== undefined && one !== ""));
  return node;
}

// Kept with the node, so that a node which stays in the page can take over the handlers of a newer one (settle.js).
export function handle(node, kind, does) {
  if (!node.handlers) node.handlers = {};
  if (!(kind in node.handlers)) node.addEventListener(kind, (event) => node.handlers[kind]?.(event));
  node.handlers[kind] = does;
}

export function drawn(svg) {
  // Drawings come from our own server, with every name escaped there.
  const holder = document.createElement("span");
  holder.innerHTML = svg;
  return holder.firstElementChild ?? "";
}

export function field(path, value, shown, unit = "", justChanged = false) {
  // A button: any value can be opened (open.js).
  return make("button", { class: justChanged ? "value just" : "value", "data-field": path, "data-value": value, "aria-haspopup": "dialog" },
    shown, unit ? make("small", {}, " " + unit) : "");
}

const SEVERITY = { stop: "■", warn: "◪", note: "□" };

export function severity(word) {
  return make("span", { class: "severity " + word }, SEVERITY[word] + " " + word);
}
