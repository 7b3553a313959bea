// The page: says what the hand does, shows what the planner answers, and holds no number of its own.

import { $, drawn, field, make, severity, zoom } from "./draw.js";
import { beside } from "./beside.js";
import { keepFocus } from "./focus.js";
import { showCompared } from "./compared.js";
import { showMapped } from "./mapped.js";
import { find } from "./find.js";
import { Hands } from "./hands.js";
import { begins, ends, goesOn, showBone, toolInHand } from "./bone.js";
import { showScan, showWork } from "./scan.js";
import { showStart } from "./start.js";
import { Opened } from "./open.js";
import { settle } from "./settle.js";
import { held, sure } from "./sure.js";
import { drilling, mechanics, told, valuesOf } from "./mechanics.js";
import { aimFrom, ways } from "./ways.js";

const root = $("root");
let shown = { selected: 0 };
let before = {};
let columnShown = "";
let socket = null;
let busy = false;
let saidTimer = 0;
let spokenTimer = 0;

// The key came in the address; it stays with this tab and leaves the address bar at once.
// In a notebook's frame a browser may keep no storage for us: then a reload asks for the address again.
const kept = (() => { try { return sessionStorage; } catch { return null; } })();
const key = location.hash.slice(1) || kept?.getItem("key") || "";
kept?.setItem("key", key);
history.replaceState(null, "", location.pathname);

// Each message has a number; what is shown says which it answers, so that a delay can be measured.
let sent = 0;
const say = (message) => {
  if (!socket || socket.readyState !== WebSocket.OPEN) return;
  root.dataset.sent = ++sent;
  socket.send(JSON.stringify({ ...message, seq: sent }));
  return sent;
};
const hands = new Hands(say, () => shown);
const opened = new Opened(say);

function connect() {
  socket = new WebSocket(`ws://${location.host}/ws?key=${encodeURIComponent(key)}`);
  socket.binaryType = "blob";
  let opened = false;
  socket.onopen = () => { opened = true; };
  socket.onmessage = (event) => {
    if (event.data instanceof Blob) return picture(event.data);
    const message = JSON.parse(event.data);
    if (message.closed) { busy = true; return tell(message.closed, true); }
    if (message.hello !== undefined) return hello(message);
    show(message);
  };
  socket.onclose = () => {
    if (busy) return;
    tell(opened ? "The program behind this page has ended. Every change was saved; start it again with pilothole view."
      : "This page does not have the key of the running program. Use the address it printed.", true);
  };
}

function hello(message) {
  $("title").textContent = message.hello;
  document.title = message.hello === "Pilothole" ? message.hello : message.hello + " · Pilothole";
  patterns(message.defs || "");
  if (root.dataset.place !== message.place) {
    hands.clear();
    $("read").replaceChildren();
    $("look").replaceChildren();
    shown = { selected: 0 };
  }
  root.dataset.place = message.place;
  showWork(message.work, say);
  room();
  if (message.place === "start") say({ do: "list", at: [] });
}

const patterns = (defs) => { $("defs").innerHTML = "<defs>" + defs + "</defs>"; };

function room() {
  const scan = root.dataset.place === "scan";
  const unit = zoom();
  const scene = $(scan ? "cut" : "scene").getBoundingClientRect();
  const area = $(scan ? "grey-area" : "strip-area").getBoundingClientRect();
  const end = endSide();
  const beside = scan ? 0 : end + (window.innerWidth >= 2200 ? 215 : 150);
  const strip = [Math.max(320, Math.round(area.width - beside)), Math.round(Math.max(230, window.innerHeight * (scan ? 0.26 : 0.4)))];
  const inUnits = (size) => Math.max(1, Math.round(size / unit));
  const cut = scan ? 1 : unit;
  say({ do: "room", scene: [scene.width, scene.height].map((size) => Math.max(1, Math.round(size / cut))), strip: strip.map(inUnits), end: inUnits(end),
    pixel_ratio: Math.min(Math.max((window.devicePixelRatio || 1) * cut, 0.5), 4), dark: document.documentElement.dataset.theme === "dark" });
}

const endSide = () => Math.round(Math.min(Math.max(window.innerHeight * 0.29, 190), 420));

