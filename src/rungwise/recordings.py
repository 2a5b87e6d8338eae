"""Read a recording from CSV: units and axes are named, never guessed.

A heading tells its unit in brackets, ``COPx[cm]``; which column is which axis is told apart,
``time=Time ap=COPx ml=COPy``. Columns that have our own names need not be told: ``time``, ``ap``,
``ml`` of a centre of pressure, ``x``, ``y``, ``z`` of an acceleration, ``fx`` to ``mz`` of a plate.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rungwise.core.errors import Fault, InputError
from rungwise.core.signals import Array, Recording

__all__ = [
    "KINDS",
    "MOST_BYTES",
    "MOST_ROWS",
    "PLATE",
    "Kind",
    "headings_of",
    "pressure_of",
    "read_movement",
    "read_recording",
    "read_roles",
]

MOST_BYTES, MOST_ROWS, MOST_COLUMNS, MOST_FAULTS = 20_000_000, 500_000, 64, 20
TIMES = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0}
LENGTHS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
#: m/s2; the standard acceleration of gravity by its definition.
ACCELERATIONS = {"m/s2": 1.0, "m/s^2": 1.0, "m/s²": 1.0, "g": 9.80665, "mg": 9.80665e-3}
FORCES = {"N": 1.0, "kN": 1000.0}
MOMENTS = {"N m": 1.0, "Nm": 1.0, "N·m": 1.0, "Nmm": 1e-3, "N mm": 1e-3, "Ncm": 1e-2, "N cm": 1e-2}
TURNS = {"rad/s": 1.0, "deg/s": 3.141592653589793 / 180}
HEADING = re.compile(r"^\s*([^\[\]()]+?)\s*(?:[\[(]([^\[\]()]*)[\])])?\s*$")
PLATE = ("fx", "fy", "fz", "mx", "my", "mz")
#: Digits of which every number is exact in double precision.
DIGITS = 15
POWERS = 10.0 ** np.arange(DIGITS + 1)
#: Larger than any reading; sums of its squares are finite.
LARGEST = 10.0**DIGITS
#: Least load at which a centre of pressure is told [N].
LEAST_LOAD_N = 20.0


@dataclass(frozen=True)
class Kind:
    """What a recording is of.

    Parameters
    ----------
    name : str
        Its name.
    roles : mapping of str to mapping of str to float
        Column -> the units that it may have, each with its factor to the recording's own.
    unit : str
        Unit of the recording that is made.
    """

    name: str
    roles: Mapping[str, Mapping[str, float]]
    unit: str


PRESSURE = Kind("centre of pressure", {"ap": LENGTHS, "ml": LENGTHS}, "mm")
FORCE = Kind(
    "force plate", {**dict.fromkeys(PLATE[:3], FORCES), **dict.fromkeys(PLATE[3:], MOMENTS)}, "N"
)
ACCELERATION = Kind("acceleration", dict.fromkeys("xyz", ACCELERATIONS), "m/s2")
TURNING = Kind("turning", dict.fromkeys(("gx", "gy", "gz"), TURNS), "rad/s")
KINDS = {"pressure": PRESSURE, "plate": FORCE, "acceleration": ACCELERATION, "turning": TURNING}


def read_roles(words: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Which column is which, from words ``ROLE=COLUMN`` or ``ROLE=COLUMN[unit]``.

    Returns
    -------
    dict
        Role -> (heading without its unit, unit or empty).

    Raises
    ------
    InputError
        Every word that cannot be read, or a role that is told twice.
    """
    roles: dict[str, tuple[str, str]] = {}
    faults = []
    for word in words:
        role, equals, rest = word.partition("=")
        found = HEADING.match(rest)
        role = role.strip().lower()
        if not equals or not found or not role:
            faults.append(Fault("column", word, "ROLE=COLUMN[unit]", "Such as ap=COPx[cm]"))
        elif role in roles:
            faults.append(Fault("column", word, "each role once", "Leave one out."))
        else:
            roles[role] = found[1], (found[2] or "").strip()
    if faults:
        raise InputError("columns", tuple(faults))
    return roles


