// The column is longer than the screen: a line at its top leads to its parts. And the line that follows the pointer
// from the entry that was clicked.

import { $, make } from "./draw.js";

const PARTS = ["Limits", "Findings", "Sure", "Pull-out", "Drilling", "Mechanics", "Compare", "Search"];
const HEADED = { Limits: "Against its limits", Sure: "How sure", Drilling: "Drilling, in order" };

// Buttons for those parts of the column that are there.
export function ways(nodes) {
  const headings = (inside) => inside.flatMap((one) => (one?.tagName === "H2" ? [one] : [...(one?.querySelectorAll?.("h2") ?? [])]));
  const heads = headings(nodes).map((one) => one.firstChild.textContent);
  const go = (part) => {
    const column = $("read"), head = headings([column]).find((one) => one.firstChild.textContent === (HEADED[part] ?? part));
    const above = column.querySelector("nav").offsetHeight;
    if (head) column.scrollTop += head.getBoundingClientRect().top - column.getBoundingClientRect().top - above;
  };
  return make("nav", { class: "ways", "aria-label": "Parts of the column" },
    ...PARTS.filter((part) => heads.includes(HEADED[part] ?? part)).map((part) => make("button", { id: "way-" + part.toLowerCase(), onclick: () => go(part) }, part.toLowerCase())));
}

export function aimFrom(data, pointer) {
  const svg = $("scene-over");
  let line = svg.querySelector(":scope > line.aim");
  if (!data?.aims_from) return line?.remove();
  if (!pointer) return;
  if (!line) {
    line = document.createElementNS("http://www.w3.org/2000/svg", "line");
    line.setAttribute("class", "aim");
    svg.append(line);
  }
  const box = svg.getBoundingClientRect();
  const [x, y] = data.aims_from;
  const to = { x2: ((pointer.clientX - box.left) / box.width) * data.width, y2: ((pointer.clientY - box.top) / box.height) * data.height };
  for (const [name, value] of Object.entries({ x1: x, y1: y, ...to })) line.setAttribute(name, value.toFixed(1));
}