function show(message) {
  before = shown.read ? values(shown.read) : {};
  shown = { ...shown, ...message };
  if (message.saved !== undefined) $("saved").textContent = message.saved;
  if (message.said !== undefined) message.said ? tell(message.said, !!message.written) : quiet();
  if (message.written) $("said").append(" ", make("form", { method: "post", action: "/report", target: "_blank" },
    make("input", { type: "hidden", name: "key", value: key }), make("button", { id: "open-report" }, "open it")));
  if (message.note !== undefined) {
    $("scene-note").hidden = !message.note;
    $("scene-note").textContent = message.note || "";
  }
  if (message.scene) scene(message.scene);
  if (message.defs !== undefined) patterns(message.defs);
  if (message.work !== undefined) showWork(message.work, say);
  if (message.start) showStart(message.start, say);
  if (message.scan) showScan(message.scan, say);
  if (message.ack !== undefined) root.dataset.ack = message.ack;
  // The lanes of a held screw follow its numbers by themselves.
  if (message.assessments === undefined) return message.strip ? strip(message.strip) : undefined;
  step($("undo"), "Undo", message.undo);
  step($("redo"), "Redo", message.redo);
  keepFocus($("screws"), () => screws(message.screws, message.selected));
  strip(message.strip);
  end(message.end);
  column(message);
  opened.show(message.opened, message.ack);
  if (message.compared !== undefined) showCompared(message.compared, say);
  if (message.mapped) showMapped(message.mapped);
  root.dataset.assessments = message.assessments;
}

function column(message) {
  for (const name of ["screws", "bone"]) $("to-" + name).setAttribute("aria-pressed", String(message.column === name));
  root.dataset.column = message.column;
  showBone(message.bone, say);
  if (message.bone) {
    columnShown = "";
    return;
  }
  // Drawn anew only where a number changed, or one typed was refused: marks stay, and so does a button under a
  // pressed pointer.
  const now = JSON.stringify([message.read, message.found, message.compare]);
  if (message.said || now !== columnShown) keepFocus($("read"), () => read(message.read));
  columnShown = now;
}

const values = (read) => Object.fromEntries(
  [...read.limits, ...read.holds, ...read.lengths, ...valuesOf(read)].map((one) => [one.field, one.shown]));

function step(button, word, what) {
  button.disabled = !what;
  button.textContent = what ? `${word}: ${what}` : word;
}

let pictureUrl = "";
async function picture(blob) {
  const head = new Uint8Array(await blob.slice(0, 1).arrayBuffer());
  if (head[0] !== 1) return;
  const url = URL.createObjectURL(blob.slice(8, blob.size, "image/jpeg"));
  const image = $("picture");
  image.src = url;
  if (pictureUrl) URL.revokeObjectURL(pictureUrl);
  pictureUrl = url;
  root.dataset.pictures = Number(root.dataset.pictures || 0) + 1;
}

function layer(svg, width, height, markup) {
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  let under = svg.querySelector(":scope > g.under");
  if (!under) {
    under = document.createElementNS("http://www.w3.org/2000/svg", "g");
    under.setAttribute("class", "under");
    svg.prepend(under);
  }
  under.innerHTML = markup;
}

function scene(data) {
  const svg = $("scene-over");
  layer(svg, data.width, data.height, data.svg);
  for (const [name, [x, y]] of Object.entries(data.handles)) hands.handle(svg, "scene", name, x, y, data.sliders[name]);
  aimFrom(data);
  keepFocus($("look"), () => look(data));
}

function look(data) {
  const views = [["whole", "F"], ["along", "A"], ["across", "X"], ["front", "P"]];
  const words = { whole: "whole", along: "along screw", across: "across fracture", front: "from the front" };
  settle($("look"), make("span", { class: "word" }, "Look"),
    ...views.flatMap(([view, letter]) => [make("button", { id: "look-" + view, onclick: () => say({ do: "look", view }) }, words[view]), make("kbd", {}, letter)]),
    make("span", { class: "word" }, "Show"),
    ...data.fragments.map((one) => make("button", { "data-fragment": one.number, "aria-pressed": String(one.shown), onclick: () => say({ do: "show", fragment: one.number }) }, drawn(one.swatch), " " + one.name)),
    make("button", { id: "neighbours", "aria-pressed": String(data.neighbours), onclick: () => say({ do: "show", neighbours: !data.neighbours }) }, "neighbours"),
    ...(data.pose ? [make("button", { id: "pose", "aria-pressed": String(data.pose === "as-scanned"), onclick: () => say({ do: "pose", pose: data.pose === "reduced" ? "as-scanned" : "reduced" }) }, "as scanned"), make("kbd", {}, "R")] : []));
}