def headings_of(data: bytes) -> tuple[tuple[str, str], ...]:
    """The columns of a file by its own first line: heading, and its unit or empty.

    Parameters
    ----------
    data : bytes
        CSV, UTF-8, a heading line first.

    Raises
    ------
    InputError
        Too long, or no heading line of CSV.
    """
    if len(data) > MOST_BYTES:
        fault = Fault("file", f"{len(data)} bytes", f"at most {MOST_BYTES}", "Cut it.")
        raise InputError("recording", (fault,))
    return tuple(_heading(data.removeprefix(b"\xef\xbb\xbf").partition(b"\n")[0])[0])


def read_recording(
    data: bytes, kind: Kind, roles: Mapping[str, tuple[str, str]] | None = None
) -> Recording:
    """Read one recording.

    Parameters
    ----------
    data : bytes
        CSV, UTF-8, a heading line first.
    kind : Kind
        What it is of.
    roles : mapping of str to (str, str), optional
        From :func:`read_roles`: which columns are which, where their names are not ours; a unit
        there stands for one that is missing in the heading, and must not contradict it.

    Raises
    ------
    InputError
        Every fault: size, text, columns that are missing or doubled, units missing, unknown or
        contradicting, rows of another length, cells that are no number (with their line).
    """
    if len(data) > MOST_BYTES:
        fault = Fault("file", f"{len(data)} bytes", f"at most {MOST_BYTES}", "Cut it.")
        raise InputError("recording", (fault,))
    data = data.removeprefix(b"\xef\xbb\xbf")
    head, _, body = data.partition(b"\n")
    names, comma = _heading(head)
    columns, units, factors = _columns(names, kind, roles or {})
    table = _fast(body, len(names), comma)
    if table is None:
        table = _slow(body, names, comma)
    if len(table) > MOST_ROWS:
        fault = Fault("file", f"{len(table)} rows", f"at most {MOST_ROWS}", "Cut it.")
        raise InputError("recording", (fault,))
    time_s = table[:, columns[0]] * factors[0]
    rows = np.ascontiguousarray(table[:, columns[1:]].T)
    rows *= np.array(factors[1:])[:, None]
    told = tuple(
        f"{role} is the column {names[column][0]!r} in {unit}"
        for role, column, unit in zip(("time", *kind.roles), columns, units, strict=True)
    )
    return Recording(time_s, rows, tuple(kind.roles), kind.unit, told)


def read_movement(
    data: bytes, roles: Mapping[str, tuple[str, str]] | None = None
) -> tuple[Recording, Recording | None]:
    """Read acceleration, and turning where it was recorded along with it.

    Parameters
    ----------
    data : bytes
        CSV.
    roles : mapping of str to (str, str), optional
        As for :func:`read_recording`; turning is read when one of its roles is told, or when all
        of its columns are there by our names.

    Raises
    ------
    InputError
        As :func:`read_recording`, the faults of both.
    """
    roles = roles or {}
    here = {name.casefold() for name, _ in _heading(data.partition(b"\n")[0])[0]}
    turns = bool(set(TURNING.roles) & set(roles)) or set(TURNING.roles) <= here
    kinds = (ACCELERATION, TURNING) if turns else (ACCELERATION,)
    known = {"time", *(role for kind in kinds for role in kind.roles)}
    faults = [
        Fault("column", role, ", ".join(sorted(known)), "Name one of them.")
        for role in roles
        if role not in known
    ]
    found = []
    for kind in kinds:
        own = {role: told for role, told in roles.items() if role in {"time", *kind.roles}}
        try:
            found.append(read_recording(data, kind, own))
        except InputError as error:
            faults += [fault for fault in error.faults if fault not in faults]
    if faults:
        raise InputError("recording", tuple(faults))
    return found[0], found[1] if turns else None


