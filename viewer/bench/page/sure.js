// What the screw is held against, and how often it keeps it when all that is in doubt is drawn. No number is made here.

import { field, make } from "./draw.js";

export function held(data, say) {
  const ask = (what) => say({ do: "ask", site: data.site, placement: data.placement, ...what });
  const length = data.site_length;
  return [
    make("label", { for: "site" }, "Site"),
    make("select", { id: "site", onchange: (event) => ask({ site: event.target.value || null }) },
      make("option", { value: "", selected: data.site === null }, "none: the usual limits"),
      ...data.sites.map((name) => make("option", { value: name, selected: name === data.site }, name))),
    ...(length ? [make("span", { class: "label" }, "Its length"), make("span", { class: "says", title: length.rule },
      ...length.values.flatMap((one, n) => [n ? ", " : "", one.words + " ", field(one.field, one.value, one.shown, one.unit)]))] : []),
    make("label", { for: "placement" }, "Placed by"),
    make("select", { id: "placement", onchange: (event) => ask({ placement: event.target.value || null }) },
      make("option", { value: "", selected: data.placement === null }, "no doubt drawn"),
      ...data.placements.map((one) => make("option", { value: one.name, selected: one.name === data.placement }, one.words)))];
}

export function sure(data, holding, just) {
  if (data.placement === null) return [];
  const doubt = data.doubt;
  const head = doubt ? `kept in how many of ${doubt.draws} draws` : holding ? "drawn when you let go" : "being drawn …";
  const row = (one, kind) => make("div", { class: "row sure " + kind }, make("span", { class: "word" }, one.words),
    field(one.field, one.value, one.shown, one.unit, just(one)), bar(one.value, kind));
  return [make("h2", {}, "How sure", make("small", {}, head)),
    ...(doubt ? [...doubt.rows.map((one) => row(one, "kept")), row(doubt.breach, "lost"), make("p", { class: "says" }, doubt.says)] : [])];
}

// The share as a length: filled is kept; hatched, for what must not be.
export function bar(share, kind) {
  const meter = make("meter", { min: 0, max: 1, value: share.toFixed(4), class: kind, "aria-hidden": "true" });
  return meter;
}
