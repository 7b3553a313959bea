// A scan on its way to a bone: its cut, the level on its grey values, its density line; and a long step's progress.

import { $, make, zoom } from "./draw.js";

const NS = "http://www.w3.org/2000/svg";
let now = null;
let send = () => {};
let holding = false;
let sliding = null;

export function showWork(work, say) {
  const area = $("work");
  const gone = !work;
  if (gone && area.hidden) return;
  area.hidden = gone;
  if (gone) return area.replaceChildren();
  area.replaceChildren(make("h2", {}, work.words, make("small", {}, `${work.for_s.toFixed(0)} s so far`)),
    make("ol", {}, ...work.parts.map((one) => make("li", {}, make("span", {}, one.words), make("span", {}, one.took_s.toFixed(1) + " s")))),
    make("button", { class: "solid", id: "stop", onclick: () => say({ do: "stop" }) }, "Cancel"), make("span", { class: "told" }, " what is on the disk stays as it was"));
}

export function showScan(data, say) {
  now = data;
  send = say;
  if (!data.read) {
    $("cut").replaceChildren();
    $("grey").replaceChildren();
    $("look").replaceChildren();
    return column(seriesRows(data));
  }
  const { section, histogram, level } = data;
  const cut = $("cut");
  cut.setAttribute("viewBox", `0 0 ${section.width} ${section.height}`);
  cut.innerHTML = section.svg;
  $("look").replaceChildren(make("span", { class: "word" }, "Cut"),
    ...data.views.map((name, view) => make("button", { "aria-pressed": String(view === data.view), "data-view": name, onclick: () => say({ do: "page", view }) }, name)),
    make("span", { class: "word" }, section.words + "; the wheel turns pages, + and − draw nearer, dragging moves"));
  grey(histogram, level);
  if ($("read").contains(document.activeElement) && document.activeElement.matches("input, select") && holding) return;
  column([...(data.found && data.found.found.length > 1 ? seriesRows(data) : []), ...rows(data)]);
}

function seriesRows(data) {
  if (!data.found) return [make("h1", {}, "Looking into it")];
  return [make("h1", {}, data.found.found.length > 1 ? "Which series?" : "The scan", make("small", {}, data.found.kind)),
    ...data.found.found.map((one) => make("p", { class: "told" }, one.refusal ? make("b", {}, one.title)
      : make("button", { "data-series": one.number, "aria-pressed": String(data.series === one.number), onclick: () => send({ do: "series", number: one.number }) }, one.title),
    one.shape ? ` ${one.shape.join(" × ")} voxels of ${one.spacing_mm.map((edge) => edge.toFixed(2)).join(" × ")} mm` : "", one.refusal ? " does not load: " + one.refusal : "")),
    ...(data.found.refusal ? [make("p", { class: "told" }, data.found.refusal)] : [])];
}

