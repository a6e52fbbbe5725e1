// From what the server tells to the series of a chart.

export const MU_PANELS = [{ key: "real", label: "μ′" }, { key: "imag", label: "μ″" }];
export const Z_PANELS = [{ key: "size", label: "|Z| in Ω", unit: "Ω" }, { key: "angle", label: "phase in degrees", unit: "°", linear: true }];

/** Return μ′ and μ″ of one curve. */
export function muSeries(curve, name, look, points = false) {
  const both = (panel, sign, y, u) => ({ name: name ? `${sign} ${name}` : sign, group: name || sign, panel, look, points, x: curve.frequency_hz, y, u });
  return [both("real", "μ′", curve.mu_real, curve.u_real), both("imag", "μ″", curve.mu_imag, curve.u_imag)];
}

/** Return the panel of measured over candidates, by the part of the permeability that decided. */
export function overPanel(part) {
  return { key: "over", label: `${part in PARTS ? part : "|μ|"}, measured over each of the nearest two`, unit: "%", linear: true };
}

// value and standard uncertainty of what decided; of a curve without uncertainty the second is nothing
const PARTS = {
  "μ′": (curve, i) => [curve.mu_real[i], curve.u_real?.[i]],
  "μ″": (curve, i) => [curve.mu_imag[i], curve.u_imag?.[i]],
};
const WIDEST = 50; // a ratio that is not known within so many percent, either way, says nothing and is left out

function whole(curve, i) {
  const size = Math.hypot(curve.mu_real[i], curve.mu_imag[i]);
  return [size, curve.u_real && Math.hypot(curve.mu_real[i] * curve.u_real[i], curve.mu_imag[i] * curve.u_imag[i]) / size];
}

/** Return by how much the measured values lie above a candidate, in percent, with the uncertainty. */
export function overSeries(measured, candidate, part, look) {
  const of = PARTS[part] ?? whole;
  const points = measured.frequency_hz.map((_, i) => {
    const [value, u] = of(measured, i);
    const [fitted] = candidate.mu_real[i] === null ? [NaN] : of(candidate, i);
    const known = Number.isFinite(fitted) && fitted > 0 && (196 * u) / fitted <= WIDEST;
    return known ? [100 * (value / fitted - 1), (100 * u) / fitted] : [null, null];
  });
  return { name: `measured over ${candidate.name}`, group: candidate.name, panel: "over", look, points: true, x: measured.frequency_hz, y: points.map(([y]) => y), u: points.map(([, u]) => u) };
}

/** Return |Z| and phase of one curve; uncertainties where the curve has them. */
export function zSeries(curve, name, look, points = false) {
  const size = curve.z_real.map((re, i) => Math.hypot(re, curve.z_imag[i]));
  const angle = curve.z_real.map((re, i) => (180 / Math.PI) * Math.atan2(curve.z_imag[i], re));
  const u = curve.u_z;
  const uSize = u && size.map((z, i) => Math.hypot(curve.z_real[i] * u[i][0], curve.z_imag[i] * u[i][1]) / z);
  const uAngle = u && size.map((z, i) => (180 / Math.PI) * Math.hypot(curve.z_imag[i] * u[i][0], curve.z_real[i] * u[i][1]) / z ** 2);
  const both = (panel, sign, y, uy) => ({ name: name ? `${sign} ${name}` : sign, group: name || sign, panel, look, points, x: curve.frequency_hz, y, u: uy });
  return [both("size", "|Z|", size, uSize), both("angle", "phase", angle, uAngle)];
}

/** Return the curves of a sweep from its live points, sorted by frequency, a later point for an earlier one. */
export function livePoints(events) {
  const by = new Map();
  for (const event of events) if (event.type === "point") by.set(event.index, event);
  const points = [...by.values()].sort((a, b) => a.frequency_hz - b.frequency_hz);
  const pick = (name, i) => points.map((point) => point[name][i]);
  return {
    count: points.length,
    total: points.length ? points[0].count : 0,
    frequency_hz: points.map((point) => point.frequency_hz),
    z_real: pick("z", 0), z_imag: pick("z", 1), u_z: points.map((point) => point.u_z),
    mu_real: pick("mu", 0), mu_imag: pick("mu", 1), u_real: pick("u_mu", 0), u_imag: pick("u_mu", 1),
    flux: points.map((point) => point.flux_density_t),
  };
}
