"""``whichcore records compare``."""

from __future__ import annotations

import click
import numpy as np

from whichcore.cli.options import reporting, store_option
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Heading, Lines, page
from whichcore.records import Comparison, compare_sweeps, open_store
from whichcore.wording import fixed, quantity

FORMAT = "whichcore-records-comparison/1"
SHOWN = 12


@click.command()
@click.argument("first", metavar="ID")
@click.argument("second", metavar="ID")
@store_option
@reporting
@click.pass_obj
def command(session: Session, /, first: str, second: str, address: str | None) -> None:
    """Compare two kept sweeps, each named by its ID, at their common frequencies.

    The ratio of the impedances is held against its uncertainty; what both owe to one calibration cancels. A
    share of 1 is what 95 of 100 pairs of equal cores stay within, at one frequency.
    """
    with open_store(address, make=False) as store:
        compared = compare_sweeps(store, first, second)
    session.deliver(lambda: _report(compared), lambda: _text(compared))


def _report(compared: Comparison) -> dict[str, object]:
    difference = compared.difference
    return {
        "format": FORMAT,
        "first": compared.first.id,
        "second": compared.second.id,
        "frequency_hz": difference.frequency_hz.tolist(),
        "ratio_real": difference.ratio.real.tolist(),
        "ratio_imag": difference.ratio.imag.tolist(),
        "u_relative": difference.u_relative.tolist(),
        "u_angle_rad": difference.u_angle_rad.tolist(),
        "share": difference.share.tolist(),
    }


def _text(compared: Comparison) -> str:
    difference, one, other = compared.difference, compared.first, compared.second
    count = difference.frequency_hz.size
    shown = np.unique(np.linspace(0, count - 1, min(SHOWN, count)).round().astype(int))
    rows = tuple(
        (
            quantity(float(difference.frequency_hz[k]), "Hz"),
            f"{fixed(100 * (abs(difference.ratio[k]) - 1), 2, signed=True)} ± "
            f"{fixed(100 * difference.u_relative[k], 2)} %",
            f"{fixed(1e3 * float(np.angle(difference.ratio[k])), 2, signed=True)} ± "
            f"{fixed(1e3 * difference.u_angle_rad[k], 2)} mrad",
            fixed(difference.share[k], 2),
        )
        for k in shown
    )
    beyond = int(np.sum(difference.share > 1))
    return page(
        [
            Heading(f"{one.title} ({one.short_id}) against {other.title} ({other.short_id})"),
            Grid(("frequency", "|Z|", "angle", "share"), rows, frozenset({"|Z|", "angle", "share"})),
            Lines(
                (
                    f"{count} common frequencies; {beyond} beyond what 95 of 100 equal pairs stay within, "
                    f"where {round(0.1 * count)} or fewer are to be expected of equal cores.",
                )
            ),
        ]
    )