def pressure_of(
    plate: Recording, ap: str, thickness_mm: float = 0.0, least_n: float = LEAST_LOAD_N
) -> Recording:
    """Centre of pressure from forces and moments about the middle of a plate's top or sensor plane.

    Parameters
    ----------
    plate : Recording
        Of kind ``plate`` [N, N m].
    ap : {"x", "y"}
        Axis of the plate that runs anteroposteriorly.
    thickness_mm : float
        From the plane of the moments up to the surface stood on [mm].
    least_n : float
        Least vertical force at which it is told [N].

    Raises
    ------
    InputError
        An unknown axis, or too little load at some time.

    Notes
    -----
    With the vertical axis z: x = (-My - Fx h)/Fz, y = (Mx - Fy h)/Fz, h the thickness.
    """
    fx, fy, fz, mx, my, _ = plate.values
    faults = []
    if ap not in ("x", "y"):
        faults.append(Fault("ap", ap, "x or y", "Which axis runs from heel to toe?"))
    if (np.abs(fz) < least_n).any():
        at = float(plate.time_s[int(np.argmax(np.abs(fz) < least_n))])
        given = f"{float(np.abs(fz).min()):.1f} N, first at {at:.2f} s"
        faults.append(Fault("fz", given, f"at least {least_n:g} N", "Cut it to the stance."))
    if faults:
        raise InputError("force plate", tuple(faults))
    h = thickness_mm / 1000
    x, y = (-my - fx * h) / fz * 1000, (mx - fy * h) / fz * 1000
    rows = (x, y) if ap == "x" else (y, x)
    told = (*plate.told, f"centre of pressure from forces and moments, {ap} is anteroposterior")
    return Recording(plate.time_s, np.array(rows), ("ap", "ml"), "mm", told)


# ------------------------------------------------------------------ headings


def _heading(head: bytes) -> tuple[list[tuple[str, str]], bytes]:
    try:
        text = head.decode("utf-8").strip("\r")
    except UnicodeDecodeError:
        fault = Fault("file", "bytes that are not UTF-8", "UTF-8 text", "Save it as UTF-8 CSV.")
        raise InputError("recording", (fault,)) from None
    comma = max(",;\t", key=text.count)
    try:
        cells = next(csv.reader([text], delimiter=comma), [])
    except csv.Error:  # a line end inside the line
        cells = []
    if len(cells) < 2 or len(cells) > MOST_COLUMNS or "\0" in text:
        given = f"{len(cells)} columns in the first line"
        fault = Fault("heading", given, f"2 to {MOST_COLUMNS}, comma between", "Is it CSV?")
        raise InputError("recording", (fault,))
    names = []
    for cell in cells:
        found = HEADING.match(cell)
        names.append((found[1], (found[2] or "").strip()) if found else (cell.strip(), ""))
    return names, comma.encode()


def _columns(
    names: Sequence[tuple[str, str]], kind: Kind, roles: Mapping[str, tuple[str, str]]
) -> tuple[list[int], list[str], list[float]]:
    """Column, unit and factor of the time and of each role, in order."""
    wanted: dict[str, Mapping[str, float]] = {"time": TIMES, **kind.roles}
    faults = [
        Fault("column", role, ", ".join(wanted), "Name one of them.")
        for role in roles
        if role not in wanted
    ]
    columns, units, factors = [], [], []
    for role, known in wanted.items():
        name, told = roles.get(role, (role, ""))
        found = [i for i, (there, _) in enumerate(names) if there.casefold() == name.casefold()]
        if len(found) != 1:
            given = "no such column" if not found else f"{len(found)} columns of that name"
            listed = ", ".join(there for there, _ in names)
            faults.append(Fault(role, given, f"one of: {listed}", f"Say {role}=COLUMN[unit]."))
            continue
        there = names[found[0]][1]
        unit = there or told
        allowed = ", ".join(known)
        if not unit:
            faults.append(Fault(role, "no unit", allowed, f"Say {role}={name}[unit]."))
        elif told and there and told != there:
            faults.append(Fault(role, f"{told}, but the file says {there}", "one unit", "Which?"))
        elif unit not in known:
            faults.append(Fault(role, unit, allowed, "Name a unit of that kind."))
        else:
            columns.append(found[0])
            units.append(unit)
            factors.append(known[unit])
    if len(set(columns)) < len(columns):
        faults.append(Fault("column", "one column for two", "another for each", "Check the names."))
    if faults:
        raise InputError("recording", tuple(faults))
    return columns, units, factors


