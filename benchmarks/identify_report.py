"""Tables of the identification benchmark, made of its rows, and its gates."""

from __future__ import annotations

from collections.abc import Sequence
from string import ascii_uppercase
from typing import Any

import numpy as np

from verdict_scores import Row, column, error_of_first, first, over_grades, share, summary, within_three

FIRST_GATE, THREE_GATE, NEAR = 0.88, 0.98, 0.02
CALIBRATION_GATE, HONEST_GATE, WRONG_GATE = 0.03, 0.70, 0.05
#: A wrong name counts as sure from here, as the verdict rule has it.
SURE = 0.8
#: Two curves closer than this in ln μ, level and corner granted, are near twins: real cores of one grade
#: deviate as much.
TWIN = 0.05
GATED = ("random", "p0", "p1")
#: Gated likewise: grades taken out of the library, the sections of the others unknown or stated.
MISSING = ("absent", "own-absent")
#: Protocols in which a simple method is not what it is elsewhere: another L0 than it takes, or a whole sweep
#: where the judge has one reading.
NOT_COMPARABLE = {
    "section": ("nearest μi", "least squares"),
    "joined": ("nearest μi", "least squares"),
    "coated": ("nearest μi", "least squares"),
    "reading": ("least squares",),
}

Table = dict[str, Any]


def report(rows: Sequence[Row]) -> dict[str, Table]:
    """Return one table for each protocol, from the rows of all."""
    out = {}
    for name in dict.fromkeys(row["protocol"] for row in rows):
        judged = _of(rows, name, "judge")
        table: Table = {}
        if judged:
            taken_out = name in {"left-out", "absent", "novel", "own-absent", "own-novel"}
            table = _left_out(judged) if taken_out else _listed(judged)
        if judged and name in {"random", "cracked", "joined"}:
            table |= _gaps(judged)
        for key in [key for key in table if key.startswith(NOT_COMPARABLE.get(name, ()))]:
            del table[key]
        known = _of(rows, name, "known law")
        if known:
            table |= _beside(judged, known)
        out[name] = table
    return out


def _of(rows: Sequence[Row], protocol: str, by: str) -> list[Row]:
    return [row for row in rows if row["protocol"] == protocol and row["by"] == by]


def _listed(rows: list[Row]) -> Table:
    table: Table = summary(rows)
    inside = [row for row in rows if row["inside"]]
    outside = [row for row in rows if not row["inside"]]
    for label, part in (("corner in band", inside), ("corner above band", outside)):
        if part:
            table |= _short(label, part)
    for label in sorted({row["class"] for row in rows}):
        table |= _short(label, [row for row in rows if row["class"] == label])
    # the source families are the halves a verdict must not differ by; letters stand for their names
    for letter, label in zip(ascii_uppercase, sorted({_family(row) for row in rows}), strict=False):
        table |= _short(f"source {letter}", [row for row in rows if _family(row) == label])
    table |= {f"said {kind}": share(rows, lambda r, k=kind: r["kind"] == k) for kind in _kinds(rows)}
    table |= {
        "wrong name above 0.8": share(rows, lambda r: r["rank"] > 0 and r["first"] >= SURE),
        "unlisted above 0.5": share(rows, lambda r: r["unlisted"] > 0.5),
        "nearest μi first": share(rows, lambda r: r["nearest"] == 0),
        "nearest μi within three": share(rows, lambda r: r["nearest"] < 3),
        "least squares first": share(rows, lambda r: r["match"] == 0),
        "least squares within three": share(rows, lambda r: r["match"] < 3),
        "processor seconds, median": float(np.median(column(rows, "seconds"))),
    }
    return table


def _short(label: str, rows: list[Row]) -> Table:
    return {
        f"{label}: draws": len(rows),
        f"{label}: first": first(rows),
        f"{label}: within three": within_three(rows),
        f"{label}: calibration error": error_of_first(rows),
    }


def _family(row: Row) -> str:
    """Return the source a grade was read from."""
    return str(row["truth"].split("-")[1])


def _kinds(rows: list[Row]) -> list[str]:
    return sorted({row["kind"] for row in rows})


def _honest(row: Row) -> bool:
    return row["kind"] in {"unlisted", "class", "undecided"}


def _sure_of_wrong(row: Row) -> bool:
    return bool(row["first"] >= SURE)


