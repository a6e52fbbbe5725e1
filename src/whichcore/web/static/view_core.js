// Step one: describe the core.

import { button, h, paused, put } from "./dom.js";
import { COMMON, fieldOf, missing, SHAPES, specimenText, WINDING } from "./fields.js";
import { choice, pick, textField } from "./form.js";
import { anew, another, job, keep, unknown } from "./job.js";
import { number, quantity } from "./numbers.js";
import { attempt, Place, warningList } from "./say.js";
import { drawing, light } from "./shapes.js";
import { ask, Fault, upload } from "./talk.js";

const CHECK_MS = 350;

/** Return the step. */
export async function coreView({ state, go }) {
  const told = await state();
  if (job.bench === "own" && !told.benches.own.there) job.bench = "virtual";
  const view = new CoreStep(told, go);
  return { title: "Describe the core", node: view.node, leave: () => { view.gone = true; } };
}

class CoreStep {
  constructor(told, go) {
    this.told = told;
    this.go = go;
    this.fields = new Map();
    this.count = 0;
    this.place = new Place();
    this.follows = h("div", { class: "follows", "aria-live": "polite" });
    this.advice = h("div", { "aria-live": "polite" });
    this.top = h("div", { class: "card" });
    this.form = h("div", {});
    this.side = h("aside", { class: "card sheet", "aria-label": "What follows" }, h("h2", {}, "What follows"), this.follows, h("h2", {}, "Advice on turns"), this.advice);
    this.check = paused(() => this.look(), CHECK_MS);
    this.node = h("section", {}, h("h1", {}, "Describe the core"),
      h("p", { class: "lead" }, "Measure it with a calliper, count its turns, and type each value with its unit."),
      this.top, h("div", { class: "columns" }, h("div", { class: "card" }, this.form), this.side), this.place.node, this.goOn());
    this.start();
    this.shape();
    this.look();
  }

  start() {
    const own = this.told.benches.own;
    const benches = [["virtual", "Virtual bench: nothing is connected"], ["own", own.there ? `Own bench (${own.name})` : "Own bench (none set up)", !own.there]];
    const file = textField("Specimen file", "", () => {}, { type: "file", hint: "A .toml file that you have written before fills in all fields." });
    file.input.accept = ".toml";
    file.input.addEventListener("change", () => this.take(file.input.files[0]));
    put(this.top, h("h2", {}, "Where it is measured"),
      pick("Bench", benches, job.bench, (value) => { job.bench = value; job.virtualCore = value === "own" ? "" : job.virtualCore; keep(); this.start(); this.look(); this.to("fieldset input:checked"); }),
      own.there ? null : h("details", {}, h("summary", {}, "How do I set up a bench of my own?"), h("p", { class: "hint" }, own.why)),
      job.bench === "virtual" ? this.virtualCores() : null,
      h("div", { class: "row" }, button("I have only a meter reading", () => { Object.assign(job, { onlyReading: !job.onlyReading, verdict: null }); keep(); this.go("core"); }, { "aria-pressed": String(job.onlyReading) }),
        button("Begin with another core", () => { anew(); this.go("core"); }, { class: "plain" })),
      job.onlyReading ? h("p", { class: "news" }, "Fill in the core and the turns the reading was taken with; then go straight to the verdict and type the reading there. Calibration and sweep are not needed.") : null,
      h("details", {}, h("summary", {}, "Take the core from a file"), file.node));
  }

  virtualCores() {
    const options = [["", "choose one"], ...this.told.virtual_cores.map((core) => [core.id, `${core.id}: ${core.title}`])];
    return choice("Core in the bin, wound and fitted by the bench's own hands", options, job.virtualCore, (value) => {
      job.virtualCore = value;
      const core = this.told.virtual_cores.find((one) => one.id === value);
      if (core) {
        const { shape, ...card } = core.card;
        become({ shape, core: { ...card }, name: core.id, winding: { turns: job.winding.turns || "10" } });
      }
      keep();
      this.shape();
      this.look();
    }, { name: "virtual-core", hint: "Its card fills in the dimensions below; what it is made of, you will find out." }).node;
  }

