// The screws side by side, in a panel over the strip; or what a change moved. Every word and number comes from the program.

import { $, drawn, field, make } from "./draw.js";
import { keepFocus } from "./focus.js";
import { bar } from "./sure.js";

let number = 0;

export function showCompared(data, say) {
  const panel = $("compared");
  if (!data) {
    panel.hidden = true;
    panel.replaceChildren();
    return;
  }
  const arrives = data.number !== number;
  number = data.number;
  keepFocus(panel, () => panel.replaceChildren(...inside(data, say)));
  if (!arrives) return;
  const waited = ["compare", "suppose"].includes(document.activeElement?.id);
  showAgain(waited);
  $("spoken").textContent = data.moved ? `what if: ${data.moved.rows.length} numbers move` : `${data.heads.length} screws side by side`;
}

export function showAgain(toIt = true) {
  $("compared").hidden = false;
  $("compared").scrollTop = 0;
  if (toIt) $("compared-name").focus({ preventScroll: true });
}

function close() {
  $("compared").hidden = true;
  ($("compared-again") ?? $("compare"))?.focus({ preventScroll: true });
}

// Before the panel of an opened value hears of Esc (open.js): that one lies above and closes first.
window.addEventListener("keydown", (event) => {
  if (event.key !== "Escape" || $("compared").hidden || $("opened").open || document.querySelector("dialog:modal")) return;
  if (!document.body.classList.contains("holding")) close();
}, { capture: true });

function inside(data, say) {
  return [
    make("div", { class: "bar" }, make("button", { id: "compared-close", onclick: close }, "close"), make("kbd", {}, "Esc")),
    make("h2", { id: "compared-name", tabindex: "-1" }, data.moved ? "What if" : "Side by side", make("small", {}, data.drawn)),
    ...data.notes.map((words) => make("p", { class: "said" }, words)),
    ...(data.moved ? moved(data.moved) : []),
    table(data, say),
    ...data.untold.map((words) => make("p", { class: "muted" }, words)),
    make("p", { class: "muted" }, "Each is measured as if it were the only screw. There is no total: which limit matters is for a surgeon to say. "
      + "◇ breaks its limit; right of the line keeps it."),
  ];
}

function moved(data) {
  const row = (one) => make("tr", {}, make("th", { scope: "row" }, one.words, one.of ? make("small", {}, " " + one.of) : ""),
    make("td", {}, one.before), make("td", {}, one.after), make("td", {}, one.change));
  return [make("p", {}, make("b", {}, data.changes.join("; "))),
    data.rows.length ? make("table", { class: "moved" },
      make("thead", {}, make("tr", {}, ...["what moves, most first", "as planned", "what if", "change"].map((words) => make("th", { scope: "col" }, words)))),
      make("tbody", {}, ...data.rows.map(row))) : make("p", {}, "No number moves.")];
}

function table(data, say) {
  return make("table", { class: "beside" },
    make("thead", {}, make("tr", {}, make("td", {}), ...data.heads.map((one) => head(one, say)))),
    make("tbody", {}, ...data.rows.map((row) => make("tr", { class: row.head ? "head" : null },
      make("th", { scope: "row" }, row.words, row.asked ? make("small", {}, " " + row.asked) : ""), ...row.cells.map(cell)))));
}

function head(one, say) {
  const [first, ...rest] = one.varied;
  return make("th", { scope: "col" }, make("b", {}, first), ...rest.map((words) => make("small", {}, words)),
    one.in_plan ? make("small", { class: "in-plan" }, "in the plan") : "",
    one.put ? make("button", { id: "compared-" + one.number, onclick: () => say({ do: "compared", number: one.number }) }, `put in as ${one.name}`) : "");
}

function cell(one) {
  if (one.share) return make("td", { class: "share" }, value(one), bar(one.value, one.share));
  if (one.value === undefined) {
    return make("td", { class: one.broken ? "words broken" : "words" }, one.said ?? "",
      ...(one.stops ?? []).map((words) => make("span", { class: "stop" }, "■ stop: " + words)));
  }
  return make("td", { class: one.broken ? "broken" : null }, value(one), one.svg ? drawn(one.svg) : "",
    ...[one.range, one.said].filter(Boolean).map((words) => make("small", {}, words)));
}

const value = (one) => (one.field ? field(one.field, one.value, one.shown) : make("span", { class: "value", "data-value": one.value }, one.shown));
