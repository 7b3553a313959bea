// Where nothing is open yet: three sentences, the demo bones, and what lies in the folder.

import { $, make } from "./draw.js";

const SORTS = { case: "case", folder: "folder", scan: "may be a CT" };

// Said at once, as the program answers only when what was chosen is open.
function opening(event) {
  const words = make("small", { role: "status" }, " opening; the first time after an installation this takes a minute");
  event.currentTarget.disabled = true;
  event.currentTarget.after(words);
}

export function showStart(data, say) {
  const open = (name) => say({ do: "open", at: [...data.at, name] });
  const list = (at) => say({ do: "list", at });
  const way = [make("button", { onclick: () => list([]) }, data.folder),
    ...data.at.flatMap((step, place) => [" / ", make("button", { onclick: () => list(data.at.slice(0, place + 1)) }, step)])];
  const rows = data.entries.map((one) => make("li", { "data-entry": one.name },
    make("button", { onclick: (event) => {
      if (one.sort === "folder") return list([...data.at, one.name]);
      opening(event);
      return open(one.name);
    } }, one.name), make("small", {}, SORTS[one.sort])));
  if (data.scans_here) rows.unshift(make("li", {}, make("button", { id: "slices", onclick: () => say({ do: "open", at: data.at }) }, "the slices in this folder"), make("small", {}, "may be a CT")));
  if (data.cut_short) rows.push(make("li", {}, make("small", {}, "and more; start Pilothole nearer to what you look for")));
  if (!rows.length) rows.push(make("li", {}, make("small", {}, "no case, no folder and nothing that may be a CT (NIfTI or DICOM)")));
  $("start").replaceChildren(
    make("div", { class: "first" }, ...data.sentences.map((one) => make("p", {}, one))),
    ...(data.left ? [make("p", { class: "first" }, make("button", { id: "again", onclick: (event) => {
        opening(event);
        say({ do: "again" });
      } }, "back to " + data.left),
      make("small", { class: "muted" }, " as you left it; its steps can no longer be undone"))] : []),
    make("div", {}, make("h2", {}, "A demo bone"), make("ul", { id: "demos" }, ...data.demos.map((one) => make("li", { "data-demo": one.name },
      make("button", { onclick: (event) => {
        opening(event);
        say({ do: "demo", name: one.name });
      } }, one.name), make("small", {}, one.words))))),
    make("div", {}, make("h2", {}, "A CT or a case"), make("p", { class: "told way" }, "in ", ...way), make("ul", { id: "entries" }, ...rows)));
}
