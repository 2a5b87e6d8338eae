"""Tables as CSV (RFC 4180) that a spreadsheet cannot mistake for formulas, and back without loss.

A text that a program could run, or take for a number, gets a single quote in front; reading takes
exactly that one off again. Numbers are written as numbers. An empty cell is a missing value.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from typing import TypeAlias

from rungwise.core.errors import Fault, InputError

__all__ = ["Cell", "read_table", "write_table"]

Cell: TypeAlias = str | int | float | None
_WHOLE = r"-?(?:0|[1-9][0-9]*)"
_NUMBER = rf"{_WHOLE}(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?"
#: What starts a formula, also behind quotes and spaces, and in its full-width form.
_RISKY = re.compile(rf"['\"\s]*[=+\-@＝＋－＠\t\r\n\0]|'*{_NUMBER}\Z")


def write_table(rows: Sequence[Mapping[str, Cell]]) -> str:
    r"""Write rows as CSV text with a header.

    Parameters
    ----------
    rows : sequence of mapping
        All with the same columns, in the order of the first.

    Returns
    -------
    str
        Lines end with CR LF; empty when there are no rows.

    Raises
    ------
    InputError
        Names every cell that is no text or finite number, and every row with other columns.

    Examples
    --------
    >>> write_table([{"say": "=1+1", "is": -5}])
    "say,is\r\n'=1+1,-5\r\n"

    Sources
    -------
    RFC 4180; the guard is our own answer to formula injection.
    """
    if not rows:
        return ""
    columns = list(rows[0])
    faults = []
    for n, row in enumerate(rows, 1):
        if set(row) != set(columns):
            allowed = ", ".join(columns)
            faults.append(Fault(f"row {n}", ", ".join(row), allowed, "Fill the same columns."))
        faults += [
            Fault(f"row {n}, {name}", repr(cell), "text or a finite number", "Leave it empty.")
            for name, cell in row.items()
            if not _may_stand(cell)
        ]
    faults += [
        Fault("header", repr(name), "not empty", "Name the column.") for name in columns if not name
    ]
    if faults:
        raise InputError("table", tuple(faults))
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([_written(name) for name in columns])
    writer.writerows([_written(row[name]) for name in columns] for row in rows)
    return out.getvalue()


def read_table(text: str, numbers: bool = True) -> list[dict[str, Cell]]:
    """Read what `write_table` wrote.

    Parameters
    ----------
    text : str
        CSV text with a header; a byte order mark is passed over.
    numbers : bool
        Whether what looks like a number is one; False keeps every cell as its text.

    Returns
    -------
    list of dict
        Numbers as numbers, guarded texts without their guard, empty cells as None. A text that
        was written empty comes back as None, too.

    Raises
    ------
    InputError
        For broken quotes, a column named twice, or a line with too many or too few cells.
    """
    source = io.StringIO(text.removeprefix("\ufeff"), newline="")
    reader = csv.reader(source, strict=True)
    try:
        lines = [(reader.line_num, cells) for cells in reader]
    except csv.Error as error:
        fault = Fault(f"line {reader.line_num}", str(error), "CSV, RFC 4180", "Mend the line.")
        raise InputError("table", (fault,)) from None
    if not lines:
        return []
    header = [_unguarded(name) for name in lines[0][1]]
    faults = [
        Fault("header", name, "each column once", "Rename one.")
        for name in dict.fromkeys(header)
        if header.count(name) > 1
    ]
    faults += [
        Fault(f"line {n}", f"{len(cells)} cells", f"{len(header)} cells", "Mend the line.")
        for n, cells in lines[1:]
        if len(cells) != len(header)
    ]
    if faults:
        raise InputError("table", tuple(faults))
    read = _read if numbers else _as_text
    return [dict(zip(header, map(read, cells), strict=True)) for _, cells in lines[1:]]


def _may_stand(cell: object) -> bool:
    if isinstance(cell, bool):
        return False
    if isinstance(cell, int | float):
        return math.isfinite(cell)
    return cell is None or isinstance(cell, str)


def _written(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        return f"'{cell}" if _RISKY.match(cell) else cell
    return repr(cell)


def _unguarded(text: str) -> str:
    return text[1:] if text.startswith("'") and _RISKY.match(text[1:]) else text


def _as_text(text: str) -> Cell:
    return _unguarded(text) or None


def _read(text: str) -> Cell:
    if re.fullmatch(_WHOLE, text):
        return int(text)
    if re.fullmatch(_NUMBER, text):
        return float(text)
    return _unguarded(text) or None
