// Step four: what is it, how sure is that, and what would make it surer.

import { Curves } from "./chart.js";
import { MU_PANELS, muSeries, overPanel, overSeries } from "./curves.js";
import { button, h, put, speak } from "./dom.js";
import { missing, specimenText } from "./fields.js";
import { choice, textField } from "./form.js";
import { inHand, job, keep } from "./job.js";
import { bound, number, quantity, when } from "./numbers.js";
import { attempt, Place, warningList } from "./say.js";
import { ask } from "./talk.js";

const FIRST = 3; // of the next steps are shown at once

let asked = 0; // how often a verdict was asked for: an older answer does not take the place of a newer one

/** Return the step. */
export async function verdictView({ go }) {
  await sought();
  const found = job.coreRecord ? await ask("records.show", { record: job.coreRecord }).catch(() => null) : null;
  const sweeps = (found?.beside ?? []).filter((one) => one.kind === "sweep");
  const view = new VerdictStep(go, sweeps);
  return { title: "Verdict", node: view.node, leave: () => view.chart?.forget() };
}

/** Take the sweep in hand whose end nobody told: the server was started again, or others have swept since. */
async function sought() {
  if (!job.awaited) return;
  const kept = await ask("records.swept", { journal: job.awaited }).catch(() => null);
  if (kept) inHand(kept.record, kept.core);
}

class VerdictStep {
  constructor(go, sweeps) {
    this.go = go;
    this.place = new Place();
    this.result = h("div", { class: "result", "aria-live": "polite" });
    this.node = h("section", {}, h("h1", {}, "Verdict"), h("p", { class: "lead" }, this.basis()), job.onlyReading || !job.sweepRecord ? [this.evidence(sweeps), this.place.node, this.result] : [this.place.node, this.result, this.evidence(sweeps)],
      h("div", { class: "row end" }, button(job.onlyReading ? "Back: describe" : "Back: sweep", () => go(job.onlyReading ? "core" : "sweep"), { class: "plain" })));
    if (job.verdict) this.show(job.verdict);
    else if (job.sweepRecord && !job.onlyReading) this.judge();
  }

  basis() {
    if (job.onlyReading) return "Judged by what you type here alone. A reading often gives the class; the grade mostly needs a sweep.";
    if (job.sweepRecord) return `Judged by the sweep${job.name ? ` of ${job.name}` : ""}, and by whatever else you know.`;
    return "There is no sweep of this core yet. Sweep it, or type a reading of a meter below.";
  }

  evidence(sweeps) {
    const form = job.evidence;
    const set = (key) => (value) => { form[key] = value; keep(); };
    this.readings = textField("Readings of a meter, one a line", form.readings, set("readings"), { lines: 2, example: "152 uH @ 10 kHz", hint: "Inductance or |Z| at a frequency inside the band, such as 152 uH ± 2 uH @ 10 kHz or 340 ohm @ 1 MHz.", name: "readings" });
    this.surface = textField("Surface resistance", form.surface, set("surface"), { example: "12 kohm", hint: "Two probes pressed on the bare core; over range is written > 20 Mohm.", name: "surface" });
    this.sold = textField("Sold or used as", form.soldAs, set("soldAs"), { example: "power", hint: "What the part was sold for, or the circuit it came from.", name: "sold-as" });
    const others = sweeps.filter((one) => one.id !== job.sweepRecord).map((one) => [one.id, `${one.title}, ${when(one.created_at)}`]);
    const second = choice("A second sweep of this core", [["", "none"], ...others], form.second, set("second"), { hint: others.length ? "Warmer, at another level, or with another winding." : "There is no other sweep of this core in the records." });
    this.go1 = button(job.verdict || job.sweepRecord ? "Judge again" : "Judge", () => this.judge(), { class: "main" });
    const open = job.onlyReading || !job.sweepRecord || Object.values(form).some(Boolean);
    return h("details", { class: "card", open }, h("summary", {}, "Add evidence"), h("div", { class: "grid" }, [this.readings, this.surface, this.sold, second].map((one) => one.node)), this.go1);
  }

  judge() {
    return attempt(this.place, async () => {
      const empty = missing(job);
      if (empty.length) throw new Error(`The core is not described yet; still to fill in: ${empty.join(", ")}.`);
      this.place.waiting("Weighing every reference material against it…");
      let warnings = [];
      const { readings, surface, soldAs, second } = job.evidence;
      const of = inQuestion();
      const mine = ++asked;
      const verdict = await ask("judge.identify", {
        core: job.coreRecord, sweep: job.onlyReading ? "" : job.sweepRecord, specimen: specimenText(job), name: job.name || "core",
        readings: readings.split("\n"), surface_resistance: surface.trim() || null, sold_as: soldAs.trim() || null, second_sweep: second, keep: true,
      }, (said) => { warnings = said; });
      if (mine !== asked) return;
      this.place.clear();
      if (inQuestion() !== of) {
        this.place.news("Core or sweep are others by now. The verdict of those before is ", h("a", { href: `#record/${verdict.record}` }, "in the records"), ".");
        return;
      }
      job.verdict = { ...verdict, warnings: [...new Set([...warnings, ...(verdict.verdict?.warnings ?? [])])] };
      job.coreRecord = verdict.core;
      keep();
      this.show(job.verdict);
      speak(verdict.sentence);
    }, this.go1);
  }