function screws(list, selected) {
  const area = $("screws");
  settle(area, ...list.map((one, number) => make("button", { class: one.hidden ? "screw hidden" : "screw", "aria-current": String(number === selected), "data-screw": number, onclick: () => say({ do: "select", screw: number }) },
    make("b", {}, one.name), ` ${one.length_mm} mm`, one.hidden ? ", hidden " : " ", one.worst ? severity(one.worst) : "")),
    make("span", { class: "do" },
      make("button", { id: "new", onclick: placing }, "new"), make("kbd", {}, "N"),
      ...(list.length ? [make("button", { id: "copy", onclick: () => say({ do: "copy", screw: shown.selected }) }, "copy"), make("kbd", {}, "D"),
        make("button", { id: "remove", onclick: () => say({ do: "remove", screw: shown.selected }) }, "remove"), make("kbd", {}, "Del"),
        make("button", { id: "hide", onclick: () => say({ do: "hide", screw: shown.selected }) }, "hide")] : [])));
}

let puts = 0;
function placing() {
  puts = 2;
  $("scene").style.cursor = "crosshair";
  tell("click the bone where the screw should enter; Esc leaves it");
}

function strip(data) {
  $("strip-empty").hidden = !!data;
  $("strip").style.display = data ? "" : "none";
  $("end-area").style.display = data ? "" : "none";
  if (!data) {
    hands.clear();
    $("strip-name").textContent = "";
    $("strip-caption").textContent = "";
    $("strip-empty").textContent = "No screw yet. Press N or choose “new”, click the bone where the screw should enter, then where it should aim. "
      + "Turn the bone by dragging beside it. Every number then follows your hand.";
    return;
  }
  // Three sheets, one over the other: what moves with the hand is painted without what lies under it.
  const [ground, lanes, hand] = $("strip").children;
  for (const svg of [ground, lanes, hand]) {
    const size = { width: data.width * zoom(), height: data.height * zoom(), viewBox: `0 0 ${data.width} ${data.height}` };
    for (const [name, value] of Object.entries(size)) if (svg.getAttribute(name) !== String(value)) svg.setAttribute(name, value);
  }
  if (data.ground !== undefined) ground.innerHTML = data.ground;
  if (data.svg !== undefined) lanes.innerHTML = data.svg;
  $("strip-name").textContent = "Along " + shown.screws[shown.selected].name;
  $("strip-caption").textContent = data.caption;
  const cursor = hand.querySelector(":scope > line") || document.createElementNS("http://www.w3.org/2000/svg", "line");
  for (const [name, value] of Object.entries({ x1: data.cursor_px, x2: data.cursor_px, y1: data.section[1] - 6, y2: data.height - 40, stroke: "var(--marker)", "stroke-width": 1.6, "pointer-events": "none" })) cursor.setAttribute(name, value);
  if (!cursor.parentNode) hand.prepend(cursor);
  for (const name of ["entry", "tip", "seat"]) {
    let [x, y] = data.handles[name];
    if (name === "seat") y += 22;
    hands.handle(hand, "strip", name, x, y, data.sliders[name]);
  }
  hands.handle(hand, "strip", "cursor", data.cursor_px, data.section[1] - 2, data.sliders.cursor);
}

function end(data) {
  if (!data) return;
  const svg = $("end");
  svg.setAttribute("width", data.side * zoom());
  svg.setAttribute("height", data.side * zoom());
  layer(svg, data.side, data.side, data.svg);
  const angle = (data.dial_degree * Math.PI) / 180, radius = data.side / 2 - 14;
  const x = data.side / 2 + radius * Math.sin(angle), y = data.side / 2 - radius * Math.cos(angle);
  hands.handle(svg, "end", "dial", x, y, data.sliders.dial);
  const node = hands.nodes.get("end dial");
  node.setAttribute("transform", `translate(${x.toFixed(2)} ${y.toFixed(2)}) rotate(${data.dial_degree.toFixed(1)})`);
  settle($("end-words"), ...data.rows.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]));
}

