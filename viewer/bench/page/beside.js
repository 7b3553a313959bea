// What is set beside the screw in hand, and what if it were another: chosen here, measured by the program.

import { $, make } from "./draw.js";
import { showAgain } from "./compared.js";
import { keepFocus } from "./focus.js";
import { settle } from "./settle.js";

// What a person has chosen, until another screw is in hand. Lengths are the neighbours where nobody chose.
const nothing = (of) => ({ of, lengths: null, families: [], techniques: [], others: [], typed: {}, technique: null });
let chosen = nothing("");

export function beside(data, read, say, tell) {
  if (!data) return [];
  const of = [read.name, read.family, read.length_mm, read.technique].join();
  if (of !== chosen.of) chosen = nothing(of);
  const again = () => keepFocus($("beside"), () => settle($("beside"), ...inside()));
  const inside = () => [...compare(data, read, say, again), ...suppose(data, read, say, tell, again)];
  return [make("section", { id: "beside" }, ...inside())];
}

function compare(data, read, say, again) {
  const lengths = chosen.lengths ?? data.lengths.filter((one) => one.near).map((one) => one.mm);
  const turn = (list, one) => (list.includes(one) ? list.filter((other) => other !== one) : [...list, one]);
  const toggle = (id, words, list, one, keep) => make("button", { id, "aria-pressed": String(list.includes(one)), onclick: () => { keep(turn(list, one)); again(); } }, words);
  const rest = read.families.filter((name) => name !== read.family && !chosen.families.includes(name));
  const rows = (words, ...buttons) => (buttons.length ? [make("span", { class: "label" }, words), make("span", { class: "lengths" }, ...buttons)] : []);
  const ask = () => say({ do: "compare", lengths_mm: lengths, families: chosen.families, techniques: chosen.techniques, others: chosen.others });
  return [
    make("h2", {}, "Compare", make("small", {}, `beside ${read.name}, ${read.length_mm} mm`)),
    make("div", { class: "chooses" },
      ...rows("Lengths, mm", ...data.lengths.map(({ mm }) => toggle("beside-" + mm, String(mm), lengths, mm, (list) => { chosen.lengths = list; }))),
      make("label", { for: "beside-screw" }, "Screws"),
      make("select", { id: "beside-screw", onchange: (event) => { chosen.families = [...chosen.families, event.target.value]; again(); } },
        make("option", { value: "", selected: true }, "another on this path …"), ...rest.map((name) => make("option", { value: name }, name))),
      ...rows("", ...chosen.families.map((name) => toggle("beside-" + name, name, chosen.families, name, (list) => { chosen.families = list; }))),
      ...rows("Techniques", ...data.techniques.map((name) => toggle("beside-" + name, name, chosen.techniques, name, (list) => { chosen.techniques = list; }))),
      ...rows("In the plan", ...data.others.map((name) => toggle("beside-plan-" + name, name, chosen.others, name, (list) => { chosen.others = list; })))),
    make("p", { class: "choices" }, make("button", { id: "compare", class: "solid", onclick: ask }, "Set side by side"),
      ...(data.open ? [make("button", { id: "compared-again", onclick: showAgain }, "show the table")] : []))];
}

function suppose(data, read, say, tell, again) {
  const ask = () => {
    const typed = Object.entries(chosen.typed).filter(([, words]) => words.trim() !== "").map(([name, words]) => [name, Number(words.replace(",", "."))]);
    const wrong = typed.find(([, value]) => !Number.isFinite(value) || value <= 0);
    if (wrong) return tell(`${wrong[0]} must be a number above 0, such as 1.2`);
    say({ do: "suppose", ...Object.fromEntries(typed), technique: chosen.technique });
  };
  const typing = (one) => {
    const input = make("input", { id: "suppose-" + one.name, inputmode: "decimal", autocomplete: "off",
      oninput: (event) => { chosen.typed[one.name] = event.target.value; },
      onkeydown: (event) => { if (event.key === "Enter") ask(); } });
    // Not as an attribute: a drawing of the column anew must not take away what is being typed.
    input.value = chosen.typed[one.name] ?? "";
    return [make("label", { for: input.id }, one.words), make("span", { class: "seat" }, input, make("span", { class: "muted" }, one.own ? "now " + one.own : "not told"))];
  };
  return [
    make("h2", {}, "What if", make("small", {}, "never changes the plan")),
    make("div", { class: "chooses" }, ...data.own.flatMap(typing),
      ...(data.techniques.length ? [make("label", { for: "suppose-technique" }, "technique"),
        make("select", { id: "suppose-technique", onchange: (event) => { chosen.technique = event.target.value; } },
          ...read.techniques.map((name) => make("option", { value: name, selected: name === (chosen.technique ?? read.technique) }, name)))] : [])),
    make("p", { class: "choices" }, make("button", { id: "suppose", class: "solid", onclick: ask }, "Tell what moves"),
      make("button", { id: "suppose-none", onclick: () => { chosen.typed = {}; chosen.technique = null; again(); } }, "as planned"))];
}
