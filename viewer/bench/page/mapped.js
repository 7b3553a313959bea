// What each entry could reach, as the report draws it: on paper, in both themes, over the page until it is closed.

import { $, drawn, make } from "./draw.js";

let number = 0;

export function showMapped(data) {
  if (!data || data.number === number) return;
  number = data.number;
  $("mapped").replaceChildren(
    make("form", { method: "dialog", class: "bar" }, make("button", { id: "mapped-close" }, "close"), make("kbd", {}, "Esc")),
    make("h2", { id: "mapped-name" }, "What each entry could reach", make("small", {}, data.screw)),
    ...data.blocks.map((one) => (one.svg ? drawn(one.svg) : make("p", {}, make("b", {}, one.bold), " ", one.words))));
  $("mapped").showModal();
}
