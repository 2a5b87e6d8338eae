"""Recordings from CSV: the same numbers as a reference library, nothing guessed, nothing hangs."""

from __future__ import annotations

import io
import random
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise import recordings
from rungwise.core.errors import InputError
from rungwise.recordings import (
    ACCELERATION,
    FORCE,
    PRESSURE,
    pressure_of,
    read_recording,
    read_roles,
)

DATA = Path(__file__).resolve().parents[3] / "shared" / "data" / "stance"
ROLES = read_roles(["time=Time", "ap=COPx", "ml=COPy"])
PLAIN = b"time[s],ap[cm],ml[mm]\n0.01,1.5,2.5\n0.02,-1.25,3.0\n"


def test_units_and_axes_come_from_the_heading() -> None:
    row = read_recording(PLAIN, PRESSURE)
    assert row.time_s.tolist() == [0.01, 0.02]
    assert row.values.tolist() == [[15.0, -12.5], [2.5, 3.0]]
    assert row.told[1] == "ap is the column 'ap' in cm"


@pytest.mark.skipif(not DATA.is_dir(), reason="the open recordings are not here")
def test_numbers_are_those_of_a_reference_library() -> None:
    pandas = pytest.importorskip("pandas")
    for path in sorted(DATA.glob("BDS*.csv"))[::7]:
        row = read_recording(path.read_bytes(), PRESSURE, ROLES)
        table = pandas.read_csv(path)
        assert (row.time_s == table["Time[s]"].to_numpy()).all()
        assert (row.row("ap") == 10 * table["COPx[cm]"].to_numpy()).all()


