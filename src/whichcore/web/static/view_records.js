// Everything kept: search, open, lay two sweeps over each other.

import { Curves } from "./chart.js";
import { MU_PANELS, muSeries, Z_PANELS, zSeries } from "./curves.js";
import { button, h, paused, put, speak } from "./dom.js";
import { choice, textField } from "./form.js";
import { inHand, job, keep } from "./job.js";
import { percent, quantity, when, withU } from "./numbers.js";
import { attempt, lineOf, Place, warningList } from "./say.js";
import { ask } from "./talk.js";
import { fill } from "./view_core.js";
import { reportLinks } from "./view_verdict.js";

const KINDS = { core: "core", calibration: "calibration", verification: "verification", sweep: "sweep", capture: "raw record", verdict: "verdict" };
const PAGE = 30;
const SEARCH_MS = 250;
const asked = { text: "", kind: "", tag: "", material_class: "", since: "", until: "" };
const chosen = [];

/** Return the list with its search. */
export async function recordsView({ state, go }) {
  const told = await state();
  const place = new Place();
  const list = h("ul", { class: "records" });
  const more = h("div", {});
  const counted = h("p", { role: "status" });
  const overlay = h("div", { class: "overlay" });
  let question = 0;
  let total = 0;
  let last = "";
  const look = async (before = "") => {
    question += 1;
    const mine = question;
    await attempt(place, async () => {
      const found = await ask("records.search", { ...asked, most: PAGE, before });
      if (mine !== question) return;
      if (!before) total = found.count;
      counted.textContent = total === 0 ? "Nothing found." : `${total} found.`;
      const rows = found.records.map((record) => recordRow(record, choose));
      if (before) list.append(...rows);
      else put(list, ...rows);
      last = found.records.at(-1)?.id ?? "";
      const left = total - list.childElementCount;
      put(more, left > 0 && last ? button(`Show more (${left} left)`, () => look(last)) : "");
    });
  };
  const choose = (record, on) => {
    if (on) chosen.push(record);
    else chosen.splice(chosen.findIndex((one) => one.id === record.id), 1);
    tellChosen();
  };
  const tellChosen = () => {
    const names = chosen.map((one) => `${one.title} (${one.id.slice(0, 8)})`).join(" and ");
    put(overlay, chosen.length ? h("p", {}, `To lay over each other: ${names}.`) : "", chosen.length === 2 ? button("Lay over each other", () => go(`compare/${chosen[0].id}/${chosen[1].id}`), { class: "main" }) : chosen.length ? h("p", { class: "quiet" }, chosen.length > 2 ? "Choose two of them." : "Choose a second sweep.") : "");
    if (chosen.length) speak(names);
  };
  const soon = paused(() => look(), SEARCH_MS);
  const set = (key) => (value) => { asked[key] = value; soon(); };
  const form = h("form", { class: "card", role: "search", on: { submit: (event) => { event.preventDefault(); look(); } } }, h("div", { class: "grid" },
    textField("Name or number", asked.text, set("text"), { type: "search", name: "text" }).node,
    choice("Kind", [["", "all"], ...Object.entries(KINDS)], asked.kind, set("kind"), { name: "kind" }).node,
    choice("Class", [["", "any"], ...told.classes.map((name) => [name, name])], asked.material_class, set("material_class")).node,
    textField("Tag", asked.tag, set("tag"), {}).node,
    textField("From day", asked.since, set("since"), { type: "date" }).node,
    textField("To day", asked.until, set("until"), { type: "date" }).node));
  await look();
  tellChosen();
  return { title: "Records", node: h("section", {}, h("h1", {}, "Records"), h("p", { class: "lead" }, "Everything measured on this machine. Nothing here is ever changed or removed."), form, counted, overlay, place.node, list, more) };
}

function recordRow(record, choose) {
  const about = summary(record);
  const box = record.kind === "sweep" ? h("label", { class: "over" }, h("input", { type: "checkbox", checked: chosen.some((one) => one.id === record.id), on: { change: (event) => choose(record, event.target.checked) } }), ` overlay`, h("span", { class: "unseen" }, ` ${record.title} ${record.id.slice(0, 8)}`)) : null;
  return h("li", { class: record.kind }, h("span", { class: "kind" }, KINDS[record.kind] ?? record.kind), h("a", { href: `#record/${record.id}` }, titleOf(record)), h("span", {}, about), h("span", { class: "tags" }, record.tags.map((tag) => h("span", { class: "tag" }, tag))), h("span", { class: "quiet" }, `${when(record.created_at)}, ${record.id.slice(0, 8)}`), box);
}