# ------------------------------------------------------------------ numbers


def _fast(body: bytes, width: int, comma: bytes) -> Array | None:
    """The table, when every cell is a plain decimal such as -7.988789; None when not.

    At most 15 digits and a power of ten below 10^22 are exact in double precision, so that their
    quotient is the nearest number, as reading it cell by cell gives.
    """
    if b"\r" in body:
        body = body.replace(b"\r\n", b"\n")
    if body[-1:] != b"\n":
        body += b"\n"
    line = comma * (width - 1) + b"\n"
    marks = body.translate(None, b"0123456789.-")
    if marks != line * (len(marks) // width) or not marks:
        return None
    signs = np.frombuffer(body, np.uint8)
    ends = np.flatnonzero((signs == comma[0]) | (signs == ord("\n")))
    dots = np.flatnonzero(signs == ord("."))
    minus = body.count(comma + b"-") + body.count(b"\n-") + body.startswith(b"-")
    if len(dots) != len(ends) or minus != body.count(b"-"):
        return None
    decimals = ends - dots - 1
    lengths = np.diff(ends, prepend=-1) - 1
    if (
        decimals.min() < 1
        or lengths.max() > DIGITS + 1
        or (dots[1:] < ends[:-1]).any()
        or dots[0] == 0
        or (signs[dots - 1] < ord("0")).any()
    ):
        return None
    bare = body.translate(bytes.maketrans(comma + b"\n", b"  "), b".")
    whole = np.fromstring(bare, dtype=np.int64, sep=" ")
    table: Array = (whole / POWERS[decimals]).reshape(-1, width)
    return table


def _slow(body: bytes, names: Sequence[tuple[str, str]], comma: bytes) -> Array:
    """The table read cell by cell, to name every fault by its line."""
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError:
        fault = Fault("file", "bytes that are not UTF-8", "UTF-8 text", "Save it as UTF-8 CSV.")
        raise InputError("recording", (fault,)) from None
    rows: list[list[float]] = []
    faults: list[Fault] = []
    try:
        for line, cells in enumerate(csv.reader(io.StringIO(text), delimiter=comma.decode()), 2):
            if not cells:
                continue
            if len(rows) > MOST_ROWS or len(faults) >= MOST_FAULTS:
                break
            if len(cells) != len(names):
                given = f"{len(cells)} cells"
                faults.append(Fault(f"line {line}", given, f"{len(names)} cells", "Mend it."))
                continue
            rows.append([])
            for (name, _), cell in zip(names, cells, strict=True):
                number = _number(cell)
                if number is None:
                    faults.append(Fault(f"line {line}, {name}", cell[:40], "a number", "Mend it."))
                    number = 0.0
                rows[-1].append(number)
    except csv.Error as error:
        faults.append(Fault("file", str(error), "CSV", "Save it again."))
    if not rows and not faults:
        faults.append(Fault("file", "no rows", "rows of numbers", "Is it the whole file?"))
    if faults:
        raise InputError("recording", tuple(faults[:MOST_FAULTS]))
    return np.array(rows, dtype=np.float64)


def _number(cell: str) -> float | None:
    try:
        number = float(cell) if cell.isascii() and "_" not in cell else None
    except ValueError:
        return None
    return None if number is None or abs(number) > LARGEST else number
