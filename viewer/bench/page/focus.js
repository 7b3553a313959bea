// Keeps the focus on the same control while a part of the page is drawn anew.

export const MARKS = ["id", "data-field", "data-opens", "data-length", "data-screw", "data-fragment"];

export function keepFocus(area, redraw) {
  const held = document.activeElement;
  const name = held !== area && area.contains(held) ? MARKS.find((mark) => held.hasAttribute(mark)) : null;
  const mark = name ? `[${name}="${CSS.escape(held.getAttribute(name))}"]` : null;
  redraw();
  if (mark && !area.contains(document.activeElement)) area.querySelector(mark)?.focus({ preventScroll: true });
}