function read(data) {
  const column = $("read");
  if (!data) {
    settle(column, make("h1", {}, "No screw"), make("p", { class: "muted" }, "Place one, and its numbers stand here; or let one be searched."), ...find(shown.found, null, say));
    return;
  }
  const just = (one) => one.field in before && before[one.field] !== one.shown;
  const change = (what) => say({ do: "change", screw: shown.selected, ...what });
  const typing = document.activeElement && column.contains(document.activeElement) && document.activeElement.matches("input, select");
  const top = [
    make("h1", {}, data.name, make("small", {}, data.title)),
    make("div", { class: "controls" },
      make("label", { for: "family" }, "Screw"),
      make("select", { id: "family", onchange: (event) => change({ family: event.target.value }) },
        ...data.families.map((name) => make("option", { value: name, selected: name === data.family }, name))),
      make("span", { class: "label" }, "Length, mm"),
      make("span", { class: "lengths", id: "lengths" }, ...nearby(data).map((length) => make("button", { "aria-pressed": String(length === data.length_mm), "data-length": length, onclick: () => change({ length_mm: length }) }, String(length)))),
      make("label", { for: "technique" }, "Technique"),
      data.techniques.length > 1
        ? make("select", { id: "technique", onchange: (event) => change({ technique: event.target.value }) }, ...data.techniques.map((name) => make("option", { value: name, selected: name === data.technique }, data.techniques_words[name])))
        : make("span", {}, data.technique_words),
      make("label", { for: "seat" }, "Seat depth"),
      make("span", { class: "seat" }, make("input", { id: "seat", inputmode: "decimal", value: data.seat_depth_mm.toFixed(1), onchange: (event) => number(event.target, (value) => change({ seat_depth_mm: value })) }), " mm, " + data.seat_words),
      ...held(data, say)),
    make("p", { class: "facts" }, ...data.lengths.map((one) => make("span", {}, one.words + " ", field(one.field, one.value, one.shown, one.unit, just(one))))),
  ];
  const limits = [make("h2", {}, "Against its limits", make("small", {}, "right of the line keeps the limit")),
    ...data.limits.map((one) => make("div", { class: one.broken ? "row broken" : "row" },
      make("span", { class: "word", title: one.words }, (one.broken ? "◇ " : "") + one.words),
      ...(one.value === null ? [make("span", { class: "why" }, one.reason || "not known")]
        : [field(one.field, one.value, one.shown, one.unit, just(one)), drawn(one.svg), make("span", { class: "limit" }, one.limit)])))];
  const holds = [make("h2", {}, "Pull-out", make("small", {}, data.stop ? "not for comparison while a stop stands" : "5–95 %, N")),
    ...data.holds.map((one) => make("div", { class: data.stop ? "row hold muted" : "row hold" },
      make("span", { class: "word" }, one.name + " ", one.governs && !data.stop ? make("b", {}, "governs") : ""),
      ...(one.value === null ? [make("span", { class: "why" }, one.reason)]
        : [field(one.field, one.value, one.shown, "N", just(one)), drawn(one.svg), make("span", { class: "limit" }, one.range)]))),
    ...(data.hold ? [told(data.hold, data.stop, just)] : []),
    ...data.holds.map((one) => make("div", { class: "row axis muted" }, make("span", { class: "word" }, "axis in " + one.name), field(one.path.field, one.path.value, one.path.shown, "mm")))];
  const findings = [make("h2", {}, "Findings", make("small", {}, data.counted)),
    ...data.findings.map((one, number) => make("div", { class: "finding", "data-code": one.code }, severity(one.severity),
      one.has_place ? make("button", { id: "finding-" + number, class: "place", title: "show where, along the screw", onclick: () => say({ do: "point", finding: number }) }, one.message) : make("span", {}, one.message),
      make("span", { class: "why" }, one.source)))];
  const drawnDoubt = sure(data, !!shown.holding, just);
  // One order, so that nothing jumps under the hand: the limits, which are always as many, then what is wrong.
  const order = [...limits, ...findings, ...drawnDoubt, ...holds, ...drilling(data, just), ...mechanics(data, just),
    ...beside(shown.compare, data, say, tell), ...find(shown.found, data.family, say)];
  if (typing && document.activeElement.matches("input") && document.activeElement.dataset.dirty) return;
  settle(column, ...top, ways(order), ...order, make("p", { class: "muted" }, data.check));
  clearTimeout(spokenTimer);
  spokenTimer = setTimeout(() => {
    const worst = data.findings.find((one) => one.severity !== "note");
    $("spoken").textContent = worst ? `${worst.severity}: ${worst.message}` : `${data.name}: every limit kept that could be checked`;
  }, 600);
}

function nearby(data) {
  // The stocked lengths around the one in hand: as many as fit in two lines.
  const at = data.stocked_mm.reduce((best, length, n) => Math.abs(length - data.length_mm) < Math.abs(data.stocked_mm[best] - data.length_mm) ? n : best, 0);
  const some = data.stocked_mm.slice(Math.max(0, at - 4), at + 5);
  return some.includes(data.length_mm) ? some : [...some, data.length_mm].sort((a, b) => a - b);
}

