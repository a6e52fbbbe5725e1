"""The parts a shop knows: a table of sizes and materials beside the library of the user."""

from __future__ import annotations

from pathlib import Path

from whichcore.analysis.own_parts import PIECE_TOLERANCE, SHAPE_DIMENSIONS, Part
from whichcore.errors import InputError
from whichcore.files.csv_table import Table, check_columns, csv_line, parse_table
from whichcore.files.library_folder import user_library_folder
from whichcore.files.text import create_text, did_you_mean, read_text, write_text
from whichcore.files.units import Dimension, parse_quantity

COLUMNS = ("part", "material", "count", "shape", "dimensions")
OPTIONAL = ("tolerance",)


def user_parts_file() -> Path:
    """Return the parts list of the user; it need not exist yet."""
    return user_library_folder() / "parts.csv"


def load_parts(path: str | Path) -> tuple[Part, ...]:
    """Read a parts list.

    Parameters
    ----------
    path : str or Path
        CSV with the columns part, material (id), count, shape, dimensions ("25 mm x 15 mm x 10 mm") and, if
        wanted, tolerance ("1 %", one standard deviation from piece to piece).

    Returns
    -------
    tuple of Part

    Raises
    ------
    InputError
        The file is missing or empty, a column is unknown or missing, or a row is no part; with its line.
    """
    table = parse_table(read_text(Path(path)), Path(path))
    check_columns(table, COLUMNS, (*COLUMNS, *OPTIONAL))
    return tuple(_part(table, row) for row in range(len(table.rows)))


def _part(table: Table, row: int) -> Part:
    line = table.lines[row]
    cell = {name: table.cells(name)[row] for name in table.columns}
    for name in ("part", "material"):
        if not cell[name]:
            raise InputError("the cell is empty", where=table.where(line, name), next_step="complete the row")
    if cell["shape"] not in SHAPE_DIMENSIONS:
        raise InputError(
            "unknown shape",
            where=table.where(line, "shape"),
            got=cell["shape"],
            allowed=", ".join(SHAPE_DIMENSIONS),
            next_step=did_you_mean(cell["shape"], SHAPE_DIMENSIONS, "leave the part out"),
        )
    count = cell["count"]
    if not (count.isascii() and count.isdigit() and 1 <= len(count) <= 9):
        raise InputError(
            "how often a part was seen is a whole number",
            where=table.where(line, "count"),
            got=count[:40],
            allowed="1, 2, …",
        )
    where = table.where(line, "dimensions")
    sides = [parse_quantity(side, Dimension.LENGTH, where=where) for side in cell["dimensions"].split(" x ")]
    tolerance = PIECE_TOLERANCE
    if cell.get("tolerance"):
        tolerance = _tolerance(cell["tolerance"], table.where(line, "tolerance"))
    try:
        return Part(cell["part"], cell["material"], int(count), cell["shape"], tuple(sides), tolerance)
    except InputError as error:
        place = table.where(line, error.where)
        raise InputError(error.what, where=place, got=error.got, allowed=error.allowed) from None


def _tolerance(text: str, where: str) -> float:
    value = parse_quantity(text, Dimension.RATIO, where=where)
    if not 0 < value < 0.5:
        raise InputError(
            "the tolerance of a dimension is a small share", where=where, got=text, allowed="> 0 %, < 50 %"
        )
    return value


def note_part(path: str | Path, part: Part) -> bool:
    """Add a part to a parts list, or count it once more where size and material stand there.

    Returns
    -------
    bool
        True where it was new.

    Raises
    ------
    InputError
        The list cannot be read or written.
    """
    file = Path(path)
    dimensions = " x ".join(f"{1e3 * d:.6g} mm" for d in part.dimensions_m)
    row = (part.name, part.material, str(part.count), part.shape, dimensions)
    if not file.exists():
        file.parent.mkdir(parents=True, exist_ok=True)
        create_text(file, f"{csv_line(COLUMNS)}\n{csv_line(row)}\n")
        return True
    known = load_parts(file)
    text = read_text(file)
    table = parse_table(text, file)
    lines = text.split("\n")
    for place, other in enumerate(known):
        if other.material == part.material and (other.shape, other.dimensions_m) == (
            part.shape,
            part.dimensions_m,
        ):
            cells = list(table.rows[place])
            cells[table.columns.index("count")] = str(other.count + part.count)
            lines[table.lines[place] - 1] = csv_line(cells)
            write_text(file, "\n".join(lines))
            return False
    cells = [dict(zip(COLUMNS, row, strict=True)).get(name, "") for name in table.columns]
    write_text(file, text.rstrip("\n") + f"\n{csv_line(cells)}\n")
    return True