/** Return the title of a record; that of a calibration holds the time it was taken. */
function titleOf(record) {
  return record.title.replace(/\d{4}-\d\d-\d\dT[\d:.]+(?:\+00:00|Z)/, when) || record.id.slice(0, 8);
}

function capital(text) {
  return `${text[0].toUpperCase()}${text.slice(1)}`;
}

function summary(record) {
  const c = record.columns;
  if (record.kind === "verdict") return [named(c), c.probability !== null ? percent(c.probability) : "", c.initial_permeability > (c.u_initial_permeability ?? 0) ? `μ′ ${withU(c.initial_permeability, c.u_initial_permeability)}` : ""].filter(Boolean).join(", ");
  if (record.kind === "sweep") return `${quantity(c.from_hz, "Hz")} to ${quantity(c.to_hz, "Hz")}, ${c.points} points`;
  if (record.kind === "core") return `${c.shape}, ${c.turns} turns`;
  if (record.kind === "calibration") return `${c.wiring.replaceAll("-", " ")}, ${quantity(c.from_hz, "Hz")} to ${quantity(c.to_hz, "Hz")}`;
  return "";
}

function named(columns) {
  const names = (columns.named || "").split(", ").filter(Boolean);
  if (names.length > 2) return [columns.material_class, `one of ${names.length} materials`].filter(Boolean).join(", ");
  return names.join(" or ") || columns.material_class || columns.verdict_kind;
}

/** Return one record. */
export async function recordView({ args, go }) {
  const record = await ask("records.show", { record: args[0] ?? "" });
  const charts = [];
  const place = new Place();
  const parts = [];
  if (record.kind === "sweep") parts.push(await sweepPart(record, charts));
  if (record.kind === "verdict") parts.push(verdictPart(record));
  if (record.kind === "core") parts.push(h("pre", { tabindex: "0", "aria-label": "Specimen file" }, record.text));
  const core = record.kind === "core" ? record.id : record.columns.core_id;
  const take = button("Work on this core", () => attempt(place, async () => {
    const kept = await ask("records.show", { record: core });
    fill(await ask("core.read", { specimen: kept.text }));
    const sweep = record.kind === "sweep" ? record.id : record.columns.sweep_id;
    if (sweep) inHand(sweep, core);
    else job.coreRecord = core;
    keep();
    go(job.sweepRecord ? "verdict" : "core");
  }));
  const node = h("section", {}, h("p", {}, h("a", { href: "#records" }, "All records")), h("h1", {}, capital(`${KINDS[record.kind] ?? record.kind}: ${titleOf(record)}`)),
    h("p", { class: "lead" }, [summary(record), when(record.created_at), `number ${record.id.slice(0, 8)}`].filter(Boolean).join("; ")),
    record.corrects ? h("p", {}, "It corrects ", h("a", { href: `#record/${record.corrects}` }, record.corrects.slice(0, 8)), `: ${record.reason}.`) : null,
    record.corrected_by.length ? h("p", { class: "caution" }, "Corrected by ", record.corrected_by.map((id) => h("a", { href: `#record/${id}` }, id.slice(0, 8)))) : null,
    tags(record, place), place.node, parts,
    h("div", { class: "row" }, core ? take : null, h("a", { class: "button", href: `/file/${record.id}`, download: "" }, "Save its file")),
    record.beside.length ? h("div", { class: "card" }, h("h2", {}, "Of the same core"), h("ul", { class: "plainlist" }, record.beside.filter((one) => one.kind !== "sweep_begun" && one.kind !== "sweep-begun").map((one) => h("li", {}, `${KINDS[one.kind] ?? one.kind}: `, h("a", { href: `#record/${one.id}` }, `${titleOf(one)}, ${when(one.created_at)}`), ` ${summary(one)}`)))) : null,
    h("details", {}, h("summary", {}, "Settings and checksum"), h("pre", { tabindex: "0", "aria-label": "Settings" }, JSON.stringify(record.settings, null, 2)), h("p", { class: "quiet" }, `SHA-256 ${record.sha256}`)));
  return { title: record.title || "Record", node, leave: () => charts.forEach((chart) => chart.forget()) };
}

