// New content in the place of old, node by node: what stays the same is not laid out or painted again, and keeps
// focus, scroll and a pressed pointer. A node is kept for one of its kind and mark; its attributes, words and
// handlers become the new one's.

import { handle } from "./draw.js";
import { MARKS } from "./focus.js";

export function settle(area, ...wanted) {
  const nodes = wanted.filter((one) => one !== null && one !== undefined && one !== "")
    .map((one) => (one instanceof Node ? one : document.createTextNode(one)));
  const old = [...area.childNodes];
  nodes.forEach((node, n) => {
    if (n >= old.length) area.append(node);
    else if (alike(old[n], node)) mend(old[n], node);
    else old[n].replaceWith(node);
  });
  old.slice(nodes.length).forEach((node) => node.remove());
}

function alike(old, node) {
  if (old.nodeType !== node.nodeType || old.nodeName !== node.nodeName) return false;
  if (node.nodeType !== Node.ELEMENT_NODE) return true;
  return MARKS.every((mark) => old.getAttribute(mark) === node.getAttribute(mark));
}

function mend(old, node) {
  if (node.nodeType !== Node.ELEMENT_NODE) {
    if (old.nodeValue !== node.nodeValue) old.nodeValue = node.nodeValue;
    return;
  }
  // What a person can fill in has a state of its own beside its attributes.
  if (old.matches("input, select")) {
    if (old === document.activeElement && old.dataset.dirty) return;
    if (!old.isEqualNode(node)) return old.replaceWith(node);
    old.value = node.value;
  }
  for (const name of old.getAttributeNames()) if (!node.hasAttribute(name)) old.removeAttribute(name);
  for (const name of node.getAttributeNames()) {
    const value = node.getAttribute(name);
    if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
  for (const kind of Object.keys({ ...old.handlers, ...node.handlers })) handle(old, kind, node.handlers?.[kind]);
  settle(old, ...node.childNodes);
}
