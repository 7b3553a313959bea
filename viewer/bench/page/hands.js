// The handles: each is a slider with one freedom, moved by pointer or by keys, held until it is let go.

import { $, zoom } from "./draw.js";

const NS = "http://www.w3.org/2000/svg";
const WORDS = { entry: "entry point", tip: "tip", seat: "seat depth", dial: "dial", cursor: "depth cursor" };

export class Hands {
  constructor(say, shown) {
    this.say = say;
    this.shown = shown;
    this.held = null;
    this.nodes = new Map();
    window.addEventListener("pointermove", (event) => this.move(event));
    window.addEventListener("pointerup", (event) => this.letGo(event));
    window.addEventListener("pointercancel", () => this.giveUp());
  }

  // One node each, kept between updates so that focus and a held pointer stay with it.
  handle(svg, where, name, x, y, slider) {
    const key = where + " " + name;
    let node = this.nodes.get(key);
    if (!node) {
      node = document.createElementNS(NS, "g");
      node.setAttribute("class", "handle");
      node.setAttribute("tabindex", "0");
      node.setAttribute("role", "slider");
      node.setAttribute("aria-label", WORDS[name] + (where === "scene" ? " in the scene" : ""));
      node.innerHTML = FOCUS + shape(name);
      node.addEventListener("pointerdown", (event) => this.take(event, where, name, node));
      node.addEventListener("keydown", (event) => this.key(event, name));
      this.nodes.set(key, node);
    }
    if (node.parentNode !== svg) svg.append(node);
    if (where !== "scene") {
      node.setAttribute("data-handle", name);
      node.setAttribute("data-screw", this.shown().selected);
    }
    node.setAttribute("transform", `translate(${x.toFixed(2)} ${y.toFixed(2)})`);
    for (const what of ["now", "min", "max", "text"]) node.setAttribute("aria-value" + what, slider[what]);
    node.style.display = "";
  }

  clear() {
    for (const node of this.nodes.values()) node.remove();
  }

  take(event, where, name, node) {
    if (event.button) return;
    event.preventDefault();
    event.stopPropagation();
    node.focus({ preventScroll: true });
    this.held = { where, name, screw: this.shown().selected, moved: false };
    document.body.classList.add("holding");
  }

  place(event) {
    const shown = this.shown();
    const { where, name } = this.held;
    if (where === "scene") {
      const box = $("scene-over").getBoundingClientRect();
      return [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
    }
    if (where === "end") {
      const box = $("end").getBoundingClientRect();
      const x = event.clientX - box.left - box.width / 2, y = box.top + box.height / 2 - event.clientY;
      if (name === "dial") {
        let degree = (Math.atan2(x, y) * 180) / Math.PI;
        if (event.shiftKey) degree = Math.round(degree / 15) * 15;
        return [degree, 0];
      }
      return [x, y].map((way) => way / zoom() / shown.end.scale_px);
    }
    const box = $("strip").getBoundingClientRect();
    const strip = shown.strip;
    const x = (event.clientX - box.left) / zoom(), y = (event.clientY - box.top) / zoom();
    return [(x - strip.x0_px) / strip.scale_px, (strip.middle_px - y) / strip.scale_px];
  }

  move(event) {
    if (!this.held) return;
    const [x, y] = this.place(event);
    this.held.moved = true;
    const limit = this.held.where === "scene" ? 2 : 4000;
    const within = (value) => Math.min(Math.max(value, this.held.where === "scene" ? -1 : -limit), limit);
    this.say({ do: "drag", handle: this.held.name, screw: this.held.screw, where: this.held.where,
      x: within(x), y: within(y), snap: !event.altKey });
  }

  letGo() {
    if (!this.held) return;
    this.held = null;
    document.body.classList.remove("holding");
    this.say({ do: "drop" });
  }

  giveUp() {
    if (!this.held) return false;
    this.held = null;
    document.body.classList.remove("holding");
    this.say({ do: "cancel" });
    return true;
  }

  key(event, name) {
    const step = event.shiftKey ? 10 : 1;
    const way = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (!way || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    event.stopPropagation();
    const screw = this.shown().selected;
    const nudge = { do: "nudge", handle: name, screw, along: 0, across: 0 };
    if (name === "entry") [nudge.along, nudge.across] = [way[0] * 0.1 * step, way[1] * 0.1 * step];
    else if (name === "tip" && way[1]) nudge.across = way[1] * 0.1 * step;
    else if (name === "tip") [nudge.handle, nudge.along] = ["length", way[0]];
    else if (name === "seat") nudge.along = (way[0] || way[1]) * 0.1 * step;
    else if (name === "dial") nudge.along = (way[0] || way[1]) * (event.shiftKey ? 15 : 1);
    else nudge.along = (way[0] || way[1]) * 0.5 * step;
    this.say(nudge);
  }
}

const FOCUS = '<circle class="focus wide" r="15"/><circle class="focus" r="11"/>';

function shape(name) {
  const hit = '<circle class="hit" r="16"/>';
  if (name === "entry" || name === "tip")
    return hit + '<circle class="case" r="7"/><circle class="mark" r="7"/><circle r="2" fill="#16222B"/>';
  if (name === "seat")
    return '<rect class="hit" x="-12" y="-14" width="24" height="28"/><rect class="core" x="-4" y="-8" width="3" height="16"/><rect class="core" x="1" y="-8" width="3" height="16"/>';
  if (name === "dial") return hit + '<path class="core" d="M0 7l-8 -14h16z"/>';
  return '<rect class="hit" x="-12" y="-14" width="24" height="28"/><path class="core" d="M-5 -9h10l-5 8z"/>';
}
