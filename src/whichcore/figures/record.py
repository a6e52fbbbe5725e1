"""A raw record with its fit and what is left over."""

from __future__ import annotations

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure

from whichcore.analysis.types import Capture, Phasors
from whichcore.figures.style import BLUE, VERMILION, dress, legend_row, theme, wrapped
from whichcore.wording import quantity


def record_figure(
    capture: Capture, phasors: Phasors, *, dark: bool = False, width_in: float = 7.0, periods: float = 3.0
) -> Figure:
    """Draw a raw record: both voltages with the fitted tone, folded into one period, and what is left over.

    Parameters
    ----------
    capture : Capture
    phasors : Phasors
        The fit of this very record.
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.
    periods : float
        How much of the record the upper panels show.
    """
    colours = theme(dark)
    time_s = np.arange(capture.samples.shape[1]) * capture.interval_s
    middle_s = phasors.reference_time_s - capture.start_time_s
    turn = np.exp(2j * np.pi * phasors.frequency_hz * (time_s - middle_s))
    shown = time_s <= periods / phasors.frequency_hz
    figure = Figure(figsize=(width_in, 0.95 * width_in), layout="constrained", facecolor=colours.paper)
    title = f"Raw record at {quantity(phasors.frequency_hz, 'Hz', 6)}, {capture.samples.shape[1]} samples"
    figure.suptitle(wrapped(title, width_in, size=11.0), x=0.01, ha="left", color=colours.ink, fontsize=11)
    panels = figure.subplots(4, 1, height_ratios=(2, 1, 2, 1))
    handles: dict[str, Artist] = {}
    for c, name in enumerate("AB"):
        volts = capture.samples[c] * capture.volts_per_code[c] + capture.offset_v[c]
        fit = np.real(phasors.phasor_vpk[c] * turn) + phasors.dc_v[c]
        upper, lower = panels[2 * c], panels[2 * c + 1]
        (handles["samples"],) = upper.plot(
            1e6 * time_s[shown], 1e3 * volts[shown], ".", color=colours.ink, markersize=2.2, zorder=2
        )
        (handles["fitted tone"],) = upper.plot(
            1e6 * time_s[shown], 1e3 * fit[shown], color=BLUE, linewidth=1.2, zorder=3
        )
        (handles["left over, whole record, by place in the period"],) = lower.plot(
            np.degrees(np.angle(turn)),
            1e3 * (volts - fit),
            ".",
            color=VERMILION,
            markersize=1.2,
            rasterized=True,
        )
        step = capture.volts_per_code[c] * 1e3
        upper.set_ylabel(f"{name} (mV)")
        upper.set_xlabel("time (µs)")
        lower.set_ylabel("rest (mV)")
        lower.set_xlabel(f"place in the period (°); one step of the converter is {step:.3g} mV")
        lower.set_xlim(-180, 180)
        lower.set_xticks(range(-180, 181, 60))
        for panel in (upper, lower):
            dress(panel, colours)
    legend_row(figure, handles, colours, width_in)
    return figure
