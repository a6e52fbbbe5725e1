"""Candidates dropped at first look must be those that would not have counted."""

import numpy as np
import pytest

from identification import FREQUENCY, grade, grades, relaxation, ring, wound
from whichcore import identify
from whichcore.analysis import first_look
from whichcore.analysis.candidate_cube import CandidateCube

LIBRARY = grades(
    *(
        grade(f"{level:.0f} at {corner / 1e6:.1f} MHz", level, corner)
        for level in np.geomspace(1200, 6000, 8)
        for corner in np.geomspace(0.6e6, 6e6, 5)
    ),
    grade("stated section", 2300, 1.6e6, section_m=(5e-3, 10e-3)),
    grade("late", 2200, 2.2e6, frequency=np.geomspace(8e4, 3e7, 80)),
)
TRUTH = relaxation(2300, 1.8e6)
CASES = {
    "whole": TRUTH,
    "cracked": 1 / (1 / TRUTH + 5e-6 / 0.0628),
    "a turn too many": 1.21 * TRUTH,
    "none of these": 1 + 2299 / (1 + 1j * FREQUENCY / 4e5) ** 0.7,
}


@pytest.mark.parametrize("case", CASES)
def test_what_a_first_look_drops_would_not_have_counted(case, monkeypatch):
    """Against the judge that evaluates every branch at every shift: the same probabilities."""
    evaluated: list[int] = []
    piece = CandidateCube._piece

    def counted(self, members, node, near=None, **look):
        if near is not None:
            evaluated.append(int(near[members].sum()))
        return piece(self, members, node, near, **look)

    monkeypatch.setattr(CandidateCube, "_piece", counted)
    sweep = wound(CASES[case], noise=0.005)

    def judged():
        evaluated.clear()
        verdict = identify(ring(), sweep=sweep, library=LIBRARY)
        found = {c.material: c.probability for c in verdict.candidates}
        rest = verdict.unlisted_probability, verdict.gapped_probability, verdict.other_turns_probability
        return np.array([*(found[m.id] for m in LIBRARY.materials), *rest]), sum(evaluated)

    some, few = judged()
    monkeypatch.setattr(first_look, "HOPELESS", 1e9)
    every, many = judged()
    # exp(−20), times as many branches as there are: nothing that a verdict shows
    assert some == pytest.approx(every, abs=1e-5)
    assert few < 0.6 * many