function number(input, use) {
  const value = Number(input.value.replace(",", "."));
  if (input.value.trim() === "" || !Number.isFinite(value)) return tell("type a number of millimetres, such as 2.0");
  use(value);
}

function tell(sentence, lasting = false) {
  $("said").textContent = sentence;
  $("said").hidden = false;
  clearTimeout(saidTimer);
  if (!lasting) saidTimer = setTimeout(quiet, 9000);
}
function quiet() { if (!busy && socket?.readyState === WebSocket.OPEN && !puts) $("said").hidden = true; }

// The scene: drag to turn, with Shift or the middle button to move, wheel to draw nearer, click to place.
let looking = null;
$("scene").addEventListener("pointerdown", (event) => {
  if (event.target.closest("button, .handle")) return;
  if (!event.button && !event.shiftKey && begins(event)) return;
  looking = { x: event.clientX, y: event.clientY, far: 0, slide: event.shiftKey || event.button === 1 };
});
window.addEventListener("pointermove", (event) => {
  aimFrom(shown.scene, event);
  if (goesOn(event) || !looking) return;
  const dx = event.clientX - looking.x, dy = event.clientY - looking.y;
  looking.far += Math.abs(dx) + Math.abs(dy);
  [looking.x, looking.y] = [event.clientX, event.clientY];
  if ((puts || toolInHand()) && looking.far < 5) return;
  const box = $("scene").getBoundingClientRect();
  say(looking.slide ? { do: "look", slide: [dx / box.width, dy / box.height], moving: true } : { do: "look", turn: [dx * 0.4, dy * 0.4], moving: true });
});
window.addEventListener("pointerup", (event) => {
  if (ends() || !looking) return;
  const clicked = looking.far < 5;
  looking = null;
  if (clicked && puts) {
    const box = $("scene").getBoundingClientRect();
    puts -= 1;
    say({ do: "put", x: (event.clientX - box.left) / box.width, y: (event.clientY - box.top) / box.height });
    if (!puts) $("scene").style.cursor = "";
  } else if (clicked && toolInHand()) {
    const box = $("scene").getBoundingClientRect();
    say({ do: "click", x: (event.clientX - box.left) / box.width, y: (event.clientY - box.top) / box.height });
  } else if (!clicked) say({ do: "look" });
});
$("scene").addEventListener("wheel", (event) => {
  event.preventDefault();
  say({ do: "look", near: Math.exp(-Math.max(-200, Math.min(200, event.deltaY)) * 0.0015), moving: true });
}, { passive: false });

// Lanes of the strip: a click takes the depth cursor there. The end view's wheel turns the dial.
$("strip").addEventListener("pointerdown", (event) => {
  if (event.target.closest(".handle") || !shown.strip) return;
  const box = $("strip").getBoundingClientRect();
  say({ do: "drag", handle: "cursor", screw: shown.selected, where: "strip", x: ((event.clientX - box.left) / zoom() - shown.strip.x0_px) / shown.strip.scale_px, y: 0 });
});
$("end").addEventListener("wheel", (event) => {
  event.preventDefault();
  say({ do: "nudge", handle: "dial", screw: shown.selected, along: Math.sign(event.deltaY) * (event.shiftKey ? 15 : 1), across: 0 });
}, { passive: false });

const KEYS = [["N", "new screw: click where it enters, then where it aims"], ["D", "copy"], ["Del", "remove"], ["1–9", "take a screw in hand"],
  ["Tab", "walk through handles and controls; arrows move a handle, Shift ten times as far"], ["Enter", "open a value: what it is and how it comes about"], ["Esc", "put back what is held, close what is open"],
  ["Ctrl Z, Ctrl Y", "undo, redo"], ["F A X P", "look: whole, along, across the fracture, from the front"], ["arrows, + −", "turn the bone and draw it nearer, when the scene has the focus"],
  ["[ ]", "depth cursor by 0.5 mm"], [", .", "dial by 1°"], ["L", "next stocked length (Shift: shorter)"], ["T", "next technique"], ["S", "type the seat depth"], ["H", "hide the screw or show it"], ["B", "the bone and its tools, or the screws again"], ["M", "entry map: what each entry could reach with this family"], ["R", "as scanned or reduced"], ["?", "this list"]];
