// The reference materials, by class, with their curves.

import { Curves } from "./chart.js";
import { MU_PANELS, muSeries } from "./curves.js";
import { h, put } from "./dom.js";
import { textField } from "./form.js";
import { number, quantity } from "./numbers.js";
import { ask } from "./talk.js";

/** Return the list, and the curve of the material that is asked for. */
export async function libraryView({ args }) {
  const told = await ask("library.list");
  const view = new Library(told, args[0]);
  if (args[0]) await view.open();
  else view.closed();
  return { title: args[0] ? `Library: ${args[0]}` : "Library", node: view.node, leave: () => view.chart?.forget() };
}

class Library {
  constructor(told, chosen) {
    this.told = told;
    this.chosen = chosen;
    this.list = h("div", { class: "materials" });
    this.shown = h("div", { class: "shown" });
    const filter = textField("Find by name, class or use", "", (value) => this.draw(value), { type: "search" });
    this.node = h("section", {}, h("h1", {}, "Library"), h("p", { class: "lead" }, `${told.materials.length} reference materials: those that come with the program, and your own. `, h("a", { href: "#reader" }, "Read one off a printed graph.")),
      told.problems.length ? h("div", { class: "warnings" }, h("h2", {}, "Could not be used"), h("ul", {}, told.problems.map((text) => h("li", {}, text)))) : null,
      h("div", { class: "columns" }, h("div", { class: "card" }, filter.node, this.list), this.shown));
    this.draw("");
  }

  draw(text) {
    const wanted = text.trim().toLowerCase();
    const fits = (one) => [one.id, one.name, one.class, ...one.applications].join(" ").toLowerCase().includes(wanted);
    const classes = Map.groupBy ? Map.groupBy(this.told.materials.filter(fits), (one) => one.class) : grouped(this.told.materials.filter(fits));
    put(this.list, ...(classes.size ? [...classes].map(([name, list]) => h("section", {}, h("h2", {}, name.replaceAll("-", " ")), h("ul", { class: "plainlist" }, [...list].sort((a, b) => a.initial_permeability - b.initial_permeability).map((one) => h("li", {}, h("a", { href: `#library/${one.id}`, "aria-current": one.id === this.chosen ? "true" : undefined }, one.name), h("span", { class: "quiet" }, ` μi ${number(one.initial_permeability, 3)}`)))))) : [h("p", {}, "None of the materials fits.")]));
  }

  closed() {
    put(this.shown, h("p", { class: "quiet card" }, "Choose a material to see its curve and where it comes from."));
  }

  async open() {
    const one = await ask("library.show", { material: this.chosen });
    this.chart = new Curves(`${one.name}: permeability`, MU_PANELS);
    this.chart.set(muSeries(one, "", 0).map((series, i) => ({ ...series, look: i })));
    const facts = [["Short name", one.id], ["Class", one.class], ["Initial permeability", `${number(one.initial_permeability, 4)}, within ${number(100 * one.tolerance, 3)} % (two standard deviations)`],
      ["Curve", `${quantity(one.from_hz, "Hz")} to ${quantity(one.to_hz, "Hz")}`], ["Used for", one.applications.join(", ") || "not stated"], ["Source", one.source], ["Licence", one.licence]];
    put(this.shown, h("div", { class: "card" }, h("h2", {}, one.name), h("dl", {}, facts.map(([name, text]) => [h("dt", {}, name), h("dd", {}, text)])), this.chart.node));
    this.shown.scrollIntoView?.({ block: "nearest" });
  }
}

function grouped(list) {
  const groups = new Map();
  for (const one of list) groups.set(one.class, [...(groups.get(one.class) ?? []), one]);
  return groups;
}
