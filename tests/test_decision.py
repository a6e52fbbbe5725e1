"""The rule of the answer: material, else group, else unlisted, else class, else undecided."""

import numpy as np
import pytest

from whichcore.analysis.decision import decide
from whichcore.analysis.verdict import VerdictKind

CLASSES = ["MnZn", "MnZn", "NiZn", "NiZn"]
SPEAKING = np.zeros(4, dtype=bool)


@pytest.mark.parametrize(
    ("listed", "unlisted", "equivalents", "kind", "members", "probability", "material_class"),
    [
        ([0.80, 0.10, 0.05, 0.00], 0.05, [0], VerdictKind.MATERIAL, (0,), 0.80, "MnZn"),
        ([0.79, 0.10, 0.05, 0.00], 0.06, [0, 1], VerdictKind.GROUP, (0, 1), 0.89, "MnZn"),
        ([0.50, 0.10, 0.31, 0.04], 0.05, [0, 2, 1], VerdictKind.GROUP, (0, 2), 0.81, None),
        ([0.60, 0.15, 0.20, 0.00], 0.05, [0, 2], VerdictKind.GROUP, (0, 2), 0.80, None),
        ([0.70, 0.12, 0.15, 0.00], 0.03, [0, 2], VerdictKind.GROUP, (0, 2), 0.85, "MnZn"),
        ([0.30, 0.10, 0.05, 0.05], 0.50, [0], VerdictKind.UNLISTED, (), 0.50, None),
        ([0.45, 0.40, 0.05, 0.05], 0.05, [0], VerdictKind.CLASS, (0, 1), 0.85, "MnZn"),
        ([0.40, 0.15, 0.30, 0.05], 0.10, [0], VerdictKind.UNDECIDED, (), 0.40, None),
        ([0.02, 0.01, 0.08, 0.79], 0.10, [3], VerdictKind.CLASS, (3, 2), 0.87, "NiZn"),
    ],
)
def test_rule(  # noqa: PLR0917 - one row of the table
    listed, unlisted, equivalents, kind, members, probability, material_class
):
    decision = decide(np.array(listed), {"other": unlisted}, CLASSES, equivalents, SPEAKING)
    assert decision.kind is kind
    assert decision.members == members
    assert decision.probability == pytest.approx(probability)
    assert decision.material_class == material_class


def test_a_group_takes_no_more_members_than_it_needs():
    decision = decide(np.array([0.5, 0.35, 0.1, 0.05]), {"MnZn": 0.0}, CLASSES, iter([0, 1, 2, 3]), SPEAKING)
    assert decision.members == (0, 1)


@pytest.mark.parametrize(
    ("by_class", "material_class"),
    [
        ({"MnZn": 0.50, "NiZn": 0.10}, "MnZn"),
        ({"MnZn": 0.45, "NiZn": 0.15}, None),
        ({"other": 0.55, "NiZn": 0.05}, None),
    ],
)
def test_an_unlisted_material_may_have_a_class(by_class, material_class):
    decision = decide(np.array([0.2, 0.1, 0.05, 0.05]), by_class, CLASSES, [0], SPEAKING)
    assert decision.kind is VerdictKind.UNLISTED
    assert decision.material_class == material_class


def test_unlisted_grades_of_a_class_speak_for_it():
    listed = np.array([0.50, 0.10, 0.08, 0.00])
    decision = decide(listed, {"MnZn": 0.30, "NiZn": 0.02}, CLASSES, [0], SPEAKING)
    assert (decision.kind, decision.members, decision.material_class) == (VerdictKind.CLASS, (0, 1), "MnZn")
    assert decision.probability == pytest.approx(0.9)
    undecided = decide(listed, {"MnZn": 0.10, "NiZn": 0.22}, CLASSES, [0], SPEAKING)
    assert undecided.kind is VerdictKind.UNDECIDED


def test_what_the_data_say_nothing_of_speaks_for_no_class():
    silent = np.array([True, False, False, False])
    listed = np.array([0.50, 0.35, 0.05, 0.00])
    assert decide(listed, {"MnZn": 0.1}, CLASSES, [0], silent).kind is VerdictKind.UNDECIDED
    decision = decide(np.array([0.10, 0.70, 0.05, 0.00]), {"MnZn": 0.15}, CLASSES, [1], silent)
    assert (decision.kind, decision.members) == (VerdictKind.CLASS, (1,))
    assert decision.probability == pytest.approx(0.85)