$("keys").replaceChildren(make("b", {}, "Keys"), make("dl", {}, ...KEYS.flatMap(([name, words]) => [make("dt", {}, make("kbd", {}, name)), make("dd", {}, words)])), make("form", { method: "dialog" }, make("button", {}, "close")));

const nudge = (handle, along) => say({ do: "nudge", handle, screw: shown.selected, along, across: 0 });
window.addEventListener("keydown", (event) => {
  if (event.target.matches("input, select, textarea") && event.key !== "Escape") return;
  if (event.key === "Escape") {
    if (hands.giveUp()) return;
    if (toolInHand()) return say({ do: "tool", tool: null });
    if (puts) { puts = 0; $("scene").style.cursor = ""; say({ do: "cancel" }); quiet(); }
    return;
  }
  if (root.dataset.place !== "case") return;
  if (event.ctrlKey || event.metaKey) {
    const letter = event.key.toLowerCase();
    if (letter === "z") { event.preventDefault(); say({ do: event.shiftKey ? "redo" : "undo" }); }
    else if (letter === "y") { event.preventDefault(); say({ do: "redo" }); }
    else if (letter === "s") event.preventDefault();
    return;
  }
  const has = shown.screws?.length;
  const views = { f: "whole", a: "along", x: "across", p: "front" };
  const lower = event.key.toLowerCase();
  if (event.key === "?") $("keys").showModal();
  else if (lower === "b") say({ do: "turn", to: root.dataset.column === "bone" ? "screws" : "bone" });
  else if (lower === "r" && shown.scene?.pose) say({ do: "pose", pose: shown.scene.pose === "reduced" ? "as-scanned" : "reduced" });
  else if (root.dataset.column === "bone" && !views[lower]) return;
  else if (lower === "n") placing();
  else if (views[lower]) say({ do: "look", view: views[lower] });
  else if (event.target === $("scene") && event.key.startsWith("Arrow")) {
    event.preventDefault();
    const turn = { ArrowLeft: [-5, 0], ArrowRight: [5, 0], ArrowUp: [0, -5], ArrowDown: [0, 5] }[event.key];
    say({ do: "look", turn });
  } else if (event.key === "+" || event.key === "=") say({ do: "look", near: 1.15 });
  else if (event.key === "-" || event.key === "−") say({ do: "look", near: 1 / 1.15 });
  else if (!has) return;
  else if (lower === "d") say({ do: "copy", screw: shown.selected });
  else if (lower === "m") say({ do: "map" });
  else if (event.key === "Delete") say({ do: "remove", screw: shown.selected });
  else if (/^[1-9]$/.test(event.key) && Number(event.key) <= has) say({ do: "select", screw: Number(event.key) - 1 });
  else if (event.key === "[" || event.key === "]") nudge("cursor", event.key === "]" ? 0.5 : -0.5);
  else if (event.key === "," || event.key === ".") nudge("dial", event.key === "." ? 1 : -1);
  else if (lower === "l") nudge("length", event.shiftKey ? -1 : 1);
  else if (lower === "h") say({ do: "hide", screw: shown.selected });
  else if (lower === "s") { event.preventDefault(); $("seat")?.focus(); $("seat")?.select(); }
  else if (lower === "t" && shown.read.techniques.length > 1) {
    const all = shown.read.techniques;
    say({ do: "change", screw: shown.selected, technique: all[(all.indexOf(shown.read.technique) + 1) % all.length] });
  }
});

$("undo").onclick = () => say({ do: "undo" });
$("redo").onclick = () => say({ do: "redo" });
$("to-screws").onclick = () => say({ do: "turn", to: "screws" });
$("to-bone").onclick = () => say({ do: "turn", to: "bone" });
$("open").onclick = () => say({ do: "back" });
$("report").onclick = () => { tell("writing the report"); say({ do: "report" }); };
$("keys-button").onclick = () => $("keys").showModal();
const theme = (dark) => {
  document.documentElement.dataset.theme = dark ? "dark" : "light";
  $("theme").textContent = dark ? "Light" : "Dark";
};
theme(matchMedia("(prefers-color-scheme: dark)").matches);
$("theme").onclick = () => { theme(document.documentElement.dataset.theme !== "dark"); room(); };
let resizing = 0;
const sizes = new ResizeObserver(() => { clearTimeout(resizing); resizing = setTimeout(room, 60); });
sizes.observe($("scene"));
sizes.observe($("cut"));

connect();