function tags(record, place) {
  const list = h("p", { class: "tags" });
  const draw = (names) => put(list, ...names.map((name) => h("span", { class: "tag" }, name, button("×", () => change(name, true), { class: "small plain", "aria-label": `Take the tag ${name} off` }))));
  const change = (name, off = false) => attempt(place, async () => {
    draw((await ask("records.tag", { record: record.id, name, off })).tags);
    return true;
  });
  const field = textField("New tag", "", () => {}, { example: "bin 4" });
  draw(record.tags);
  return h("div", { class: "row" }, list, field.node, button("Put the tag on", async () => { if (await change(field.input.value.trim())) field.input.value = ""; }));
}

async function sweepPart(record, charts) {
  const data = await ask("records.sweep", { record: record.id });
  const z = new Curves("Impedance", Z_PANELS);
  charts.push(z);
  const parts = [z.node];
  if (data.permeability) {
    const mu = new Curves("Permeability", MU_PANELS);
    charts.push(mu);
    mu.set(muSeries(data.permeability, "", 0, true).map((one, i) => ({ ...one, look: i })));
    parts.unshift(mu.node);
  }
  z.set(zSeries(data, "", 0, true).map((one, i) => ({ ...one, look: i })));
  return h("div", { class: "charts" }, parts);
}

function verdictPart(record) {
  const told = JSON.parse(record.text);
  const names = new Map((told.explained?.candidates ?? []).map((one) => [one.material, one.name]));
  const rows = told.candidates.slice(0, 6).map((one) => h("tr", {}, h("th", { scope: "row" }, h("a", { href: `#library/${one.material}` }, names.get(one.material) ?? one.material)), h("td", {}, percent(one.probability))));
  rows.push(h("tr", {}, h("th", { scope: "row" }, "none of these"), h("td", {}, percent(told.unlisted_probability))));
  return h("div", { class: "card" }, h("p", { class: "sentence" }, `${phrase(told.verdict, names)}: ${percent(told.verdict.probability)}`), warningList(told.warnings),
    h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Material"), h("th", { scope: "col" }, "Probability"))), h("tbody", {}, rows)),
    h("p", {}, told.next_measurement), reportLinks(record.id));
}

function phrase(verdict, names) {
  if (verdict.kind === "material") return names.get(verdict.materials[0]) ?? verdict.materials[0];
  if (verdict.kind === "group") return `One of ${verdict.materials.length} materials that these data cannot tell apart`;
  if (verdict.kind === "class") return `${verdict.class}, the grade open`;
  return verdict.kind === "unlisted" ? "None of the reference materials" : "Undecided";
}

/** Return two sweeps laid over each other. */
export async function compareView({ args }) {
  const both = await ask("records.compare", { first: args[0] ?? "", second: args[1] ?? "" });
  const charts = [new Curves("Impedance of both", Z_PANELS), new Curves("How they differ", [{ key: "ratio", label: "|Z| ratio" }, { key: "angle", label: "difference of phase in degrees", unit: "°", linear: true }, { key: "share", label: "difference as share of its 95 % limit", linear: true }])];
  charts[0].set([...zSeries(both.first, `${both.first.title}, first`, 0, true), ...zSeries(both.second, `${both.second.title}, second`, 1, true)]);
  const x = both.frequency_hz;
  const degrees = (list) => list.map((a) => (180 / Math.PI) * a);
  const one = (name, panel, look, y, u) => ({ name, panel, look, points: true, x, y, u });
  charts[1].set([one("ratio first to second", "ratio", 0, both.ratio_size, both.u_ratio_size), one("phase difference", "angle", 1, degrees(both.ratio_angle_rad), degrees(both.u_ratio_angle_rad)), one("share of the limit", "share", 2, both.share)]);
  const within = both.share.filter((value) => value <= 1).length;
  const failed = both.first.id === both.second.id ? lineOf(new Error("Both are the same record.")) : "";
  return {
    title: "Two sweeps over each other",
    node: h("section", {}, h("p", {}, h("a", { href: "#records" }, "All records")), h("h1", {}, "Two sweeps over each other"), failed ? h("p", { class: "caution" }, failed) : null,
      h("p", { class: "lead" }, `${within} of ${x.length} common points differ by no more than 95 in 100 equal pairs would.`), h("div", { class: "charts" }, charts.map((chart) => chart.node))),
    leave: () => charts.forEach((chart) => chart.forget()),
  };
}