function grey(histogram, level) {
  const svg = $("grey");
  svg.setAttribute("width", histogram.width * zoom());
  svg.setAttribute("height", histogram.height * zoom());
  svg.setAttribute("viewBox", `0 0 ${histogram.width} ${histogram.height}`);
  let under = svg.querySelector("g.under");
  if (!under) {
    under = document.createElementNS(NS, "g");
    under.setAttribute("class", "under");
    svg.append(under);
  }
  under.innerHTML = histogram.svg;
  let handle = svg.querySelector("g.handle");
  if (!handle) {
    handle = document.createElementNS(NS, "g");
    for (const [name, value] of Object.entries({ class: "handle", id: "level", tabindex: "0", role: "slider", "aria-label": "level at which bone begins" })) handle.setAttribute(name, value);
    handle.addEventListener("pointerdown", (event) => { event.preventDefault(); handle.focus(); holding = true; });
    handle.addEventListener("keydown", levelKey);
    svg.append(handle);
  }
  const hu = level.hu ?? (histogram.low_hu + histogram.high_hu) / 2;
  const x = histogram.x0_px + hu * histogram.scale_px;
  handle.setAttribute("transform", `translate(${x.toFixed(2)} 0)`);
  handle.setAttribute("aria-valuenow", hu.toFixed(0));
  handle.setAttribute("aria-valuemin", histogram.low_hu.toFixed(0));
  handle.setAttribute("aria-valuemax", histogram.high_hu.toFixed(0));
  const low = histogram.floor_px, words = level.hu === null ? "set it" : `${hu.toFixed(0)} HU`;
  handle.setAttribute("aria-valuetext", words);
  const drawn = `<rect class="hit" x="-14" y="0" width="28" height="${low}"/><line x1="0" x2="0" y1="8" y2="${low}" stroke="var(--ink)" stroke-width="1.6"/>`
    + `<rect class="core" x="-5" y="${low - 34}" width="4" height="22"/><rect class="core" x="1" y="${low - 34}" width="4" height="22"/>`
    + `<rect x="4" y="4" width="${16 + 9 * words.length}" height="20" fill="var(--marker)"/><text x="10" y="19" font-size="14" font-weight="600" fill="var(--on-marker)">${words}</text>`;
  // Drawn anew only where it says something else, so that it stays under the pointer.
  if (handle.dataset.drawn !== drawn) {
    handle.innerHTML = drawn;
    handle.dataset.drawn = drawn;
  }
  $("grey-words").textContent = level.hu === null ? "no level was found: set it where bone begins"
    : level.given ? "the level is set by hand: bone lies to the right of it"
    : now.read.adapts ? "no level is set: it adapts to its place, and this is its middle" : "the level was found: bone lies to the right of it";
}

const underHand = (event) => ((event.clientX - $("grey").getBoundingClientRect().left) / zoom() - now.histogram.x0_px) / now.histogram.scale_px;
const setLevel = (value) => send({ do: "level", hu: Math.min(Math.max(value, now.histogram.low_hu), now.histogram.high_hu) });

function levelKey(event) {
  const way = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
  if (!way) return;
  event.preventDefault();
  event.stopPropagation();
  setLevel((now.level.hu ?? (now.histogram.low_hu + now.histogram.high_hu) / 2) + way * (event.shiftKey ? 50 : 5));
}

window.addEventListener("pointermove", (event) => {
  if (holding) setLevel(underHand(event));
  else if (sliding) {
    const box = $("cut").getBoundingClientRect();
    send({ do: "page", slide: [(event.clientX - sliding[0]) / box.width, (event.clientY - sliding[1]) / box.height] });
    sliding = [event.clientX, event.clientY];
  }
});
window.addEventListener("pointerup", () => { holding = false; sliding = null; });
$("grey").addEventListener("pointerdown", (event) => {
  if (!now?.read || event.target.closest(".handle")) return;
  setLevel(underHand(event));
});
$("cut").addEventListener("pointerdown", (event) => { $("cut").focus(); sliding = [event.clientX, event.clientY]; });
$("cut").addEventListener("wheel", (event) => {
  event.preventDefault();
  if (event.ctrlKey) send({ do: "page", near: Math.exp(-Math.max(-200, Math.min(200, event.deltaY)) * 0.002) });
  else send({ do: "page", turn: Math.sign(event.deltaY) * (event.shiftKey ? 10 : 1) });
}, { passive: false });
$("cut").addEventListener("keydown", (event) => {
  const way = { ArrowUp: -1, PageUp: -10, ArrowDown: 1, PageDown: 10 }[event.key];
  if (way) { event.preventDefault(); send({ do: "page", turn: way }); }
  else if (event.key === "+" || event.key === "=") send({ do: "page", near: 1.25 });
  else if (event.key === "-") send({ do: "page", near: 0.8 });
});

