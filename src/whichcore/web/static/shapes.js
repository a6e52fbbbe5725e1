// Drawings of the shapes: which length is which. The field being typed is lit up.

import { s } from "./dom.js";

function head(x, y, dx, dy) {
  const [px, py] = [-dy, dx];
  return `M${x + 7 * dx + 3 * px} ${y + 7 * dy + 3 * py}L${x} ${y}L${x + 7 * dx - 3 * px} ${y + 7 * dy - 3 * py}`;
}

/** A dimension: a line with a head at each end, its letter beside it. */
function measure(key, x1, y1, x2, y2, label, tx, ty) {
  const length = Math.hypot(x2 - x1, y2 - y1);
  const [dx, dy] = [(x2 - x1) / length, (y2 - y1) / length];
  return s("g", { class: "dim", "data-key": key },
    s("path", { d: `M${x1} ${y1}L${x2} ${y2}${head(x1, y1, dx, dy)}${head(x2, y2, -dx, -dy)}` }),
    s("text", { x: tx, y: ty, "text-anchor": "middle" }, label));
}

/** An area or line that a field speaks of, with no heads. */
function part(key, d, label, tx, ty) {
  return s("g", { class: "dim", "data-key": key }, s("path", { d }), label && s("text", { x: tx, y: ty, "text-anchor": "middle" }, label));
}

function ringLike(side, word) {
  const [x, y, w, t] = side;
  const [cx, cy, outer, inner] = [100, 105, 72, 42];
  return [
    s("path", { class: "body", "fill-rule": "evenodd", d: circle(cx, cy, outer) + circle(cx, cy, inner) }),
    s("rect", { class: "body", x, y, width: w, height: t }),
    s("path", { class: "hidden", d: `M${x} ${y + t * 0.21}h${w}M${x} ${y + t * 0.79}h${w}` }),
    s("path", { class: "thin", d: `M${cx - outer} ${cy}v96M${cx + outer} ${cy}v96M${x} ${y + t}v24M${x + w} ${y + t}v24` }),
    measure("outer_diameter", cx - outer, 196, cx + outer, 196, "outer diameter", cx, 212),
    measure("inner_diameter", cx - inner, cy, cx + inner, cy, "inner", cx, cy - 7),
    measure("height", x, y + t + 20, x + w, y + t + 20, word, x + w / 2, y + t + 36),
    part("coating_thickness", circle(cx, cy, outer + 4) + `M${x - 4} ${y - 4}h${w + 8}v${t + 8}h${-w - 8}z`, "coating", cx + 76, 26),
    part("edge_radius", `M${x - 2} ${y + 12}Q${x - 2} ${y - 2} ${x + 12} ${y - 2}`, "edge", x + w + 4, y - 12),
    part("edge_chamfer", `M${x - 4} ${y + 12}L${x + 12} ${y - 4}`),
    part("case", circle(cx, cy, outer + 7) + `M${x - 7} ${y - 7}h${w + 14}v${t + 14}h${-w - 14}z`),
  ];
}

function circle(x, y, r) {
  return `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0z`;
}

const TWO_HOLE = () => [
  s("path", { class: "body", "fill-rule": "evenodd", d: `M55 55h90a48 48 0 0 1 0 96h-90a48 48 0 0 1 0 -96z${circle(65, 103, 20)}${circle(135, 103, 20)}` }),
  s("rect", { class: "body", x: 232, y: 55, width: 80, height: 96 }),
  s("path", { class: "hidden", d: "M232 83h80M232 123h80" }),
  s("path", { class: "thin", d: "M7 103v96M193 103v96M65 83v-52M135 83v-52M145 55h68M145 151h68M232 151v26M312 151v26" }),
  measure("width", 7, 190, 193, 190, "width", 100, 206),
  measure("thickness", 209, 55, 209, 151, "thickness", 208, 46),
  measure("hole_diameter", 45, 103, 85, 103, "hole", 65, 140),
  measure("hole_spacing", 65, 38, 135, 38, "spacing", 100, 30),
  measure("length", 232, 171, 312, 171, "length", 272, 187),
];

const PAIR = () => [
  s("path", { class: "body", d: "M30 40H260V96H234V70H172V96H118V70H56V96H30z" }),
  s("path", { class: "body", d: "M30 102H56V128H118V102H172V128H234V102H260V158H30z" }),
  part("effective_length", "M43 56H138V142H43zM152 56H247V142H152z", "path", 87, 90),
  part("effective_area", "M118 80h54M118 85h54M118 90h54", "area", 203, 90),
  part("gap", "M20 96h250M20 102h250", "gap", 290, 103),
  part("joints", "M30 99h26M118 99h54M234 99h26", "joints", 145, 178),
];

const EFFECTIVE = () => [
  s("path", { class: "body", "fill-rule": "evenodd", d: "M60 40h180v130h-180zM100 78h100v54h-100z" }),
  part("effective_length", "M80 59h140v92h-140z", "effective length", 150, 55),
  part("effective_area", "M60 96h40M60 104h40M60 112h40", "area", 40, 108),
  part("joints", "M200 105h40", "joints", 264, 109),
  part("gap", "M200 101h40M200 109h40"),
];

const ROD = () => [
  s("rect", { class: "body", x: 30, y: 84, width: 250, height: 42 }),
  s("path", { class: "coil", d: "M95 76v58M111 76v58M127 76v58M143 76v58M159 76v58M175 76v58M191 76v58M207 76v58" }),
  s("path", { class: "thin", d: "M30 126v66M280 126v66M88 76v-42M214 76v-42M280 84h28M280 126h28" }),
  measure("length", 30, 186, 280, 186, "rod length", 155, 202),
  measure("diameter", 300, 84, 300, 126, "rod", 300, 76),
  measure("coil_length", 88, 42, 214, 42, "coil length", 150, 34),
  measure("coil_diameter", 60, 74, 60, 136, "coil", 60, 152),
  part("empty_coil_inductance", "M88 72h126v66h-126z"),
];

const DRAWINGS = {
  ring: () => ringLike([232, 33, 44, 144], "height"),
  sleeve: () => ringLike([204, 57, 104, 96], "length"),
  "two-hole": TWO_HOLE,
  pair: PAIR,
  effective: EFFECTIVE,
  rod: ROD,
};

const SAID = {
  ring: "A ring from the front, with its outer and inner diameter, and from the side, with its height.",
  sleeve: "A sleeve from the front, with its outer and inner diameter, and from the side, with its length along the hole.",
  "two-hole": "A core with two holes from the front, with width, thickness, hole diameter and hole spacing, and from the side, with its length along the holes.",
  pair: "Two halves set together, with the magnetic path through them, its area, the joints and the gap between them.",
  effective: "A closed core with its effective length along the path and its effective area across it.",
  rod: "A rod inside a coil, with the lengths and diameters of both.",
};

// C1 is length over area, C2 length over area squared (IEC 60205, from memory)
const MEANT = { c1: ["effective_length", "effective_area"], c2: ["effective_length", "effective_area"] };

/** Return the drawing of a shape. */
export function drawing(shape) {
  return s("svg", { viewBox: "0 0 330 220", class: "drawing", role: "img", "aria-label": SAID[shape] }, DRAWINGS[shape]());
}

/** Light up what a field means. */
export function light(svg, key) {
  const lit = MEANT[key] ?? [key];
  for (const group of svg.querySelectorAll("[data-key]")) group.classList.toggle("lit", lit.includes(group.dataset.key));
}
