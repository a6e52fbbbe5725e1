"""The probabilities of a verdict as bars."""

from __future__ import annotations

from collections.abc import Mapping

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from whichcore.analysis.verdict import Verdict
from whichcore.figures.style import BLUE, VERMILION, Theme, dress, legend_row, theme, wrapped
from whichcore.wording import percent

BARS_SHOWN = 8
#: Least probability whose bar shows its pattern.
_SEEN = 0.01
_KINDS = {"named": "named by the verdict", "other": "not named"}
# fill, hatch
BAR_STYLES = {
    "named": (BLUE, ""),
    "other": (None, "///"),
    "rest": (None, "..."),
    "none": (VERMILION, "xxx"),
}


def candidates_figure(
    verdict: Verdict, names: Mapping[str, str], title: str, *, dark: bool = False, width_in: float = 7.0
) -> Figure:
    """Draw the probabilities as bars: the best candidates, all the others together, and none of these.

    Parameters
    ----------
    verdict : Verdict
    names : mapping of str to str
        Names of materials by id; an id without a name stands for itself.
    title : str
    dark : bool
        For a dark page.
    width_in : float
        Width in inches; 4 suits a phone.
    """
    colours = theme(dark)
    rows = _bar_rows(verdict, names)
    heading = wrapped(title, width_in, size=11.0)
    lines = [wrapped(label, width_in, size=9.0) for label, _, _ in rows]
    heights = [0.36 + 0.16 * (text.count("\n") + 1) for text in lines]
    # a bar too short to show its pattern needs no legend
    seen = {kind for _, probability, kind in rows if probability >= _SEEN}
    kinds = {kind: text for kind, text in _KINDS.items() if kind in seen} if "named" in seen else {}
    others = 0.75 + 0.2 * (heading.count("\n") + 1) + 0.45 * bool(kinds)
    figure = Figure(figsize=(width_in, sum(heights) + others), layout="constrained", facecolor=colours.paper)
    figure.suptitle(heading, x=0.01, ha="left", color=colours.ink, fontsize=11, parse_math=False)
    panel = figure.add_subplot()
    foot = 0.0
    for (_, probability, kind), text, height in zip(rows, lines, heights, strict=True):
        foot += height
        _bar(panel, foot - 0.14, 100 * probability, kind, colours)
        panel.text(0.5, foot - 0.29, text, va="bottom", color=colours.ink, fontsize=9, parse_math=False)
    panel.set_ylim(foot + 0.1, 0)
    panel.set_xlim(0, 100)
    panel.set_yticks([])
    panel.set_xlabel("probability (%)")
    dress(panel, colours)
    if kinds:
        legend_row(figure, {text: _patch(kind, colours) for kind, text in kinds.items()}, colours, width_in)
    return figure


def _bar_rows(verdict: Verdict, names: Mapping[str, str]) -> list[tuple[str, float, str]]:
    """Return label, probability and kind of each bar, the best first and what is not on any list last."""
    ranked = sorted(verdict.candidates, key=lambda candidate: -candidate.probability)
    best, rest = ranked[:BARS_SHOWN], ranked[BARS_SHOWN:]
    rows = [
        (
            f"{rank}: {names.get(candidate.material, candidate.material)}, {percent(candidate.probability)}",
            candidate.probability,
            "named" if candidate.material in verdict.materials else "other",
        )
        for rank, candidate in enumerate(best, start=1)
    ]
    if rest:
        together = sum(candidate.probability for candidate in rest)
        label = f"the other {len(rest)} together" if len(rest) > 1 else "the other one"
        rows.append((f"{label}, {percent(together)}", together, "rest"))
    none = verdict.unlisted_probability
    rows.append((f"none of these, {percent(none)}", none, "none"))
    return rows


def _patch(kind: str, colours: Theme) -> Patch:
    fill, hatch = BAR_STYLES[kind]
    return Patch(facecolor=fill or colours.quiet, hatch=hatch, edgecolor=colours.ink, linewidth=0.8)


def _bar(panel: Axes, middle: float, width: float, kind: str, colours: Theme) -> None:
    fill, hatch = BAR_STYLES[kind]
    panel.barh(
        middle, width, height=0.24, color=fill or colours.quiet, hatch=hatch, edgecolor=colours.ink,
        linewidth=0.8,
    )  # fmt: skip
