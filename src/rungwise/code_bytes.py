"""Bytes and text of a code: numbers, half bytes, check sum, letters, and numbers for names."""

from __future__ import annotations

import base64
import binascii
import tomllib
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from importlib.resources import files

from rungwise.core.errors import Fault, InputError

__all__ = [
    "LOG",
    "NUMBER_END",
    "PLAN",
    "Codes",
    "Source",
    "UnreadableError",
    "Writer",
    "codes_of",
    "day_after",
    "opened",
    "refused",
    "sealed",
]

PLAN, LOG = "RW1P", "RW1L"
#: What five groups of seven bits hold.
NUMBER_END = 1 << 35


# ------------------------------------------------------------------ numbers for names


@dataclass(frozen=True)
class Codes:
    """Numbers of a joint that stand for names, both ways."""

    family: Mapping[str, int]
    notch: Mapping[tuple[str, str], Mapping[str, int]]
    size: Mapping[str, int]
    caution: Mapping[str, int]
    finding: Mapping[str, int]
    dials: Mapping[str, tuple[str, ...]]
    limit: Mapping[str, tuple[int, int]]

    def within(self, name: str, value: int) -> int:
        """The value, if it lies within its limits; refuses it otherwise."""
        low, high = self.limit[name]
        if not low <= value <= high:
            raise UnreadableError(f"its {name.replace('_', ' ')} is {value}, not {low} to {high}")
        return value

    def family_of(self, code: int) -> str:
        """Name of an exercise family; refuses a number that is not known."""
        return _key_of(self.family, code, "exercise family")

    def notch_of(self, family: str, dial: str, code: int) -> str:
        """Name of a notch of a dial; refuses a number that is not known."""
        return _key_of(self.notch[family, dial], code, f"setting of {dial.replace('_', ' ')}")

    def size_of(self, code: int) -> str:
        """Name of a size; refuses a number that is not known."""
        return _key_of(self.size, code, "size")

    def caution_of(self, code: int) -> str:
        """Name of a caution; refuses a number that is not known."""
        return _key_of(self.caution, code, "caution")

    def finding_of(self, code: int) -> str:
        """Name of a finding; refuses a number that is not known."""
        return _key_of(self.finding, code, "finding")


def _key_of(codes: Mapping[str, int], code: int, what: str) -> str:
    for key, value in codes.items():
        if value == code:
            return key
    raise UnreadableError(f"it names an unknown {what} ({code}): it was made by a newer rungwise")


@cache
def codes_of(joint: str) -> Codes:
    """The numbers of a joint, from ``data/codes/``."""
    text = (files("rungwise") / "data/codes" / f"{joint}.toml").read_text("utf-8")
    spec = tomllib.loads(text)
    notches = {
        (family, dial): codes
        for family, dials in spec["notch"].items()
        for dial, codes in dials.items()
    }
    dials = {family: tuple(found) for family, found in spec["notch"].items()}
    return Codes(
        spec["family"],
        notches,
        spec["size"],
        spec.get("caution", {}),
        spec.get("finding", {}),
        dials,
        {name: (low, high) for name, (low, high) in spec.get("limit", {}).items()},
    )


# ------------------------------------------------------------------ bytes


class UnreadableError(Exception):
    """Why a code cannot be read; turned into an InputError at the door."""


class Writer:
    """Puts numbers and half bytes one after the other."""

    def __init__(self) -> None:
        self.out = bytearray()

    def number(self, value: int) -> None:
        """Seven bits a byte, least first."""
        if not 0 <= value < NUMBER_END:
            raise ValueError("a number in a code is from 0 to 2**35 - 1")
        while value > 0x7F:
            self.out.append(value & 0x7F | 0x80)
            value >>= 7
        self.out.append(value)

    def nibbles(self, values: Iterable[int]) -> None:
        """Half bytes, padded to whole bytes."""
        row = [*values]
        if row and not 0 <= min(row) <= max(row) < 16:
            raise ValueError("a half byte is from 0 to 15")
        row += [0] * (len(row) % 2)
        self.out.extend(a << 4 | b for a, b in zip(row[::2], row[1::2], strict=True))


class Source:
    """Takes numbers and half bytes off again, and refuses what is not whole."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, count: int) -> bytes:
        """So many bytes."""
        found = self.data[self.at : self.at + count]
        if len(found) < count:
            raise UnreadableError("it ends too early")
        self.at += count
        return found

    def byte(self) -> int:
        """One byte."""
        return self.take(1)[0]

    def number(self) -> int:
        """A number in its shortest form."""
        value = shift = 0
        while True:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                if byte == 0 and shift:
                    raise UnreadableError("a number in it is written in a longer way than needed")
                return value
            shift += 7
            if shift > 28:
                raise UnreadableError("a number in it is too large")

    def nibbles(self, count: int) -> list[int]:
        """So many half bytes, with nothing behind them."""
        packed = self.take((count + 1) // 2)
        found = [half for byte in packed for half in (byte >> 4, byte & 15)]
        if any(found[count:]):
            raise UnreadableError("it has something where nothing may be")
        return found[:count]

    def end(self) -> None:
        """Nothing may follow."""
        if self.at != len(self.data):
            raise UnreadableError("it goes on after its end")


def day_after(start: date, days: int) -> date:
    """A day so many after another; refuses one outside the calendar."""
    try:
        return start + timedelta(days=days)
    except OverflowError:
        raise UnreadableError("a day in it is out of the calendar") from None


def sealed(mark: str, body: bytes) -> str:
    """The text of a body: mark, letters, check sum."""
    whole = body + zlib.crc32(mark.encode() + body).to_bytes(4, "big")
    return mark + base64.urlsafe_b64encode(whole).decode().rstrip("=")


def opened(mark: str, what: str, text: str) -> bytes:
    """Body of a code, or why it is none.

    Raises
    ------
    UnreadableError
        Foreign, newer, or damaged.
    """
    code = "".join(text.split())
    if not code.startswith("RW") or len(code) < len(mark) + 8:
        raise UnreadableError(f"it is not a rungwise {what} code")
    if code[:4] in (PLAN, LOG) and code[:4] != mark:
        raise UnreadableError(f"it is a rungwise {'plan' if code[:4] == PLAN else 'log'} code")
    if code[2].isdigit() and code[2] != mark[2] and code[3] == mark[3]:
        raise UnreadableError("it was made by a newer rungwise; update this one")
    if code[:4] != mark:
        raise UnreadableError(f"it is not a rungwise {what} code")
    letters = code[4:]
    try:
        whole = base64.b64decode(letters + "=" * (-len(letters) % 4), b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise UnreadableError("it is damaged: a letter is missing or wrong") from None
    if base64.urlsafe_b64encode(whole).decode().rstrip("=") != letters or len(whole) < 5:
        raise UnreadableError("it is damaged: a letter is missing or wrong")
    body, seal = whole[:-4], whole[-4:]
    if zlib.crc32(mark.encode() + body).to_bytes(4, "big") != seal:
        raise UnreadableError("it is damaged: its check sum does not fit")
    return body


def refused(what: str, text: str, why: str) -> InputError:
    """Why a code is refused, as a fault of the input."""
    shown = text.strip()[:24] + ("…" if len(text.strip()) > 24 else "")
    fault = Fault(
        f"{what} code", shown.encode("ascii", "replace").decode(), f"a whole {what} code", why + "."
    )
    return InputError(f"{what} code", (fault,))