@given(
    st.lists(st.tuples(*[st.floats(-1e6, 1e6)] * 3), min_size=1, max_size=8),
    st.integers(1, 8),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([",", ";"]),
    st.booleans(),
)
def test_the_quick_way_reads_what_the_slow_one_does(
    table: list[tuple[float, float, float]], digits: int, end: str, comma: str, last: bool
) -> None:
    lines = [comma.join(f"{value:.{digits}f}" for value in row) for row in table]
    body = end.join(lines) + (end if last else "")
    quick = recordings._fast(body.encode(), 3, comma.encode())
    slow = recordings._slow(body.encode(), [("a", ""), ("b", ""), ("c", "")], comma.encode())
    assert slow.tolist() == [[float(cell) for cell in line.split(comma)] for line in lines]
    if quick is not None:
        assert quick.tolist() == slow.tolist()
    assert quick is not None or max(len(c) for line in lines for c in line.split(comma)) > 15


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"", "comma between"),
        (b"time,ap,ml\n1,2,3\n", "no unit"),
        (b"time[s],ap[kg],ml[mm]\n1,2,3\n", "kg"),
        (b"time[s],ap[mm],ap[mm]\n1,2,3\n", "2 columns of that name"),
        (b"time[s],x[mm],y[mm]\n1,2,3\n", "no such column"),
        (b"time[s],ap[mm],ml[mm]\n1,2\n", "line 2"),
        (b"time[s],ap[mm],ml[mm]\n1,2,abc\n4,,6\n", "line 2, ml"),
        (b"time[s],ap[mm],ml[mm]\n1,2,1_000\n", "1_000"),
        (b"time[s],ap[mm],ml[mm]\n", "no rows"),
        (b"\xff\xfe,\x00\n", "UTF-8"),
        ("time[s],ap[mm],ml[mm]\n1,2,٣\n".encode(), "a number"),
    ],
)
def test_every_fault_is_named(text: bytes, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read_recording(text, PRESSURE)
    assert says in str(caught.value)


def test_a_unit_that_contradicts_the_heading_is_refused() -> None:
    with pytest.raises(InputError, match="one unit"):
        read_recording(PLAIN, PRESSURE, read_roles(["ap=ap[mm]"]))
    with pytest.raises(InputError, match="another for each"):
        read_recording(PLAIN, PRESSURE, read_roles(["ap=ap", "ml=ap"]))


def test_a_missing_unit_is_told_apart() -> None:
    row = read_recording(
        b"t,X,Y,Z\n0,1,0,0\n0.02,0,1,0\n",
        ACCELERATION,
        read_roles(["time=t[s]", "x=X[g]", "y=Y[g]", "z=Z[mg]"]),
    )
    assert row.values[0].tolist() == [9.80665, 0.0]


@pytest.mark.parametrize("words", [["ap"], ["ap=A", "ap=B"], ["=A"]])
def test_roles_that_cannot_be_read_are_refused(words: list[str]) -> None:
    with pytest.raises(InputError):
        read_roles(words)


def test_a_load_at_a_known_place_is_found_there() -> None:
    """A force at (x, y): Mx = y Fz, My = -x Fz about the middle, by statics."""
    x, y, fz = 0.030, -0.045, 700.0
    head = "time[s],fx[N],fy[N],fz[N],mx[N m],my[N m],mz[N m]\n"
    line = f"0,0,0,{fz},{y * fz},{-x * fz},0\n0.01,0,0,{fz},{y * fz},{-x * fz},0\n"
    plate = read_recording((head + line).encode(), FORCE)
    row = pressure_of(plate, ap="x")
    assert row.row("ap") == pytest.approx([30.0, 30.0])
    assert row.row("ml") == pytest.approx([-45.0, -45.0])
    assert pressure_of(plate, ap="y").row("ap") == pytest.approx([-45.0, -45.0])
    with pytest.raises(InputError, match="at least 20 N"):
        pressure_of(read_recording((head + "0,0,0,1,0,0,0\n").encode(), FORCE), ap="x")
    with pytest.raises(InputError, match="x or y"):
        pressure_of(plate, ap="z")


def test_a_shear_force_moves_it_by_the_thickness() -> None:
    head = b"time[s],fx[N],fy[N],fz[N],mx[N m],my[N m],mz[N m]\n"
    plate = read_recording(head + b"0,10,0,500,0,0,0\n", FORCE)
    assert pressure_of(plate, "x", thickness_mm=40).row("ap")[0] == pytest.approx(-40 * 10 / 500)


def test_a_thousand_broken_files_end_in_a_fault() -> None:
    """Bytes turned, cut, doubled: each is read or refused; nothing takes long or breaks."""
    rng = random.Random(20260305)
    good = b"time[s],ap[mm],ml[mm]\n" + b"".join(
        b"%d.%02d,%d.5,-%d.25\n" % (i // 100, i % 100, i, i) for i in range(200)
    )
    began, read, refused = time.process_time(), 0, 0
    for _ in range(1000):
        data = bytearray(good)
        for _ in range(rng.randint(1, 6)):
            at = rng.randrange(len(data))
            what = rng.randrange(5)
            if what == 0:
                data[at] = rng.randrange(256)
            elif what == 1:
                del data[at : at + rng.randint(1, 400)]
            elif what == 2:
                data[at:at] = rng.choice(
                    [b"\0", b'"', b"\n", b",", b"nan", b"inf", b"1e999", b"=1+1", b"\xff", b"-"]
                )
            elif what == 3:
                data[at:at] = data[at : at + 50] * rng.randint(1, 20)
            else:
                data = data[:at] or bytearray(b" ")
        try:
            row = read_recording(bytes(data), PRESSURE)
        except InputError:
            refused += 1
        else:
            read += 1
            assert row.values.shape == (2, len(row.time_s))
    assert read + refused == 1000
    assert min(read, refused) > 50
    assert time.process_time() - began < 30


def test_a_file_that_is_too_large_is_refused_at_once() -> None:
    with pytest.raises(InputError, match="at most"):
        read_recording(b"time[s],ap[mm],ml[mm]\n" + b"1.0,2.0,3.0\n" * 600_000, PRESSURE)
    with pytest.raises(InputError, match="at most"):
        read_recording(io.BytesIO(b"0" * 20_000_001).getvalue(), PRESSURE)
