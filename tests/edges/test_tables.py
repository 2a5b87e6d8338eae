"""CSV after RFC 4180 with a guard against formulas, and back without loss."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.core.errors import InputError
from rungwise.tables import Cell, read_table, write_table

FORMULA = '=HYPERLINK("http' + '://x","y")'
#: T6 of the standards notes: what a spreadsheet may run, also behind a quote or a space.
RISKY = ["=1", "+1", "-1", "@x", "\tx", "\rx", "\nx", "\0x", "＝1", "＋1", "－1", "＠x"]


def test_o7_the_worked_row() -> None:
    """Standards notes O7, with the quoting of RFC 4180 §2."""
    row: dict[str, Cell] = {"a": FORMULA, "b": "-5", "c": -5, "d": 'O\'Brien, "Bob"'}
    text = write_table([row])
    worked = '"\'=HYPERLINK(""http' + '://x"",""y"")",\'-5,-5,"O\'Brien, ""Bob"""\r\n'
    assert text == "a,b,c,d\r\n" + worked
    assert read_table(text) == [row]


@pytest.mark.parametrize("text", [*RISKY, *(f"'{r}" for r in RISKY), *(f' "{r}' for r in RISKY)])
def test_no_text_can_start_a_formula(text: str) -> None:
    """T6: read by a program that knows nothing of the guard, the cell starts with a quote."""
    written = write_table([{"a": text, text: "b"}])
    cells = list(csv.reader(io.StringIO(written, newline=""), strict=True))
    assert cells[1][0] == f"'{text}"
    assert cells[0][1] == f"'{text}"
    assert read_table(written) == [{"a": text, text: "b"}]


def test_numbers_are_numbers_and_texts_are_texts() -> None:
    row: dict[str, Cell] = {"a": -0.5, "b": 1e-7, "c": "12", "d": "007", "e": 3.0, "f": None}
    text = write_table([row])
    assert text.splitlines()[1] == "-0.5,1e-07,'12,007,3.0,"
    back = read_table(text)
    assert back == [row]
    assert [type(cell) for cell in back[0].values()] == [type(cell) for cell in row.values()]


CELLS = st.one_of(
    st.none(),
    st.integers(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(min_size=1),
    st.text("'\"=+-@,\r\n\t 05.e", min_size=1),
)


@given(st.lists(st.tuples(CELLS, CELLS), min_size=1), st.text("'=\",x\n", min_size=1))
def test_what_is_written_is_read(cells: list[tuple[Cell, Cell]], name: str) -> None:
    rows = [{name: one, f"{name}2": other} for one, other in cells]
    text = write_table(rows)
    back = read_table(text)
    assert back == rows
    assert [[type(c) for c in r.values()] for r in back] == [
        [type(c) for c in r.values()] for r in rows
    ]
    assert read_table("\ufeff" + text) == rows


def test_nothing_written_is_nothing_read() -> None:
    assert write_table([]) == ""
    assert read_table("") == []
    assert read_table(write_table([{"a": "", "b": 1}])) == [{"a": None, "b": 1}]


def test_every_bad_cell_is_named_at_once() -> None:
    rows: list[dict[str, Cell]] = [{"a": float("nan"), "b": True}, {"a": 1}]
    with pytest.raises(InputError) as caught:
        write_table(rows)
    assert [f.field for f in caught.value.faults] == ["row 1, a", "row 1, b", "row 2"]


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("a,a\r\n1,2\r\n", "header"),
        ("a,b\r\n1\r\n", "line 2"),
        ('a\r\n"open', "line 2"),
        ('a\r\n"x"y\r\n', "line 2"),
    ],
)
def test_a_broken_table_is_refused(text: str, field: str) -> None:
    with pytest.raises(InputError) as caught:
        read_table(text)
    assert [fault.field for fault in caught.value.faults] == [field]
