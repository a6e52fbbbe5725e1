// What a sweep may be asked for beside its band and level, with what each costs and when it cannot be had.

import { h } from "./dom.js";
import { choice, textField, tick } from "./form.js";
import { job, keep } from "./job.js";

const ORDERS = [["rising", "rising"], ["interleaved", "interleaved"]];
const LEVELS = [["", "no"], ["2", "from 2 levels"], ["3", "from 3 levels"]];
const TILTS = [["matched", "the smaller voltage read"], ["even", "the voltage of the source"], ["flux", "the flux density in the core"]];
const USUAL = { order: "rising", zero: "", demagnetise: "", rest: "", tones: false, take: "", tilt: "matched" };

/** Return the fields, and a function that tells what they ask for. */
export function sweepWays(told) {
  const form = job.sweep;
  for (const [key, usual] of Object.entries(USUAL)) form[key] ??= usual;
  const set = (key) => (value) => { form[key] = value; keep(); };
  const text = (label, key, example, hint, more = {}) => textField(label, form[key], set(key), { example, hint, name: `sweep-${key}`, ...more }).node;
  const pick = (label, key, options, hint) => choice(label, options, form[key], set(key), { hint, name: `sweep-${key}` }).node;
  const atOnce = Boolean(told.benches[job.bench]?.tones);
  const coercive = Object.entries(told.coercive).map(([name, [low, high]]) => h("option", { value: name }, `${low} to ${high} A/m`));
  const parts = [
    part("Against drift",
      pick("Order of the points", "order", ORDERS, "Interleaved goes up by every second point and comes back by the others, so that a core that drifts does not look like one that disperses. Costs no time.")),
    part("Below the noise",
      pick("Extrapolate to zero field", "zero", LEVELS, "Where a point cannot be read at the flux density, or no better than to 2 %, it is measured at larger ones, up to 5 mT. Costs such points two or three times their time, and what the extrapolation leaves open is counted.")),
    part("After a magnet or a direct current",
      text("Demagnetise first", "demagnetise", "MnZn", "The core's class, or its coercive field such as 15 A/m: a fading drive at 130 Hz takes the remanence away. Costs the rest below. It takes a field of five times as much; where the bench cannot make that, it says so and stops.", { list: "coercive" }),
      h("datalist", { id: "coercive" }, coercive),
      text("Rest after it", "rest", "1 min", "Empty: 1 min. The permeability still falls, quickly at first.")),
    part("In a hurry",
      tick("All tones at once", form.tones && atOnce, set("tones"), { name: "sweep-tones", off: !atOnce, hint: `A take of two seconds holds the whole sweep. Costs level: each tone gets a share of it, so there is more noise than one tone after the other has in the same time. ${atOnce ? "Not together with the three above." : "Only a sound card can, which plays and records on one clock; this bench plays one tone at a time."}` }).node,
      atOnce ? [text("Length of a take", "take", "4 s", "Empty: that of the calibration, else 2 s. The noise falls with its root."),
        pick("Equal for all tones", "tilt", TILTS, "The smaller voltage read serves most cores.")] : null),
  ];
  const open = Object.entries(USUAL).some(([key, usual]) => form[key] !== usual);
  return {
    node: h("details", { open }, h("summary", {}, "More: drift, zero field, demagnetising, all tones at once"), h("div", { class: "ways" }, parts)),
    read: () => ({
      order: form.order, zero_field: form.zero ? Number(form.zero) : null, demagnetise: given(form.demagnetise), rest: given(form.rest),
      tones: form.tones && atOnce, take: atOnce ? given(form.take) : null, tilt: form.tilt,
    }),
  };
}

function part(title, ...children) {
  return h("section", {}, h("h3", {}, title), children);
}

function given(text) {
  return text.trim() || null;
}