  shape() {
    const about = SHAPES[job.shape];
    this.fields.clear();
    this.drawing = drawing(job.shape);
    const group = (table, list) => list.map((field) => this.field(table, field));
    const shapes = Object.entries(SHAPES).map(([key, one]) => [key, one.label]);
    const expected = textField("Permeability you expect", job.expected, (value) => { job.expected = value; keep(); this.check(); }, { example: "2000", hint: "Leave it empty if you do not know; the plan then serves 50 to 15,000." });
    this.fields.set("expected", expected);
    put(this.form, h("h2", {}, "The core"),
      textField("Name", job.name, (value) => { job.name = value; this.changed(); }, { example: "bin 4, grey ring", name: "name" }).node,
      choice("Shape", shapes, job.shape, (value) => { job.shape = value; this.changed(); this.shape(); this.to("[name=shape]"); }, { name: "shape" }).node,
      this.drawing,
      h("div", { class: "grid" }, group("core", [...about.fields, COMMON[0]])),
      h("h2", {}, "The winding"),
      h("div", { class: "grid" }, group("winding", WINDING.slice(0, 1)), expected.node),
      this.more("More about the core", [["core", [...about.more, ...COMMON.slice(1)]]]),
      this.more("More about the winding", [["winding", WINDING.slice(1)]]));
  }

  more(title, groups) {
    const open = groups.some(([table, list]) => list.some((field) => job[table][field.key]));
    return h("details", { open }, h("summary", {}, title), h("div", { class: "grid" }, groups.map(([table, list]) => list.map((field) => this.field(table, field)))));
  }

  field(table, field) {
    const made = textField(field.label, job[table][field.key], (value) => { job[table][field.key] = value; this.changed(); },
      { ...field, name: field.key, example: field.example, focus: () => light(this.drawing, field.key), blur: () => light(this.drawing, "") });
    this.fields.set(`${table}.${field.key}`, made);
    return made.node;
  }

  /** Put the focus back where it was, after what it was on has been made anew. */
  to(selector) {
    this.node.querySelector(selector)?.focus();
  }

  changed() {
    another();
    keep();
    this.check();
  }

  async take(file) {
    if (!file) return;
    await attempt(this.place, async () => {
      const kept = await upload(file);
      if (!kept.specimen) throw new Error("This is no specimen file: a .toml file was expected.");
      fill(await ask("core.read", { specimen: kept.specimen }));
      this.shape();
      this.start();
      this.look();
      this.place.news(`Taken from ${file.name}.`);
    });
  }

  /** Ask the server what it says of the fields as they are. */
  async look() {
    const empty = missing(job);
    this.count += 1; // an answer on its way is of the fields as they were
    for (const field of this.fields.values()) field.wrong(null);
    if (empty.length) {
      put(this.follows, h("p", { class: "quiet" }, `Still to fill in: ${empty.join(", ")}.`));
      put(this.advice, h("p", { class: "quiet" }, "Comes when the dimensions are there."));
      return;
    }
    const mine = this.count;
    const specimen = specimenText(job);
    let warnings = [];
    try {
      const told = await ask("core.check", { specimen }, (said) => { warnings = said; });
      if (mine !== this.count || this.gone) return;
      put(this.follows, h("p", { class: "news" }, told.shape === "rod" ? "The core is described in full." : `Effective length ${quantity(told.length_m, "m")}, area ${number(told.area_m2 * 1e6, 3)} mm². The winding has ${quantity(told.air_inductance_h, "H")} without the core's permeability.`), warningList(warnings));
      this.plan(mine, specimen);
    } catch (error) {
      if (mine === this.count && !this.gone) this.wrong(error);
    }
  }

  wrong(error) {
    const key = error instanceof Fault ? fieldOf(error.fields) : null;
    const field = this.fields.get(key);
    put(this.advice, h("p", { class: "quiet" }, "Comes when the dimensions are right."));
    if (field) {
      field.wrong(error.line);
      field.node.closest("details")?.setAttribute("open", "");
      put(this.follows);
    } else put(this.follows, h("p", { class: "error" }, error.line ?? error.message));
  }