  show(verdict) {
    this.chart?.forget();
    this.chart = null;
    put(this.result, verdictNode(verdict), this.chartOf(verdict) ?? "", this.keeping(verdict));
    this.chart?.draw();
  }

  chartOf(verdict) {
    const curves = verdict.curves;
    if (!curves) return null;
    const against = curves.second ? "between the first two" : "against every reference";
    const said = curves.band_hz ? `The marked band, ${quantity(curves.band_hz[0], "Hz")} to ${quantity(curves.band_hz[1], "Hz")}, decided ${against}; below, measured over each of the nearest two: the farther from 0 %, the worse the fit.` : "";
    const panels = curves.band_hz ? [...MU_PANELS, overPanel(curves.part)] : MU_PANELS;
    this.chart = new Curves("Measured, and the likeliest candidates as they would look", panels, said);
    const measured = muSeries(curves.measured, "measured", 0, true);
    const others = curves.candidates.flatMap((one, i) => muSeries({ ...one, frequency_hz: curves.measured.frequency_hz }, one.name, i + 1));
    const over = curves.band_hz ? curves.candidates.slice(0, 2).map((one, i) => overSeries(curves.measured, one, curves.part, i + 1)) : [];
    this.chart.set([...measured, ...others, ...over], curves.band_hz);
    return h("div", { class: "card" }, this.chart.node);
  }

  keeping(verdict) {
    const place = new Place();
    const tag = textField("Tag", "", () => {}, { example: "bin 4", name: "tag" });
    const tagged = () => attempt(place, async () => {
      const told = await ask("records.tag", { record: verdict.record, name: tag.input.value.trim() });
      place.news(`Tagged: ${told.tags.join(", ")}.`);
      tag.input.value = "";
    });
    return h("div", { class: "card" }, h("h2", {}, "Kept"), h("p", {}, `This verdict is record ${verdict.record.slice(0, 8)}, with its core, sweep and the materials that were weighed. Nothing kept is ever changed; judging again adds a new one.`),
      h("div", { class: "row" }, tag.node, button("Put the tag on", tagged)), place.node, reportLinks(verdict.record),
      h("p", {}, h("a", { href: `#record/${verdict.record}` }, "Open it in the records")));
  }
}

/** Return what a verdict is of: it may be something else by the time it comes. */
function inQuestion() {
  return JSON.stringify([job.onlyReading, job.sweepRecord, specimenText(job)]);
}

/** Return links to the report of a verdict. */
export function reportLinks(record) {
  return h("p", { class: "row" }, h("a", { class: "button", href: `/report/${record}.html`, target: "_blank", rel: "noopener" }, "Report as a page"), h("a", { class: "button", href: `/report/${record}.pdf`, target: "_blank", rel: "noopener" }, "Report to print (PDF)"));
}

/** Return a verdict in words and bars. */
export function verdictNode(verdict) {
  const head = verdict.sentence[0].toUpperCase() + verdict.sentence.slice(1);
  return h("div", { class: "card" }, h("p", { class: head.length > 160 ? "sentence long" : "sentence" }, bound(head)), h("p", {}, bound(verdict.measured)), verdict.kind_of_core?.length ? h("p", {}, bound(verdict.kind_of_core.join(" "))) : null,
    warningList(verdict.warnings),
    h("h2", {}, "Candidates"), bars(verdict),
    verdict.why ? [h("h2", {}, "Why"), h("p", {}, verdict.why)] : null,
    verdict.evidence?.length ? [h("h3", {}, "What the other evidence did"), h("ul", {}, verdict.evidence.map((text) => h("li", {}, text)))] : null,
    h("p", { class: "quiet" }, `Cracked or gapped: ${verdict.gapped}. A turn more or less than stated: ${verdict.other_turns}.`),
    h("h2", {}, "What next"), nextSteps(verdict));
}

function nextSteps(verdict) {
  const steps = verdict.next_steps ?? [];
  if (!steps.length) return h("p", {}, verdict.next);
  const list = (some, start) => h("ol", { start }, some.map((text) => h("li", {}, text)));
  return [list(steps.slice(0, FIRST), 1), steps.length > FIRST ? h("details", {}, h("summary", {}, `${steps.length - FIRST} more`), list(steps.slice(FIRST), FIRST + 1)) : null];
}

function bars(verdict) {
  const rows = [...verdict.candidates.map((one) => ({ name: one.name, id: one.material, of: one.class, p: one.probability, said: one.percent, more: more(one) })),
    { name: "none of these", id: "", of: "", p: verdict.unlisted_probability, said: verdict.unlisted, more: verdict.unlisted_means }];
  return h("ol", { class: "bars" }, rows.map((row) => {
    const fill = h("span", { class: "fill" });
    fill.style.inlineSize = `${Math.max(100 * row.p, 0.5)}%`;
    return h("li", {}, h("span", { class: "name" }, row.id ? h("a", { href: `#library/${row.id}` }, row.name) : row.name, row.of ? h("span", { class: "quiet" }, ` ${row.of}`) : null), h("span", { class: "track", "aria-hidden": "true" }, fill), h("span", { class: "share" }, row.said), row.more ? h("span", { class: "quiet more" }, row.more) : null);
  }));
}

function more(one) {
  const parts = [];
  if (Number.isFinite(one.scale)) parts.push(`fits with its permeability times ${number(one.scale, 3)}`);
  if (one.points_total) parts.push(`${one.points_used} of ${one.points_total} points count`);
  return parts.join("; ");
}
