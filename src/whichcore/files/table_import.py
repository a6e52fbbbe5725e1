"""Bringing in a table that the user typed, exported or traced from a data sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypedDict, Unpack

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import InputError
from whichcore.files.table_columns import LOSS_ROLES, Column, Role, column_of, frequency_factor
from whichcore.files.table_reading import RawTable, read_raw_table

#: A loss tangent beyond this is no material's: the numbers are in another scale than stated.
LARGEST_TAN_DELTA = 1e3


class ImportHints(TypedDict, total=False):
    """What the user may say about a table.

    Attributes
    ----------
    frequency_unit : str
        Hz, kHz, MHz or GHz, where the table does not say it.
    columns : sequence of str
        What each column holds, in order: frequency, mu_real, mu_imag, tan_delta, tan_delta_over_mu, skip.
    decimal_comma : bool
        True when commas are the decimal sign.
    loss_table : str or Path
        A second file with the loss on a grid of its own.
    loss_frequency_unit : str
        Unit of the frequencies of that second file; as ``frequency_unit`` when not given.
    loss_columns : sequence of str
        As ``columns``, for the second file.
    """

    frequency_unit: str
    columns: Sequence[str]
    decimal_comma: bool
    loss_table: str | Path
    loss_frequency_unit: str
    loss_columns: Sequence[str]


@dataclass(frozen=True, slots=True)
class ImportedCurve:
    """A curve out of a table.

    Attributes
    ----------
    frequency_hz : float array (F,)
        Strictly rising.
    permeability : complex array (F,)
        μ = μ′ − jμ″.
    notes : tuple of str
        Everything that was done to the numbers.
    """

    frequency_hz: FloatArray
    permeability: ComplexArray
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Columns:
    """Columns of one file by role, sorted by frequency."""

    path: Path
    frequency_hz: FloatArray
    values: dict[Role, FloatArray]
    lines: tuple[int, ...]
    notes: list[str]


def import_table(path: str | Path, **hints: Unpack[ImportHints]) -> ImportedCurve:
    """Read a table of permeability over frequency as data sheets and curve tracers give it.

    Parameters
    ----------
    path : str or Path
    **hints : ImportHints
        Said by the user where the table does not say it.

    Returns
    -------
    ImportedCurve
        With a note for each thing done. The loss is taken from μ″, from tan δ = μ″/μ′, or from the relative
        loss factor (tan δ)/μ = μ″/μ′² (from memory), with the μ′ of the table at each frequency.

    Raises
    ------
    InputError
        The unit of frequency is not stated, a column is not recognised, the loss changes its sign, μ′ and μ″
        look exchanged, or the table cannot be read.
    """
    comma = hints.get("decimal_comma")
    main = _columns(
        read_raw_table(Path(path), decimal_comma=comma), hints.get("columns"), hints.get("frequency_unit")
    )
    notes = list(main.notes)
    if "loss_table" in hints:
        unit = hints.get("loss_frequency_unit", hints.get("frequency_unit"))
        raw = read_raw_table(Path(hints["loss_table"]), decimal_comma=comma)
        second = _columns(raw, hints.get("loss_columns"), unit)
        notes += [f"loss file: {note}" for note in second.notes]
        main = _join(main, second, notes)
    real = _needed(main, (Role.MU_REAL,), "mu_real")
    role = _loss_role(main)
    loss = _turn_sign(main, main.values[role], notes)
    imag = _loss(main, role, real, loss, notes)
    if "columns" not in hints:
        _check_exchanged(main, real, imag)
    return ImportedCurve(main.frequency_hz, real - 1j * imag, tuple(notes))


def _columns(raw: RawTable, stated: Sequence[str] | None, unit: str | None) -> _Columns:
    found = _stated_columns(raw, stated) if stated is not None else _named_columns(raw)
    roles = [column.role for column in found if column.role is not Role.SKIP]
    for role in roles:
        if roles.count(role) > 1:
            raise InputError(
                f"two columns were read as {role.value}",
                where=str(raw.path),
                got=", ".join(raw.names),
                next_step='say what each column holds, columns=["frequency", "mu_real", "mu_imag", "skip"]; '
                "curves on two grids go into two files, loss_table=…",
            )
    if Role.FREQUENCY not in roles:
        raise InputError("there is no column of frequency", where=str(raw.path), got=", ".join(raw.names))
    numbers = np.array(raw.rows)
    notes = list(raw.notes)
    factor = _frequency_factor(raw, found[[c.role for c in found].index(Role.FREQUENCY)], unit, notes)
    values: dict[Role, FloatArray] = {}
    for index, column in enumerate(found):
        if column.role is Role.SKIP:
            notes.append(f"column {index + 1} left out")
            continue
        scale = factor if column.role is Role.FREQUENCY else column.factor or 1.0
        if column.role is not Role.FREQUENCY and scale != 1.0:
            notes.append(f"{column.role.value} multiplied by {scale:g} as its name says")
        if raw.names:
            notes.append(f"column {raw.names[index]!r} read as {column.role.value}")
        values[column.role] = numbers[:, index] * scale
    return _sorted(raw, values, notes)


def _stated_columns(raw: RawTable, stated: Sequence[str]) -> list[Column]:
    allowed = [role.value for role in Role]
    for word in stated:
        if word not in allowed:
            raise InputError("unknown kind of column", where="columns", got=word, allowed=", ".join(allowed))
    if len(stated) != len(raw.rows[0]):
        raise InputError(
            "not each column of the table is named",
            where="columns",
            got=f"{len(stated)} names",
            allowed=f"{len(raw.rows[0])}, with skip for those to be left out",
        )
    named = [column_of(name) for name in raw.names] or [None] * len(stated)
    found = []
    for word, name in zip(stated, named, strict=True):
        # the user says what a column is; its unit may still stand in its name
        same = name is not None and name.role == word
        factor = name.factor if same and name else None if word == Role.FREQUENCY else 1.0
        found.append(Column(Role(word), factor))
    return found


def _named_columns(raw: RawTable) -> list[Column]:
    step = 'say what each column holds: columns=["frequency", "mu_real", "mu_imag"], with "skip" for others'
    if not raw.names:
        raise InputError("the table has no line of column names", where=str(raw.path), next_step=step)
    found = []
    for name in raw.names:
        column = column_of(name)
        if column is None:
            raise InputError(
                "a column was not recognised",
                where=str(raw.path),
                got=name or "a column without a name",
                allowed="frequency with its unit, mu', mu'', tan delta, tan delta/mu",
                next_step=step,
            )
        found.append(column)
    return found


def _frequency_factor(raw: RawTable, column: Column, unit: str | None, notes: list[str]) -> float:
    stated = frequency_factor(unit) if unit is not None else None
    if column.factor is None and stated is None:
        raise InputError(
            "the table does not say the unit of its frequencies, and it is not guessed",
            where=str(raw.path),
            allowed="Hz, kHz, MHz, GHz",
            next_step='say it, frequency_unit="kHz" (on the command line --frequency-unit kHz)',
        )
    if column.factor is not None and stated is not None and column.factor != stated:
        raise InputError(
            "the unit of frequency in the table is not the one that was said",
            where=str(raw.path),
            got=f"{unit}",
            allowed=f"the table's own unit of {column.factor:g} Hz",
            next_step="leave the unit out, or correct the table",
        )
    factor = column.factor if column.factor is not None else stated or 1.0
    notes.append(
        f"frequency in units of {factor:g} Hz, " + ("as the table says" if column.factor else "as said")
    )
    return factor


def _sorted(raw: RawTable, values: dict[Role, FloatArray], notes: list[str]) -> _Columns:
    frequency = values.pop(Role.FREQUENCY)
    if (bad := np.flatnonzero(frequency <= 0)).size:
        raise InputError(
            "a frequency must be positive",
            where=f"{raw.path}, line {raw.lines[bad[0]]}",
            got=f"{frequency[bad[0]]:g} Hz",
        )
    order = np.argsort(frequency, kind="stable")
    if np.any(np.diff(order) < 0):
        notes.append("rows sorted by frequency")
    frequency = frequency[order]
    if (same := np.flatnonzero(np.diff(frequency) == 0)).size:
        raise InputError(
            "a frequency stands twice",
            where=f"{raw.path}, line {raw.lines[order[same[0] + 1]]}",
            got=f"{frequency[same[0]]:g} Hz",
            next_step="keep one of the rows",
        )
    if len(frequency) < 2:
        raise InputError("a curve has at least two points", where=str(raw.path), got="1 point")
    lines = tuple(raw.lines[index] for index in order)
    return _Columns(raw.path, frequency, {role: data[order] for role, data in values.items()}, lines, notes)


def _needed(columns: _Columns, roles: tuple[Role, ...], name: str) -> FloatArray:
    for role in roles:
        if role in columns.values:
            return columns.values[role]
    raise InputError(
        f"there is no column of {name}",
        where=str(columns.path),
        got=", ".join(role.value for role in columns.values),
        next_step="add it, or say what each column holds with columns=…",
    )


def _loss_role(columns: _Columns) -> Role:
    roles = [role for role in LOSS_ROLES if role in columns.values]
    if len(roles) == 1:
        return roles[0]
    raise InputError(
        "the loss must stand in the table once",
        where=str(columns.path),
        got=", ".join(role.value for role in roles) or "no column of loss",
        allowed="mu_imag, tan_delta or tan_delta_over_mu",
        next_step='keep one, the others are "skip" in columns=…'
        if roles
        else "add it, or name a file that holds it with loss_table=…",
    )


def _turn_sign(columns: _Columns, loss: FloatArray, notes: list[str]) -> FloatArray:
    negative = np.flatnonzero(loss < 0)
    if not negative.size:
        return loss
    if np.all(loss <= 0):
        notes.append("every loss was negative (the other sign convention); its sign is turned")
        return 0.0 - loss
    first = negative[0]
    line = f", line {columns.lines[first]}" if columns.lines else ""
    raise InputError(
        "the loss is negative in some rows and positive in others",
        where=f"{columns.path}{line}",
        got=f"{loss[first]:g} at {columns.frequency_hz[first]:g} Hz",
        allowed="one sign throughout",
        next_step="remove the broken rows",
    )


def _loss(columns: _Columns, role: Role, real: FloatArray, loss: FloatArray, notes: list[str]) -> FloatArray:
    if role is Role.MU_IMAG:
        return loss
    tan_delta = loss * real if role is Role.RELATIVE_LOSS else loss
    if (wild := np.flatnonzero(tan_delta > LARGEST_TAN_DELTA)).size:
        raise InputError(
            "the loss tangent is too large for any material; the numbers may be in units of 10^-6",
            where=str(columns.path),
            got=f"tan δ = {tan_delta[wild[0]]:.3g} at {columns.frequency_hz[wild[0]]:g} Hz",
            allowed=f"up to {LARGEST_TAN_DELTA:g}",
            next_step="write the scale into the column's name, tan delta/mu (10^-6)",
        )
    if np.any(real < 0):
        raise InputError(
            "a loss tangent says nothing where μ′ is negative",
            where=str(columns.path),
            next_step="leave out the rows above the resonance",
        )
    formula = "μ″ = (tan δ/μ)·μ′²" if role is Role.RELATIVE_LOSS else "μ″ = tan δ·μ′"
    notes.append(f"{formula}, with the μ′ of the table at each frequency")
    return np.asarray(tan_delta * real)


def _join(main: _Columns, second: _Columns, notes: list[str]) -> _Columns:
    """Bring two files onto the points of both within their common span, straight in ln f."""
    low = max(main.frequency_hz[0], second.frequency_hz[0])
    high = min(main.frequency_hz[-1], second.frequency_hz[-1])
    if low >= high:
        raise InputError(
            "the two files have no span of frequency in common",
            where=f"{main.path}, {second.path}",
            got=f"{main.frequency_hz[0]:g} to {main.frequency_hz[-1]:g} Hz and "
            f"{second.frequency_hz[0]:g} to {second.frequency_hz[-1]:g} Hz",
            next_step="check the units of frequency",
        )
    real = _needed(main, (Role.MU_REAL,), "mu_real")
    role = _loss_role(second)
    grid = np.union1d(main.frequency_hz, second.frequency_hz)
    inside = grid[(grid >= low) & (grid <= high)]
    lost = len(grid) - len(inside)
    notes.append(
        f"both files joined on {len(inside)} points from {low:g} to {high:g} Hz, interpolated straight "
        f"in ln f; {lost} points outside that span left out"
    )
    at = np.log(inside)
    values = {
        Role.MU_REAL: np.interp(at, np.log(main.frequency_hz), real),
        role: np.interp(at, np.log(second.frequency_hz), second.values[role]),
    }
    return _Columns(main.path, inside, values, (), [])


def _check_exchanged(columns: _Columns, real: FloatArray, imag: FloatArray) -> None:
    """Refuse columns of μ′ and μ″ that look exchanged.

    A material read from below its corner has μ″ < μ′. One read from above it may have μ″ > μ′, but then
    both fall. So μ″ above μ′ at the lowest frequency is suspect when μ′ rises from there by a fifth, or when
    μ″ stays within a tenth over the first octave, as only an initial permeability does.
    """
    if imag[0] <= real[0]:
        return
    octave = columns.frequency_hz <= 2 * columns.frequency_hz[0]
    flat = octave.sum() > 1 and np.ptp(imag[octave]) < 0.1 * imag[0]
    if flat or real.max() > 1.2 * real[0]:
        raise InputError(
            "the columns of μ′ and μ″ look exchanged",
            where=str(columns.path),
            got=f"μ′ = {real[0]:g}, μ″ = {imag[0]:g} at {columns.frequency_hz[0]:g} Hz",
            allowed="at low frequency μ″ is the smaller one",
            next_step="exchange them, or say what each column holds: "
            'columns=["frequency", "mu_imag", "mu_real"]',
        )
