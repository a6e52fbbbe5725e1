"""Waveform files as scopes and recorders write them, made from a circuit that is worked out by hand.

Source of 50 Ω, channel A at the top of the specimen, shunt of 10 Ω with 5 nH and 70 pF at channel B to
ground; the channels differ in gain and delay. Voltages are those of the plain voltage divider (analytic).
"""

import numpy as np

SHUNT_OHM, SHUNT_H, SHUNT_F = 10.0, 5e-9, 70e-12
EMF_V, SOURCE_OHM = 1.0, 50.0
LEADS_OHM, LEADS_H, STRAY_F = 0.05, 60e-9, 4e-12
GAINS = (1.0, 1.013)
DELAYS_S = (0.0, 1.1e-9)


def shunt(frequency_hz):
    jw = 2j * np.pi * np.asarray(frequency_hz, dtype=float)
    return 1 / (1 / (SHUNT_OHM + jw * SHUNT_H) + jw * SHUNT_F)


def voltages(impedance, frequency_hz, *, fixture=True):
    """Peak phasors of A and B as the channels read them; ``fixture`` adds leads and stray capacitance."""
    jw = 2j * np.pi * frequency_hz
    z = impedance
    if fixture:
        with np.errstate(divide="ignore", invalid="ignore"):
            z = LEADS_OHM + jw * LEADS_H + (1 / (jw * STRAY_F + (1 / z if z else np.inf)) if z else 0)
    below = shunt(frequency_hz)
    current = EMF_V / (SOURCE_OHM + z + below)
    nodes = (current * (z + below), current * below)
    return [v * gain * np.exp(-jw * delay) for v, gain, delay in zip(nodes, GAINS, DELAYS_S, strict=True)]


def rounded_up(vpk):
    """Full scale of ±4 divisions of a 1-2-5 row, V per division."""
    for exponent in range(-4, 3):
        for digit in (1, 2, 5):
            if 3.9 * digit * 10.0**exponent >= vpk:
                return digit * 10.0**exponent
    raise AssertionError(vpk)


def record(phasors, frequency_hz, *, per_division, periods=12.3, samples=2500, noise=0.4, rng=None):
    """Return time and two channels on 8-bit steps; ``noise`` in steps, rms."""
    rng = np.random.default_rng(1) if rng is None else rng
    time = np.arange(samples) * float(f"{periods / frequency_hz / samples:.3g}")
    rows = []
    for v, scale in zip(phasors, per_division, strict=True):
        step = scale * 10 / 256
        wave = (v * np.exp(2j * np.pi * frequency_hz * time)).real / step + rng.normal(0, noise, samples)
        rows.append(np.clip(np.round(wave), -128, 127) * step)
    return time, rows


def write_two_columns(path, time, rows, *, per_division=None, line_end="\n"):
    """Lines of word and value, a line of names, a line of units, one row per sample, a blank last column."""
    head = [f"Record length,{len(time)}", f"Sample interval,{time[1] - time[0]:.6e}"]
    if per_division is not None:
        head.append(f"Vertical scale,{per_division[0]:g},{per_division[1]:g}")
    head += ["", "Time,CH1,CH2,", "s,V,V,"]
    body = [f"{t:.6e},{a:.5e},{b:.5e}," for t, a, b in zip(time, *rows, strict=True)]
    path.write_text(line_end.join([*head, *body]) + line_end, encoding="utf-8", newline="")


def save(folder, name, impedance, frequency_hz, *, per_division=None, **more):
    """Save one frequency of one part as a file; returns its settings."""
    phasors = voltages(impedance, frequency_hz)
    scale = per_division or tuple(rounded_up(abs(v)) for v in phasors)
    folder.mkdir(parents=True, exist_ok=True)
    time, rows = record(phasors, frequency_hz, per_division=scale, **more)
    write_two_columns(folder / name, time, rows, per_division=scale)
    return scale
