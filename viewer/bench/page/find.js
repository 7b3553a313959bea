// The best screws for this bone, searched by the program and put in by a click. No number is made here.

import { make } from "./draw.js";

// The family of the screw in hand, until a person chooses otherwise.
let all = false;
let anyAngle = false;

export function find(found, inHand, say) {
  if (!found) return [];
  const instead = found.instead_of ? `in place of ${found.instead_of}` : "as the first";
  return [
    make("h2", {}, "Search", make("small", {}, found.instead_of ? "the other screws stay" : "")),
    make("p", { class: "choices" },
      make("select", { id: "search-family", "aria-label": "Screws to search", onchange: (event) => { all = event.target.value === ""; } },
        ...(inHand ? [make("option", { value: inHand, selected: !all }, "only " + inHand)] : []),
        make("option", { value: "", selected: all || !inHand }, "all screws without a plate")),
      make("button", { id: "search", class: "solid", disabled: found.busy, onclick: () => say({ do: "search", family: all ? null : inHand, any_angle: anyAngle }) }, "Find the best"),
      ...(found.instead_of ? [make("button", { id: "map", disabled: found.busy, onclick: () => say({ do: "map" }) }, "Entry map"), make("kbd", {}, "M")] : [])),
    make("p", { class: "choices" }, make("label", {}, make("input", { id: "search-any-angle", type: "checkbox", checked: anyAngle,
      onchange: (event) => { anyAngle = event.target.checked; } }), " also more than 30° off square to the fracture")),
    ...found.rows.map((one, number) => make("div", { class: "finding found" }, make("b", {}, String(number + 1)),
      make("span", {}, `${one.screw}, ${one.length_mm} mm, ${one.how}: ${one.held}. ${one.reason} `,
        make("button", { id: "put-" + number, onclick: () => say({ do: "found", number }) }, instead)),
      ...(one.as_placed ? [make("span", { class: "why" }, one.as_placed)] : []),
      ...one.warns.map((words) => make("span", { class: "why" }, "warns: " + words)))),
    ...found.notes.map((words) => make("p", { class: "muted" }, words))];
}
