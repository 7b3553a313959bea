// The bone under the hand: its fragments by name, and the tools that mark, cut, join, brush and reduce.

import { $, make } from "./draw.js";

const NS = "http://www.w3.org/2000/svg";
let now = null;
let send = () => {};
let line = null;

export const toolInHand = () => now?.tool ?? null;

export function showBone(data, say) {
  now = data;
  send = say;
  $("scene").style.cursor = data?.tool ? "crosshair" : "";
  if (!data) return;
  const area = $("read");
  const typing = area.contains(document.activeElement) && document.activeElement.matches("input, select") ? document.activeElement.id : "";
  const typed = typing && document.activeElement.matches("input") ? document.activeElement.value : null;
  const scroll = area.scrollTop;
  area.replaceChildren(...rows(data));
  area.scrollTop = scroll;
  if (typing && $(typing)) {
    if (typed !== null) $(typing).value = typed;
    $(typing).focus();
  }
}

function rows(data) {
  const tool = (name, words) => make("button", { id: "tool-" + name, "aria-pressed": String(data.tool === name), onclick: () => send({ do: "tool", tool: data.tool === name ? null : name }) }, words);
  const text = (id, value, change, more = {}) => make("input", { id, value, maxlength: 60, onchange: (event) => change(event.target.value.trim()), ...more });
  const counted = (list) => list.map((one) => `${one.name}${one.bone === one.name ? "" : " of " + one.bone}, ${one.count}`).join("; ");
  const name = (number) => data.fragments.find((one) => one.number === number)?.name ?? "";
  const choose = (id, key) => make("select", { id, onchange: (event) => send({ do: "tool", [key]: Number(event.target.value) }) },
    ...data.fragments.map((one) => make("option", { value: one.number, selected: one.number === data[key] }, one.name)));
  return [
    make("h1", {}, "The bone", make("small", {}, `${data.fragments.length} fragments`)),
    ...(data.refusal ? [make("p", { class: "told" }, data.refusal)] : []),
    ...data.told.map((one) => make("p", { class: "told said" }, one)),
    make("h2", {}, "Fragments", make("small", {}, "name, bone, mm³")),
    ...data.fragments.map((one) => make("div", { class: "fragment", "data-fragment": one.number },
      text(`name-${one.number}`, one.name, (value) => send({ do: "call", fragment: one.number, name: value, bone: one.bone }), { "aria-label": `name of fragment ${one.number}` }),
      text(`bone-${one.number}`, one.bone, (value) => send({ do: "call", fragment: one.number, name: one.name, bone: value }), { "aria-label": `bone of fragment ${one.number}` }),
      make("span", { class: "told" }, one.volume_mm3.toFixed(0) + (one.reduced ? ", reduced" : "")))),
    ...data.fractures.map((one) => make("p", { class: "told" }, `fracture between ${one.between.join(" and ")}: gap ${one.gap_mm === null ? "not measurable" : one.gap_mm.toFixed(2) + " mm"}`)),
    make("h2", {}, "Tell apart what touches", make("small", {}, "marks in each bone")),
    make("dl", { class: "pairs" }, make("dt", {}, "Mark for"), make("dd", {}, text("mark-name", data.name, (value) => value && send({ do: "tool", name: value }), { placeholder: "fragment's name" })),
      make("dt", {}, "of bone"), make("dd", {}, text("mark-bone", data.bone_name, (value) => value && send({ do: "tool", bone: value }), { placeholder: "the same name" }))),
    make("p", { class: "choices" }, tool("mark", "mark it"), make("button", { id: "apart", disabled: !data.marks.length, onclick: () => send({ do: "apart" }) }, "tell apart"),
      make("button", { disabled: !data.marks.length, onclick: () => send({ do: "forget" }) }, "forget marks")),
    ...(data.marks.length ? [make("p", { class: "told" }, "marked: " + counted(data.marks))] : []),
    ...(data.seeds.length ? [make("p", { class: "told" }, "in the case: " + counted(data.seeds))] : []),
    make("h2", {}, "Cut and join", make("small", {}, `${data.edits} edits so far`)),
    make("p", { class: "choices" }, tool("cut", "cut flat"), tool("line", "cut by hand"), tool("join", "join two")),
    make("h2", {}, "Joint surface", make("small", {}, data.given_joint ? "given" : data.joints.length ? "bone, below the cartilage" : "none")),
    ...data.joints.map((one) => make("p", { class: "told" }, one.name + (one.automatic ? ", found from facing" : ", marked by hand"))),
    make("p", { class: "choices" }, tool("add", "brush more"), tool("remove", "brush less"),
      make("span", {}, "radius ", make("input", { id: "radius", class: "narrow", inputmode: "decimal", value: data.radius_mm, onchange: (event) => {
        const value = Number(event.target.value.replace(",", "."));
        if (Number.isFinite(value) && value >= 0.5 && value <= 100) send({ do: "tool", radius_mm: value });
      } }), " mm")),
    ...(data.fragments.length < 2 ? [] : [
      make("h2", {}, "Bring back a displaced fragment"),
      make("dl", { class: "pairs" }, make("dt", {}, "Move"), make("dd", {}, choose("move", "move")), make("dt", {}, "onto"), make("dd", {}, choose("onto", "onto"))),
      make("p", { class: "choices" }, tool("pair", "point out pairs"),
        make("button", { id: "unpair", disabled: !data.pairs && !data.half_pair, onclick: () => send({ do: "unpair" }) }, data.half_pair ? "take back the first point" : "take back the last pair"),
        make("span", { class: "told" }, data.pairs ? `${data.pairs} pair${data.pairs > 1 ? "s" : ""}; it may also be reduced without` : "no pairs: its place is then looked for along the faces")),
      make("p", { class: "choices" }, make("button", { id: "reduce", class: "solid", onclick: () => send({ do: "reduce" }) }, "Reduce " + name(data.move)),
        make("button", { id: "unreduce", disabled: !data.fragments.find((one) => one.number === data.move)?.reduced, onclick: () => send({ do: "unreduce" }) }, "back to as scanned"))]),
    make("h2", {}, "How it was found"),
    make("p", { class: "told" }, `level ${data.level_hu.toFixed(0)} HU: ${data.level}`),
    ...data.notes.map((one) => make("p", { class: "told" }, "□ note: " + one)),
  ];
}

// A line drawn over the bone: kept as it is drawn, sent when the button is let go.
const place = (event) => {
  const box = $("scene").getBoundingClientRect();
  return [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
};

export function begins(event) {
  if (toolInHand() !== "line") return false;
  line = [place(event)];
  return true;
}

export function goesOn(event) {
  if (!line) return false;
  if (line.length < 500) line.push(place(event));
  let drawn = $("scene-over").querySelector("polyline.drawing");
  if (!drawn) {
    drawn = document.createElementNS(NS, "polyline");
    for (const [name, value] of Object.entries({ class: "drawing", fill: "none", stroke: "var(--marker)", "stroke-width": 3 })) drawn.setAttribute(name, value);
    $("scene-over").append(drawn);
  }
  const box = $("scene-over").viewBox.baseVal;
  drawn.setAttribute("points", line.map(([x, y]) => `${(x * box.width).toFixed(1)},${(y * box.height).toFixed(1)}`).join(" "));
  return true;
}

export function ends() {
  if (!line) return false;
  const drawn = line;
  line = null;
  $("scene-over").querySelector("polyline.drawing")?.remove();
  if (drawn.length > 1) send({ do: "draw", line: drawn });
  return true;
}
