"""Read a plan back from the ``plan.json`` that was written for it.

Each value is checked against the type of its field, and the plan must write itself again as the
very values that were read: what another rungwise made is refused. Whether somebody changed a number
by hand, the plan code beside it shows.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, time
from functools import cache
from itertools import repeat
from types import UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from rungwise.core.errors import Fault, InputError
from rungwise.core.planar import Point, Pose
from rungwise.core.terms import LATER, Plan
from rungwise.plain import plain

__all__ = ["Part", "edition_in", "read_as", "read_part", "read_plan"]

Kept = TypeVar("Kept")
PLAIN = (str, bool, int, type(None))
Reader = Callable[[Any], Any]


def read_plan(text: str) -> Plan:
    """The plan that ``rungwise plan`` wrote.

    Parameters
    ----------
    text : str
        Text of ``plan.json``.

    Raises
    ------
    InputError
        When it is no plan, or was made by another rungwise.
    """
    return read_as(Plan, text, "plan.json")


class Part:
    """The parent of a record that names only some of the fields that were written."""


def read_part(kind: type[Kept], text: str, where: str) -> Kept:
    """A part of a record: a few of its fields, by records of the same fields below :class:`Part`.

    It costs a tenth of the whole, and does not tell whether another rungwise wrote the rest.

    Parameters
    ----------
    kind : type
        The part's type.
    text : str
        JSON text of the whole.
    where : str
        Name of the file, for the error.

    Raises
    ------
    InputError
        When there is no such record.
    """
    return _read(kind, text, where)[0]


@dataclass(frozen=True)
class _PartOfPlan(Part):
    edition: str


def edition_in(text: str) -> str:
    """Edition of the book that a plan was made with, without reading the rest of it.

    Parameters
    ----------
    text : str
        Text of ``plan.json``.

    Raises
    ------
    InputError
        When it is no plan.
    """
    return read_part(_PartOfPlan, text, "plan.json").edition


def read_as(kind: type[Kept], text: str, where: str) -> Kept:
    """A frozen record as it was written by :func:`rungwise.plain.plain`.

    Parameters
    ----------
    kind : type
        The record's type.
    text : str
        JSON text.
    where : str
        Name of the file, for the error.

    Raises
    ------
    InputError
        When it is none, or was made by another rungwise.
    """
    found, data = _read(kind, text, where)
    if plain(found) != data:
        raise _refused(where, "something that this rungwise does not write")
    return found


def _read(kind: type[Kept], text: str, where: str) -> tuple[Kept, Any]:
    """A record and the plain data that it was read from."""
    try:
        data = json.loads(text)
        of_any: Any = kind
        found: Kept = _reader(of_any)(data)
    except ValueError:
        raise _refused(where, "text that is no JSON") from None
    except _OtherError as why:
        name = kind.__name__.lower().removeprefix("_partof")
        raise _refused(name + why.place, why.shown) from None
    except RecursionError:
        raise _refused(where, "lists in lists without end") from None
    return found, data


def _refused(field: str, given: str) -> InputError:
    remedy = "Make it again with: rungwise plan EXAM --out FOLDER --replace"
    return InputError("plan", (Fault(field, given, "a plan made by this rungwise", remedy),))


class _OtherError(Exception):
    """A field holds something else than its type says; turned into an InputError at the door."""

    def __init__(self, data: Any) -> None:
        shown = json.dumps(data, ensure_ascii=True)
        self.shown = shown if len(shown) <= 40 else f"{shown[:40]}…"
        self.place = ""

    def within(self, place: str) -> _OtherError:
        """The same, seen from one level further out."""
        self.place = place + self.place
        return self


@cache
def _reader(kind: Any) -> Reader:
    """What turns the plain form of a value of a type into that value; made once for each type."""
    origin, parts = get_origin(kind), get_args(kind)
    if is_dataclass(kind):
        return _record_reader(kind)
    if origin in (Union, UnionType):
        return _union_reader(parts)
    if origin is Literal:
        return _checked(lambda data: isinstance(data, str | int) and data in parts)
    if origin is tuple:
        return _tuple_reader(parts)
    if origin is frozenset:
        each = _reader(parts[0])
        return lambda data: frozenset(map(each, _a(list, data)))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return _mapping_reader(_reader(parts[1]))
    if kind in (date, time):
        return _day_reader(kind)
    if kind is float:  # a NaN is written as null
        is_number = _checked(lambda data: type(data) in (int, float))
        return lambda data: math.nan if data is None else is_number(data)
    return _checked(lambda data: kind in PLAIN and type(data) is kind)


def _checked(fits: Callable[[Any], bool]) -> Reader:
    def read(data: Any) -> Any:
        if not fits(data):
            raise _OtherError(data)
        return data

    return read


def _a(kind: type[Any], data: Any) -> Any:
    if not isinstance(data, kind):
        raise _OtherError(data)
    return data


def _day_reader(kind: Any) -> Reader:
    def read(data: Any) -> Any:
        try:
            return kind.fromisoformat(_a(str, data))
        except ValueError:
            raise _OtherError(data) from None

    return read


def _union_reader(kinds: tuple[Any, ...]) -> Reader:
    readers = [_reader(kind) for kind in kinds if kind is not type(None)]
    may_be_none = type(None) in kinds

    def read(data: Any) -> Any:
        if data is None and may_be_none:
            return None
        for one in readers:
            try:
                return one(data)
            except _OtherError:
                continue
        raise _OtherError(data)

    return read


def _tuple_reader(parts: tuple[Any, ...]) -> Reader:
    many = len(parts) > 1 and parts[1] is ...
    readers = [_reader(part) for part in parts if part is not ...]

    def read(data: Any) -> Any:
        each = repeat(readers[0], len(_a(list, data))) if many else readers
        if not many and len(readers) != len(_a(list, data)):
            raise _OtherError(data)
        found: list[Any] = []
        try:
            for one, entry in zip(each, data, strict=True):
                found.append(one(entry))
        except _OtherError as error:
            raise error.within(f"[{len(found)}]") from None
        return tuple(found)

    return read


def _mapping_reader(each: Reader) -> Reader:
    def read(data: Any) -> Any:
        found = {}
        for key, entry in _a(dict, data).items():
            try:
                found[key] = each(entry)
            except _OtherError as error:
                raise error.within(f".{key}") from None
        return found

    return read


def _record_reader(kind: Any) -> Reader:
    known = get_type_hints(kind, localns={"Pose": Pose, "Point": Point})
    readers = {f.name: _reader(known[f.name]) for f in fields(kind)}
    needed = {f.name for f in fields(kind) if f.metadata != LATER}
    part = issubclass(kind, Part)

    def read(data: Any) -> Any:
        fits = isinstance(data, dict) and data.keys() >= needed
        if not fits or not (part or data.keys() <= readers.keys()):
            raise _OtherError(data)
        found = {}
        for name, one in readers.items():
            if name not in data:  # it came later
                continue
            try:
                found[name] = one(data[name])
            except _OtherError as error:
                raise error.within(f".{name}") from None
        return kind(**found)

    return read
