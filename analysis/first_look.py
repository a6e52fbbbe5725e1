"""Which branches of which materials are worth full evaluation.

Every branch of every material is first looked at with the widest amplitude of deviation alone, at every
fourth corner shift. What comes near the best is then evaluated in full, at the corner shifts that the look
found worth it. What does not is too improbable to count, and keeps what the look gave it
(docs/decisions/0014-a-first-look.md).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.curve_table import SHIFTS
from whichcore.analysis.types import FloatArray

#: Corner shifts of the look.
FIRST_LOOK = slice(1, None, 4)
#: Branches, and corner shifts within one, whose first look lies further below the best, in ln, are not
#: evaluated in full.
HOPELESS = 20.0
#: So many are evaluated in full and explained, however far below the best they are; a material whose section
#: matters counts twice.
EXPLAINED = 12
#: So many of each cube are evaluated in full: a look says less of materials that deviate by more.
_OF_EACH_KIND = 3
#: Log evidence of what is ruled out or not evaluated.
IMPOSSIBLE = -1e6


def shifts_worth(joint: FloatArray) -> NDArray[np.bool_]:
    """Tell which corner shifts lie near the best one of a look, or beside one that does.

    Parameters
    ----------
    joint : float array (T, A, M, L, J)
        Log of likelihood and prior at the L shifts of the look.

    Returns
    -------
    bool array (M, S)
        Over all corner shifts.
    """
    best = joint.max(axis=(0, 1, 4))
    near = best > best.max(axis=1, keepdims=True) - HOPELESS
    beside = near.copy()
    beside[:, 1:] |= near[:, :-1]
    beside[:, :-1] |= near[:, 1:]
    places = np.arange(SHIFTS.size)
    return np.asarray(beside[:, np.abs(places[:, None] - places[FIRST_LOOK]).argmin(axis=1)])


def worth_full(best: FloatArray, beside: FloatArray) -> NDArray[np.bool_]:
    """Tell which branches come near the best of all, or belong to one of the best materials.

    Parameters
    ----------
    best : float array (G, M)
        What the look gave the branches of M materials.
    beside : float array
        What it gave other materials that they are compared with.

    Returns
    -------
    bool array (G, M)
    """
    own = best.max(axis=0)
    order = np.sort(np.append(own, beside))
    shown = own >= min(order[-EXPLAINED:][0], np.sort(own)[-_OF_EACH_KIND:][0])
    return np.asarray(best > np.where(shown, own, order[-1]) - HOPELESS)