function rows(data) {
  const { read, line, level } = data;
  const option = (value, words, chosen) => make("option", { value, selected: value === chosen }, words);
  const number = (id, value, change, words) => make("span", {}, make("input", { id, class: "number", inputmode: "decimal", value, onchange: (event) => {
    const typed = Number(event.target.value.replace(",", "."));
    if (event.target.value.trim() && Number.isFinite(typed)) change(typed);
  } }), " " + words);
  const asLine = (kind) => {
    if (kind === "given") send({ do: "line", kind, slope: line.slope ?? 0.8, intercept: line.intercept ?? 0 });
    else if (kind === "rods") send({ do: "line", kind, file: data.rod_files[0] });
    else send({ do: "line", kind });
  };
  return [
    make("h1", {}, "Making the bone"),
    make("p", { class: "told" }, `${read.shape.join(" × ")} voxels of ${read.spacing_mm.join(" × ")} mm`),
    make("h2", {}, "Where bone begins"),
    make("dl", { class: "pairs" }, make("dt", {}, "Level"), make("dd", {}, number("level-hu", level.hu === null ? "" : level.hu.toFixed(0), (value) => send({ do: "level", hu: value }), "HU "),
      make("button", { id: "found", "aria-pressed": String(!level.given), onclick: () => send({ do: "level", hu: null }) }, "let it be found"))),
    make("p", { class: "told" }, level.given ? "Set by hand; it is the same everywhere." : read.reason),
    make("h2", {}, "What grey means"),
    make("dl", { class: "pairs" },
      make("dt", {}, "It is"), make("dd", {}, make("select", { id: "host", onchange: (event) => send({ do: "line", host: event.target.value }) }, option("bone", "bone", data.host), option("foam", "foam", data.host))),
      make("dt", {}, "Tube voltage"), make("dd", {}, read.voltage_told ? `${read.tube_voltage_kv} kV, as the scan tells` : number("kv", read.tube_voltage_kv ?? "", (value) => send({ do: "line", tube_voltage_kv: value }), "kV (the scan does not tell)")),
      make("dt", {}, "HU to density"), make("dd", {}, make("select", { id: "line", onchange: (event) => asLine(event.target.value) },
        option("usual", "usual for the tube voltage", line.kind), option("given", "slope and intercept", line.kind), option("tissues", "by air, fat and muscle of the scan", line.kind),
        ...(data.rod_files.length ? [option("rods", "by rods told in a file", line.kind)] : []))),
      ...(line.kind === "given" ? [make("dt", {}, "Slope"), make("dd", {}, number("slope", line.slope, (value) => send({ do: "line", kind: "given", slope: value, intercept: line.intercept }), "mg/cm³ per HU")),
        make("dt", {}, "Intercept"), make("dd", {}, number("intercept", line.intercept, (value) => send({ do: "line", kind: "given", slope: line.slope, intercept: value }), "mg/cm³"))] : []),
      ...(line.kind === "rods" ? [make("dt", {}, "File"), make("dd", {}, make("select", { id: "rods", onchange: (event) => send({ do: "line", kind: "rods", file: event.target.value }) }, ...data.rod_files.map((name) => option(name, name, line.file))))] : [])),
    ...read.notes.map((one) => make("p", { class: "told" }, "□ note: " + one)),
    make("h2", {}, "As a case"),
    make("dl", { class: "pairs" }, make("dt", {}, "Name"), make("dd", {}, make("input", { id: "name", value: $("name")?.value || data.name, maxlength: 60 }))),
    make("p", {}, make("button", { class: "solid", id: "make", onclick: () => send({ do: "make", name: $("name").value.trim() }) }, "Make the bone")),
    make("p", { class: "told" }, "Bones and fragments that touch can be told apart, named, cut and joined afterwards; nothing here is final."),
  ];
}

function column(inside) {
  const area = $("read");
  const focus = area.contains(document.activeElement) ? document.activeElement.id : "";
  const scroll = area.scrollTop;
  area.replaceChildren(...inside);
  area.scrollTop = scroll;
  if (focus) $(focus)?.focus();
}
