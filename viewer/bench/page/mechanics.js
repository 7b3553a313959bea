// What to drill, how tight, what presses: rows of the column, each value with its field. No number is made here.

import { drawn, field, make } from "./draw.js";

// All values of these rows, so that those that just changed can be marked.
export const valuesOf = (read) => [...(read.hold ? [read.hold] : []), ...read.mechanics,
  ...read.drilling.flatMap((one) => [one.diameter, one.reading])];

export function told(one, stop, just) {
  const broken = one.broken && !stop ? " broken" : "";
  return make("div", { class: (stop ? "row mechanics muted" : "row mechanics") + broken },
    make("span", { class: "word" }, (one.broken ? "◇ " : "") + one.words),
    ...(one.value === null ? [make("span", { class: "why" }, one.told)]
      : [field(one.field, one.value, one.shown, one.unit, just(one)),
        one.svg ? drawn(one.svg) : make("span", { class: "says" }, one.told),
        make("span", { class: "limit" }, one.svg && one.told ? one.told : one.range)]));
}

export const mechanics = (data, just) => [
  make("h2", {}, "Mechanics", make("small", {}, data.stop ? "not for comparison while a stop stands" : "5–95 %")),
  ...data.mechanics.map((one) => told(one, data.stop, just))];

export const drilling = (data, just) => [
  make("h2", {}, "Drilling, in order", make("small", {}, data.stop ? "withheld" : "diameter × depth, mm")),
  ...(data.stop ? [make("p", { class: "muted" }, data.withheld)] : data.drilling.map((one, number) => step(one, number, just)))];

function step(one, number, just) {
  const figure = (value) => field(value.field, value.value, value.shown, "", just(value));
  return make("div", { class: "row drill", title: one.note },
    make("span", { class: "word" }, make("small", {}, String(number + 1)), " " + one.words),
    drawn(one.svg),
    make("span", { class: "figures" },
      ...(one.reading.shown === "" ? [make("small", {}, "none")]
        : [...(one.diameter.shown === "" ? [] : [figure(one.diameter), " × "]), figure(one.reading)])));
}