def _left_out(rows: list[Row]) -> Table:
    table: Table = {
        "draws": len(rows),
        "unlisted, class or undecided": share(rows, _honest),
        "the same, interval": over_grades(rows, lambda part: share(part, _honest)),
        "wrong name above 0.8": share(rows, _sure_of_wrong),
        "wrong name, interval": over_grades(rows, lambda part: share(part, _sure_of_wrong)),
        "wrong name above 0.8 that is no near twin": share(
            rows, lambda r: _sure_of_wrong(r) and r["twin"] > TWIN
        ),
    }
    table |= {f"said {kind}": share(rows, lambda r, k=kind: r["kind"] == k) for kind in _kinds(rows)}
    told = [row for row in rows if row["said class"]]
    table["class said and right"] = share(told, lambda r: r["said class"] == r["class"])
    for label in sorted({row["class"] for row in rows}):
        part = [row for row in rows if row["class"] == label]
        table |= {
            f"{label}: draws": len(part),
            f"{label}: unlisted, class or undecided": share(part, _honest),
            f"{label}: wrong name above 0.8": share(part, _sure_of_wrong),
        }
    return table


def _gaps(rows: list[Row]) -> Table:
    """How a gap was met: told, the grade found all the same, left open, or taken for another grade."""
    named_wrong = [r for r in rows if r["rank"] > 0 and r["first"] >= SURE]
    table: Table = {
        "gap told (probability above 0.5)": share(rows, lambda r: r["gapped"] > 0.5),
        "grade right and sure": share(rows, lambda r: r["rank"] == 0 and r["first"] >= SURE),
        "grade open (group, class, unlisted, undecided)": share(rows, lambda r: r["kind"] != "material"),
        "another grade above 0.8": len(named_wrong) / len(rows),
        "another grade above 0.8, gap not told": sum(r["gapped"] <= 0.5 for r in named_wrong) / len(rows),
    }
    for low, high in ((2e-6, 5e-6), (5e-6, 10e-6), (10e-6, 20e-6)):
        part = [row for row in rows if low <= row["gap"] < high]
        if part:
            label = f"{low * 1e6:.0f} to {high * 1e6:.0f} µm"
            table |= {
                f"{label}: gap told": share(part, lambda r: r["gapped"] > 0.5),
                f"{label}: first": first(part),
                f"{label}: another grade above 0.8": share(
                    part, lambda r: r["rank"] > 0 and r["first"] >= SURE
                ),
            }
    return table


def _beside(judged: list[Row], known: list[Row]) -> Table:
    """Scores of the posterior that knows the law, and of the judge on the same draws."""
    table: Table = {f"known law: {key}": value for key, value in summary(known).items()}
    about = {row["k"]: row for row in judged}
    inside = [row for row in known if row["inside"]]
    own = [about[row["k"]] for row in inside if row["k"] in about]
    if own:
        table |= {
            "known law, corner in band: first": first(inside),
            "known law, corner in band: within three": within_three(inside),
            "judge on these: first": first(own),
            "judge on these: within three": within_three(own),
        }
    if "samples" in known[0]:
        table["known law: effective samples, median"] = float(np.median(column(known, "samples")))
    return table


def missed_gates(result: dict[str, Table]) -> list[str]:
    """Gates that the tables miss."""
    missed = []
    for name in GATED:
        table = result.get(name, {})
        missed += [f"{name}, {text}" for text in _missed_hits(table)]
    for name in (*GATED, "reading"):
        error = result.get(name, {}).get("calibration error", 0.0)
        if error > CALIBRATION_GATE:
            missed.append(f"{name}, calibration error {error:.3f} above {CALIBRATION_GATE}")
    for name in MISSING:
        table = result.get(name, {})
        if table.get("unlisted, class or undecided", 1.0) < HONEST_GATE:
            missed.append(f"{name}, unlisted, class or undecided below {HONEST_GATE}")
        if table.get("wrong name above 0.8", 0.0) > WRONG_GATE:
            missed.append(f"{name}, wrong name above 0.8 in more than {WRONG_GATE}")
    return missed


def _missed_hits(table: Table) -> list[str]:
    missed = []
    for score, gate in (("first", FIRST_GATE), ("within three", THREE_GATE)):
        reached = table.get(f"corner in band: {score}", 1.0)
        own = table.get(f"judge on these: {score}", 0.0)
        ceiling = table.get(f"known law, corner in band: {score}", 1.0)
        if reached < gate and own < ceiling - NEAR:
            missed.append(f"{score} {reached:.3f} below {gate}, and more than {NEAR} below {ceiling:.3f}")
    return missed
