// From a place in a picture to frequency and value, and back; the server does the same, with the uncertainty.

import { typed } from "./numbers.js";

/** Return the value typed at a mark; throws a line where it cannot be read. */
export function markValue(axis, text) {
  if (axis === "horizontal") {
    const hz = typed(text, "Hz", "10 kHz");
    if (hz === null) throw new Error("A mark has no frequency yet.");
    return hz;
  }
  if (!text.trim() || !Number.isFinite(Number(text))) throw new Error(`A plain number was expected at a mark of the value axis; got ${text || "nothing"}.`);
  return Number(text);
}

/** Return {read, write}: pixels to [frequency, value] and back; null while marks are missing. */
export function mapping(axes) {
  const { horizontal: hor, vertical: ver } = axes;
  const marks = [...hor.marks, ...ver.marks];
  if (marks.some((mark) => !mark || !mark.value.trim())) return null;
  const [x1, x2, y1, y2] = marks;
  const u = [x2.x - x1.x, x2.y - x1.y];
  const v = [y2.x - y1.x, y2.y - y1.y];
  const det = u[0] * v[1] - u[1] * v[0];
  if (Math.abs(det) < 1e-9) return null;
  const solve = (px, py) => [(px * v[1] - py * v[0]) / det, (u[0] * py - u[1] * px) / det];
  let ends;
  try {
    ends = { hor: hor.marks.map((mark) => markValue("horizontal", mark.value)), ver: ver.marks.map((mark) => markValue("vertical", mark.value)) };
  } catch {
    return null;
  }
  const at = ([from, to], log, share) => (log ? from * (to / from) ** share : from + share * (to - from));
  const share = ([from, to], log, value) => (log ? Math.log(value / from) / Math.log(to / from) : (value - from) / (to - from));
  // the place of the origin of both axes: where a and b are zero together
  const shift = solve(y1.x - x1.x, y1.y - x1.y);
  return {
    read(x, y) {
      const [a] = solve(x - x1.x, y - x1.y);
      const [, b] = solve(x - y1.x, y - y1.y);
      return [at(ends.hor, hor.log, a), at(ends.ver, ver.log, b)];
    },
    write(frequency, value) {
      const a = share(ends.hor, hor.log, frequency);
      const b = share(ends.ver, ver.log, value) + shift[1];
      return [x1.x + a * u[0] + b * v[0], x1.y + a * u[1] + b * v[1]];
    },
  };
}
