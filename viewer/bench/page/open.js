// A value opened beside the column: what it is, its formula with its numbers, how sure it is, where it is from.
// Every word and number comes from the planner; it follows the hand as the value does.

import { $, make } from "./draw.js";
import { keepFocus } from "./focus.js";

export class Opened {
  constructor(say) {
    this.say = say;
    this.field = null;
    this.from = null;
    this.shown = "";
    document.addEventListener("click", (event) => {
      const value = event.target.closest("[data-field], [data-opens]");
      if (value) this.open(value.dataset.field ?? value.dataset.opens, value.dataset.field);
    });
    window.addEventListener("keydown", (event) => {
      if (event.key !== "Escape" || !this.field || document.querySelector("dialog:modal")) return;
      if (!document.body.classList.contains("holding")) this.close();
    }, { capture: true });
  }

  // A value of the column opens; the same once more closes. An input opens in its place, and back goes to the first.
  open(field, from) {
    if (from && this.field === field) return this.close();
    if (from) this.from = from;
    this.field = field;
    this.arriving = true;
    this.asked = this.say({ do: "explain", field });
  }

  close() {
    this.field = null;
    this.shown = "";
    $("opened").close();
    this.say({ do: "explain" });
    document.querySelector(`[data-field="${CSS.escape(this.from)}"]`)?.focus({ preventScroll: true });
  }

  show(told, ack) {
    // An answer to what was said before this value was asked for knows nothing of it.
    if (!this.field || ack < this.asked) return;
    if (!told) return this.close();
    const panel = $("opened");
    const whole = JSON.stringify(told);
    if (whole !== this.shown) keepFocus(panel, () => panel.replaceChildren(...this.inside(told)));
    this.shown = whole;
    if (!panel.open) panel.show();
    if (this.arriving) $("opened-name").focus({ preventScroll: true });
    if (this.arriving) panel.scrollTop = 0;
    this.arriving = false;
  }

  inside(told) {
    const unit = told.unit ? " " + told.unit : "";
    const part = (head, ...inside) => [make("h3", {}, head), ...inside];
    const back = this.field !== this.from;
    return [
      make("div", { class: "bar" },
        back ? make("button", { id: "opened-back", "data-opens": this.from }, "back") : "",
        make("button", { id: "opened-close", onclick: () => this.close() }, "close"), make("kbd", {}, "Esc")),
      make("h2", { id: "opened-name", tabindex: "-1" }, told.name, make("small", {}, [told.of, told.screw].filter(Boolean).join(", "))),
      make("p", { class: "opened-value" }, ...(told.reason ? ["not known: " + told.reason]
        : [make("b", {}, told.shown), unit, told.low ? `, 5–95 %: ${told.low} to ${told.high}${unit}` : ""])),
      make("p", {}, told.definition),
      ...(told.formula ? part("Formula", make("p", { class: "formula" }, told.formula)) : []),
      ...(told.steps.length ? part("With this screw’s numbers", make("ol", { class: "formula" }, ...told.steps.map((step) => make("li", {}, step)))) : []),
      ...(told.inputs.length ? part("From", make("dl", {}, ...told.inputs.flatMap((one) => [
        make("dt", {}, one.field.startsWith("screws") ? make("button", { "data-opens": one.field }, one.name) : one.name),
        make("dd", {}, one.shown + (one.unit ? " " + one.unit : ""))]))) : []),
      ...(told.interval ? part("What the interval holds", make("p", {}, told.interval)) : []),
      ...part("Source", ...told.sources.map((source) => make("p", {}, source))),
      ...(told.not_modelled ? part("Not modelled", make("p", {}, told.not_modelled)) : []),
      make("p", { class: "muted" }, "In assessment.json: " + told.field),
    ];
  }
}
