// From what the server tells to the series of a chart.

export const MU_PANELS = [{ key: "real", label: "μ′" }, { key: "imag", label: "μ″" }];
export const Z_PANELS = [{ key: "size", label: "|Z| in Ω", unit: "Ω" }, { key: "angle", label: "phase in degrees", unit: "°", linear: true }];

/** Return μ′ and μ″ of one curve. */
export function muSeries(curve, name, look, points = false) {
  const both = (panel, sign, y, u) => ({ name: name ? `${sign} ${name}` : sign, group: name || sign, panel, look, points, x: curve.frequency_hz, y, u });
  return [both("real", "μ′", curve.mu_real, curve.u_real), both("imag", "μ″", curve.mu_imag, curve.u_imag)];
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
