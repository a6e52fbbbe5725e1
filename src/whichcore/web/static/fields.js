// The fields of each shape of core, and how what is typed becomes a specimen file.

const L = (key, label, example, more = {}) => ({ key, label, example, ...more });
const need = { needed: true };
const plain = { plain: true };

const RING = [
  L("outer_diameter", "Outer diameter", "25.0 mm", need),
  L("inner_diameter", "Inner diameter", "15.0 mm", need),
  L("height", "Height", "10.0 mm", need),
];
const RING_MORE = [
  L("coating_thickness", "Coating, thickness", "0.2 mm"),
  L("edge_radius", "Edges rounded by", "0.5 mm"),
  L("edge_chamfer", "Edges chamfered by", "0.5 mm"),
  L("case", "Case, wall", "0.5 mm"),
  L("stacking_factor", "Stacking factor", "0.8", plain),
  L("stack", "Cores in the stack", "1", plain),
];
const CONSTANTS = [
  L("c1", "Core constant C1", "0.587 1/mm"),
  L("c2", "Core constant C2", "0.00392 1/mm3"),
  L("effective_length", "or effective length", "62 mm"),
  L("effective_area", "and effective area", "52 mm2"),
];

export const SHAPES = {
  ring: { label: "Ring", fields: RING, more: RING_MORE },
  sleeve: { label: "Sleeve or bead", fields: RING.map((field) => field.key === "height" ? { ...field, label: "Length along the hole" } : field), more: RING_MORE },
  "two-hole": {
    label: "Two-hole core",
    fields: [
      L("width", "Width", "14.0 mm", need), L("thickness", "Thickness", "8.0 mm", need),
      L("length", "Length along the holes", "14.0 mm", need), L("hole_diameter", "Hole diameter", "3.8 mm", need),
      L("hole_spacing", "Hole spacing, middle to middle", "5.8 mm", need),
    ],
    more: [L("wound_holes", "Holes that are wound", "2", plain)],
  },
  pair: { label: "Pair of halves", fields: CONSTANTS, more: [L("joints", "Joints in the path", "2", plain)] },
  effective: { label: "Other, by its constants", fields: CONSTANTS, more: [L("joints", "Joints in the path", "0", plain)] },
  rod: {
    label: "Rod in a coil",
    fields: [
      L("diameter", "Rod diameter", "8.0 mm", need), L("length", "Rod length", "40 mm", need),
      L("empty_coil_inductance", "Inductance of the empty coil", "12 uH", need),
    ],
    more: [L("coil_length", "Coil length", "20 mm"), L("coil_diameter", "Coil diameter", "9 mm")],
  },
};

export const COMMON = [
  L("dimension_uncertainty", "Uncertainty of the lengths", "0.03 mm"),
  L("mass", "Mass", "14.2 g"),
  L("temperature", "Temperature", "23 degC"),
  L("hours_since_heat_or_magnetisation", "Hours since heat or a magnet", "48", plain),
  L("gap", "Gap in the path", "0.1 mm"),
  L("crack", "Crack, seen or not seen", "not seen"),
];

export const WINDING = [
  L("turns", "Turns", "10", { ...need, ...plain }),
  L("secondary_turns", "Turns of a second winding", "10", plain),
  L("wire_diameter", "Wire, bare diameter", "0.4 mm"),
  L("wire_length", "Wire, length", "0.45 m"),
  L("dc_resistance", "Winding resistance, four wires", "38 mohm"),
  L("lead_length", "Leads, length", "30 mm"),
];

const UNTOUCHED = ["surface_resistance", "winding_leakage", "ideal", "capacitance"];

/** Return every field of the core of a shape. */
export function coreFields(shape) {
  // a rod and a pair have an open path in any case
  const common = shape === "rod" || shape === "pair" ? COMMON.filter((field) => field.key !== "crack") : COMMON;
  return [...SHAPES[shape].fields, ...SHAPES[shape].more, ...common];
}

/** Return the labels of what must still be filled in. */
export function missing(job) {
  const empty = SHAPES[job.shape].fields.filter((field) => field.needed && !filled(job.core[field.key]));
  if (job.shape === "pair" || job.shape === "effective") {
    const has = (a, b) => filled(job.core[a]) && filled(job.core[b]);
    if (!has("c1", "c2") && !has("effective_length", "effective_area")) empty.push({ label: "C1 and C2, or effective length and area" });
  }
  if (!filled(job.winding.turns)) empty.push(WINDING[0]);
  return empty.map((field) => field.label);
}

function filled(value) {
  return value !== undefined && value !== null && String(value).trim() !== "";
}

/** Return the specimen file that the fields say; the server judges it. */
export function specimenText(job) {
  const named = filled(job.name) ? `name = ${quoted(job.name.trim())}\n\n` : "";
  const keys = [...coreFields(job.shape), ...extras(job.core, coreFields(job.shape))];
  const winding = [...WINDING, ...extras(job.winding, WINDING)];
  return `${named}[core]\nshape = ${quoted(job.shape)}\n${lines(keys, job.core)}\n[winding]\n${lines(winding, job.winding)}`;
}

function extras(table, fields) {
  const known = fields.map((field) => field.key);
  return Object.keys(table)
    .filter((key) => !known.includes(key) && (UNTOUCHED.includes(key) || key.startsWith("u_")))
    .map((key) => ({ key, label: key }));
}

function lines(fields, values) {
  return fields.filter((field) => filled(values[field.key])).map((field) => `${field.key} = ${toml(field, values[field.key])}\n`).join("");
}

function toml(field, value) {
  if (typeof value === "boolean" || typeof value === "number") return String(value);
  const text = String(value).trim();
  if (field.plain && /^[+-]?(0|[1-9]\d*)(\.\d+)?$/.test(text)) return text;
  return quoted(text);
}

function quoted(text) {
  return JSON.stringify(text).replaceAll("\x7f", "\\u007f");
}

/** Return the key of the field that an error speaks of, as "core.height", or null. */
export function fieldOf(fields) {
  const found = /\b(core|winding)\.([a-z0-9_]+)/.exec(fields.where ?? "");
  return found ? `${found[1]}.${found[2]}` : null;
}
