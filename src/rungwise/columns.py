"""What is handed out explains itself: the columns of each table, the measures, how to read it all.

``data/columns.toml`` holds the columns in the order of the files. A table without a row keeps its
header, so that a program that reads it does not stumble.
"""

from __future__ import annotations

import gzip
import io
import shutil
import tomllib
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from importlib.resources import files

from rungwise.core.evidence import Evidence
from rungwise.exam_file import screen_answers
from rungwise.tables import Cell, write_table

__all__ = ["Growing", "explained", "header_of", "table_of", "tables_of", "unit_told"]

READ = """\
How to read these files
-----------------------
Tables: CSV (RFC 4180), UTF-8, columns parted by commas, lines ended by CR LF, one header line.
columns.csv says what each column means and its unit; measures.csv says it of each measure.
An empty cell is a missing value. Days are written as YYYY-MM-DD, times in Coordinated Universal
Time (ISO 8601), yes and no as words, numbers with a point.
A text that a spreadsheet would run or take for a number has one single quote (') in front: take off
that one. In a program, read columns of texts and words as text.
"""
COLUMNS = ("table", "column", "kind", "unit", "meaning")


def unit_told(unit: str) -> Cell:
    """A unit as a cell: none is the number 1, which needs no quote in front."""
    return 1 if unit == "1" else unit


@cache
def tables_of(export: str) -> Mapping[str, Mapping[str, tuple[str, str, str]]]:
    """The tables of an export: table -> column -> kind, unit, meaning.

    Parameters
    ----------
    export : str
        ``all``, ``research`` or ``one``.
    """
    text = (files("rungwise") / "data" / "columns.toml").read_text("utf-8")
    return {
        table: {name: (kind, unit, meaning) for name, (kind, unit, meaning) in columns.items()}
        for table, columns in tomllib.loads(text)[export].items()
    }


def header_of(export: str, table: str, without: Sequence[str] = ()) -> str:
    """The header line of a table, with its end."""
    return ",".join(name for name in tables_of(export)[table] if name not in without) + "\r\n"


def table_of(
    export: str, table: str, rows: Iterable[Mapping[str, Cell]], without: Sequence[str] = ()
) -> str:
    """Write rows as CSV; the header stands even when there are none.

    Parameters
    ----------
    export, table : str
        Which table.
    rows : iterable of mapping
        All with the columns of that table, but for those that are left out.
    without : sequence of str
        Columns that are left out this time.
    """
    names = [name for name in tables_of(export)[table] if name not in without]
    told = [dict(row) for row in rows]
    if told and set(told[0]) == set(names):
        told[0] = {name: told[0][name] for name in names}  # the first row sets the order
    return write_table(told) or header_of(export, table, without)


class Growing:
    """A table that is packed while it grows, so that a long one takes little memory.

    Parameters
    ----------
    export, table : str
        Which table.
    without : sequence of str
        Columns that are left out this time.
    """

    def __init__(self, export: str, table: str, without: Sequence[str] = ()) -> None:
        self.export, self.table, self.without = export, table, without
        self._kept = io.BytesIO()
        self._packed = gzip.GzipFile(fileobj=self._kept, mode="wb", compresslevel=1)
        self._packed.write(header_of(export, table, without).encode())

    def add(self, rows: Iterable[Mapping[str, Cell]]) -> None:
        """Put rows at the end."""
        text = table_of(self.export, self.table, rows, self.without)
        self._packed.write(text.partition("\r\n")[2].encode())

    def put_into(self, box: zipfile.ZipFile, name: str) -> None:
        """Give the whole of it to a zip."""
        self._packed.close()
        self._kept.seek(0)
        whole = gzip.GzipFile(fileobj=self._kept)
        with whole, box.open(name, "w", force_zip64=True) as place:
            shutil.copyfileobj(whole, place)


def explained(export: str, book: Evidence | None = None, about: str = "") -> dict[str, bytes]:
    """Files that go with an export: how to read it, its columns, and the measures in it.

    Parameters
    ----------
    export : str
        ``all``, ``research`` or ``one``.
    book : Evidence or None
        The book, where readings are in the export.
    about : str
        What else is to be said of it.
    """
    columns = [
        dict(zip(COLUMNS, (table, name, kind, unit_told(unit), meaning), strict=True))
        for table, found in tables_of(export).items()
        for name, (kind, unit, meaning) in found.items()
    ]
    told = {"README.txt": f"{about}\n{READ}".lstrip("\n").replace("\n", "\r\n")}
    told["columns.csv"] = write_table(columns)
    if book is not None:
        told["measures.csv"] = write_table(_measures(book))
    return {name: text.encode() for name, text in told.items()}


def _measures(book: Evidence) -> list[dict[str, Cell]]:
    found: list[dict[str, Cell]] = [
        {
            "measure": m.key,
            "kind": m.kind,
            "of": m.per,
            "unit": unit_told(m.unit),
            "least": m.low,
            "most": m.high,
            "words": " ".join(m.choices),
            "meaning": m.help,
        }
        for m in book.measures.values()
    ]
    found += [
        {
            "measure": f"screen.{item.key}",
            "kind": "choice",
            "of": item.per,
            "unit": 1,
            "least": None,
            "most": None,
            "words": " ".join(screen_answers(item)),
            "meaning": item.ask,
        }
        for item in book.items.values()
    ]
    return found