  async plan(mine, specimen) {
    const expected = job.expected.trim();
    if (expected && !(Number(expected) > 0)) {
      put(this.advice, h("p", { class: "quiet" }, "Comes when the permeability you expect can be read."));
      this.fields.get("expected").wrong(`A plain number was expected; got ${expected}; write it like 2000.`);
      return;
    }
    put(this.advice, h("p", { class: "waiting" }, "Working out turns and accuracy…"));
    // only the newest question is worth the planner's time
    if (this.planning) { this.again = [mine, specimen]; return; }
    this.planning = true;
    try {
      const plan = await ask("judge.plan", { specimen, bench: job.bench, expected: expected ? Number(expected) : null });
      if (mine === this.count && !this.gone) this.advise(plan);
    } catch (error) {
      if (mine === this.count && !this.gone) put(this.advice, h("p", { class: "error" }, error.line ?? error.message));
    } finally {
      this.planning = false;
      const next = this.again;
      this.again = null;
      if (next && next[0] === this.count) this.plan(...next);
    }
  }

  advise(plan) {
    const own = Number(job.winding.turns);
    const serves = plan.own_turns_serve ? `Your ${own} turns serve the whole band.` : `Your ${own} turns do not serve the whole band.`;
    const take = plan.turns.filter((turns) => turns !== own).map((turns) => button(`Use ${turns} turns`, () => { job.winding.turns = String(turns); this.changed(); this.shape(); this.look(); this.to("[name=turns]"); }, { class: "small" }));
    const rows = plan.bands.map((band) => h("tr", {}, h("th", { scope: "row" }, `${quantity(band.from_hz, "Hz")} to ${quantity(band.to_hz, "Hz")}`), h("td", {}, String(band.turns)), h("td", {}, band.wiring.replaceAll("-", " ")), h("td", {}, band.flux_density), h("td", {}, band.u_real === null ? "–" : band.u_real > 1 ? "> 100 %" : `${number(100 * band.u_real, 2)} %`)));
    const remark = (one) => h("li", {}, one.cannot ? h("strong", {}, "Cannot be done: ") : null, one.text, h("span", { class: "quiet" }, ` (${one.source})`));
    put(this.advice, 
      h("p", {}, h("strong", {}, `Wind ${plan.turns.join(" and ")} turns. `), serves), h("div", { class: "row" }, take),
      h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Plan by bands" }, h("table", {}, h("thead", {}, h("tr", {}, ["Band", "Turns", "Wiring", "Flux density", "μ′ known to"].map((text) => h("th", { scope: "col" }, text)))), h("tbody", {}, rows))),
      h("details", {}, h("summary", {}, "Reasons and limits"), h("ul", {}, [...plan.remarks, ...plan.bands.flatMap((band) => band.remarks)].map(remark))));
  }

  goOn() {
    const next = () => attempt(this.place, async () => {
      const empty = missing(job);
      if (empty.length) throw new Error(`Still to fill in: ${empty.join(", ")}.`);
      await ask("core.check", { specimen: specimenText(job) });
      if (job.bench === "virtual" && !job.virtualCore && !job.onlyReading) throw new Error("The virtual bench has to be told which core to fit: choose one in the list above, or say that you have only a reading.");
      keep();
      this.go(job.onlyReading ? "verdict" : "calibrate");
    });
    return h("div", { class: "row end" }, button(job.onlyReading ? "Go on: type the reading" : "Go on: calibrate", next, { class: "main" }));
  }
}

/** Put a specimen as the server read it into the fields. */
export function fill(table) {
  const { shape, ...core } = table.core;
  become({ shape, core, winding: { ...table.winding }, name: table.name });
  keep();
}

/** Put a core in the place of the one in hand; what was known of that one beside its sweep goes, unless they are the same. */
function become(core) {
  const before = specimenText(job);
  Object.assign(job, core);
  if (specimenText(job) !== before) unknown();
  another();
}
