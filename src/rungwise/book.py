"""Read the evidence book from its files, check it, and name its edition."""

from __future__ import annotations

import csv
import hashlib
import io
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib import import_module
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any, TypeVar, cast

from rungwise.core.errors import EvidenceError, Fault, InputError
from rungwise.core.evidence import (
    BASES,
    Band,
    Condition,
    Dial,
    DoseRow,
    Evidence,
    Family,
    Item,
    Measure,
    Norm,
    Notch,
    Override,
    Rise,
    Row,
    Rule,
    ScoreItem,
    Source,
    printed,
)
from rungwise.core.ladder import Joint
from rungwise.core.terms import LEVELS, Dose

__all__ = ["joint_of", "load_book", "read_overrides"]

Made = TypeVar("Made")
USES = ("permit", "restrict", "describe")
ROW_COLUMNS = (
    "key,value,unit,low,high,applies_to,basis,source,where,use,note"  # one line, as in the files
).split(",")


def load_book(
    joint: str = "first_mtp",
    overrides: tuple[Override, ...] = (),
    folder: Traversable | None = None,
) -> Evidence:
    """Load the evidence book of a joint.

    Parameters
    ----------
    joint : str
        Name of the joint's data folder.
    overrides : tuple of Override
        A clinic's own values (see :func:`read_overrides`).
    folder : Traversable, optional
        The data folder; the one inside the package by default.

    Returns
    -------
    Evidence
        Checked; its ``edition`` is a digest of every file and override.

    Raises
    ------
    EvidenceError
        When a row lacks its unit or source, low > high, or a permit rests on memory.
    """
    root = files("rungwise") / "data" if folder is None else folder
    read = dict(_texts(root, joint))
    tables = {name: text for name, text in read.items() if name.startswith(f"{joint}/")}
    sources = {
        key: Source(key, s["authors"], s["title"], int(s["year"]), s["identifier"], s["read_how"])
        for key, s in tomllib.loads(read["sources.toml"]).items()
    }
    rows: dict[str, Row] = {}
    for name, text in sorted(tables.items()):
        if name.rpartition("/")[2].startswith("constants") and name.endswith(".csv"):
            for record in _records(name, text, ROW_COLUMNS):
                row = _row(name, record)
                _refuse(row.key in rows, f"{name}: the key {row.key!r} stands twice")
                rows[row.key] = row
    spec = tomllib.loads(tables[f"{joint}/joint.toml"])
    rows = _overridden(rows, overrides, spec["clinic_may_set"])
    families = {}
    doses = _keyed(tables, f"{joint}/doses.csv", _dose)
    for name, text in sorted(tables.items()):
        if "/exercises/" in name:
            family = _family(tomllib.loads(text), doses)
            families[family.key] = family
    rules: dict[str, Rule] = {}
    for name, text in sorted(tables.items()):
        if name.rpartition("/")[2].startswith("rules") and name.endswith(".toml"):
            for key, entry in tomllib.loads(text).items():
                _refuse(key in rules, f"{name}: the rule {key!r} stands twice")
                rules[key] = _rule(key, entry)
    digest = hashlib.sha256()
    for name, text in sorted(read.items()):
        digest.update(f"{name}\0{text}\0".encode())
    digest.update(repr(sorted(overrides, key=lambda o: o.key)).encode())
    book = Evidence(
        joint=joint,
        edition=digest.hexdigest()[:12],
        rows=rows,
        sources=sources,
        measures=_keyed(tables, f"{joint}/measures.csv", _measure),
        items=_keyed(tables, f"{joint}/red_flags.csv", _item),
        score_items=tuple(
            ScoreItem(r["score"], r["key"], float(r["points"]), r["words"], r["basis"], r["source"])
            for r in _records("scores.csv", tables[f"{joint}/scores.csv"])
        ),
        bands=tuple(_band(r) for r in _records("grades.csv", tables[f"{joint}/grades.csv"])),
        rules=rules,
        families=families,
        priority=tuple(spec["priority"]),
        overrides=overrides,
        equipment=tuple(spec["equipment"]),
        clinic_may_set=tuple(spec["clinic_may_set"]),
        norms=tuple(_norms(tables)),
    )
    _check(book)
    return book


def joint_of(book: Evidence) -> Joint:
    """The module of the joint that a book is about."""
    return cast(Joint, import_module(f"rungwise.core.{book.joint}"))


def read_overrides(text: str, book: Evidence) -> tuple[Override, ...]:
    """Read a clinic's own values from TOML.

    Each table is a key of the book with ``value``, ``who``, ``when`` and ``why``.

    Parameters
    ----------
    text : str
        The file's text.
    book : Evidence
        The book whose rows may be overridden.

    Raises
    ------
    InputError
        Names every fault: unknown key, missing word, value outside the row's own range.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        fault = Fault("file", str(error), "a TOML file", "Mend the line named.")
        raise InputError("clinic's overrides", (fault,)) from None
    faults: list[Fault] = []
    found: list[Override] = []
    for key, entry in _flat(tables):
        row = book.rows.get(key)
        if row is None:
            faults.append(
                Fault(key, "no such row", "a key of the book", "List them with: rungwise book")
            )
            continue
        missing = [w for w in ("who", "when", "why") if not str(entry.get(w, "")).strip()]
        if missing:
            faults.append(Fault(key, f"no {', '.join(missing)}", "all three", "Say them."))
        value = entry.get("value")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            faults.append(Fault(key, repr(value), f"a number [{row.unit}]", "Write a number."))
            continue
        if not _settable(row, book.clinic_may_set):
            remedy = "This row is not a clinic's to set: it has no range, or rests on memory."
            faults.append(Fault(key, str(value), str(row), remedy))
            continue
        low, high = book.low(key), book.high(key)
        if not low <= value <= high:
            allowed = f"{low:g} to {printed(high, row.unit)}"
            remedy = "The row's own range bounds what a clinic may set."
            faults.append(Fault(f"{key}.value", printed(value, row.unit), allowed, remedy))
        found.append(Override(key, float(value), *(str(entry.get(w)) for w in WHO_WHEN_WHY)))
    if faults:
        raise InputError("clinic's overrides", tuple(faults))
    return tuple(found)


WHO_WHEN_WHY = ("who", "when", "why")


def _settable(row: Row, prefixes: Sequence[str]) -> bool:
    """Whether a clinic may have its own value: a row with a range that acts by its value."""
    ranged = row.low is not None and row.high is not None
    return ranged and row.basis != "memory" and row.key.startswith(tuple(prefixes))


def _flat(tables: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Mapping[str, Any]]]:
    for name, entry in tables.items():
        key = f"{prefix}{name}"
        if isinstance(entry, dict) and "value" not in entry and "who" not in entry:
            yield from _flat(entry, f"{key}.")
        else:
            yield key, entry if isinstance(entry, dict) else {"value": entry}


def _texts(root: Traversable, joint: str) -> Iterator[tuple[str, str]]:
    yield "sources.toml", (root / "sources.toml").read_text("utf-8")

    def walk(folder: Traversable, prefix: str) -> Iterator[tuple[str, str]]:
        for entry in sorted(folder.iterdir(), key=lambda e: e.name):
            if entry.is_dir():
                yield from walk(entry, f"{prefix}{entry.name}/")
            elif entry.name.endswith((".csv", ".toml")):
                yield f"{prefix}{entry.name}", entry.read_text("utf-8")

    yield from walk(root / joint, f"{joint}/")


def _records(name: str, text: str, columns: list[str] | None = None) -> Iterator[dict[str, str]]:
    reader = csv.DictReader(io.StringIO(text), strict=True)
    if columns is not None and reader.fieldnames != columns:
        raise EvidenceError(f"{name}: columns are {reader.fieldnames}, not {columns}")
    for record in reader:
        if None in record or None in record.values():
            raise EvidenceError(f"{name} line {reader.line_num}: wrong number of fields")
        yield record


def _refuse(wrong: bool, says: str) -> None:
    if wrong:
        raise EvidenceError(says)


def _number(text: str) -> float | None:
    return float(text) if text else None


def _row(name: str, r: dict[str, str]) -> Row:
    where = f"{name}, row {r['key']!r}"
    _refuse(not r["value"], f"{where}: no value")
    row = Row(
        r["key"],
        float(r["value"]),
        r["unit"],
        _number(r["low"]),
        _number(r["high"]),
        r["applies_to"],
        r["basis"],
        r["source"],
        r["where"],
        r["use"],
        r["note"],
    )
    _check_row(row, where)
    return row


def _check_row(row: Row, where: str) -> None:
    _refuse(not row.unit, f"{where}: no unit (write 1 for none)")
    _refuse(row.basis not in BASES, f"{where}: basis {row.basis!r} is not one of {BASES}")
    _refuse(row.use not in USES, f"{where}: use {row.use!r} is not one of {USES}")
    low = row.low if row.low is not None else row.value
    high = row.high if row.high is not None else row.value
    _refuse(not low <= row.value <= high, f"{where}: not low <= value <= high")
    _refuse(
        row.basis == "memory" and row.use == "permit",
        f"{where}: a value that rests on memory may never permit",
    )


def _overridden(
    rows: dict[str, Row], overrides: tuple[Override, ...], prefixes: Sequence[str]
) -> dict[str, Row]:
    changed = dict(rows)
    for o in overrides:
        _refuse(o.key not in rows, f"override of {o.key!r}: the book has no such row")
        old = rows[o.key]
        _refuse(not _settable(old, prefixes), f"override of {o.key!r}: not a clinic's to set")
        note = f"clinic's value by {o.who}, {o.when}: {o.why} (book: {old.value:g}). {old.note}"
        new = Row(
            old.key,
            o.value,
            old.unit,
            old.low,
            old.high,
            old.applies_to,
            old.basis,
            old.source,
            old.where,
            old.use,
            note.strip(),
        )
        _check_row(new, f"override of {o.key!r}")
        changed[o.key] = new
    return changed


def _keyed(
    tables: Mapping[str, str], name: str, make: Callable[[dict[str, str]], Made]
) -> dict[str, Made]:
    found: dict[str, Made] = {}
    for record in _records(name, tables[name]):
        _refuse(record["key"] in found, f"{name}: the key {record['key']!r} stands twice")
        found[record["key"]] = make(record)
    return found


def _measure(r: dict[str, str]) -> Measure:
    _refuse(not r["unit"], f"measures.csv, row {r['key']!r}: no unit")
    return Measure(
        r["key"],
        r["kind"],
        r["per"],
        r["unit"],
        _number(r["low"]),
        _number(r["high"]),
        tuple(r["choices"].split()),
        tuple(r["methods"].split()),
        tuple(r["instruments"].split()),
        tuple(r["zeros"].split()),
        r["basis"],
        r["source"],
        r["help"],
    )


def _norms(tables: Mapping[str, str]) -> Iterator[Norm]:
    """Every row of the tables of norms."""
    for name, text in sorted(tables.items()):
        if name.rpartition("/")[2].startswith("norms_"):
            for r in _records(name, text):
                where = f"{name}, {r['measure']} {r['sex']} {r['age_from']}"
                _refuse(not r["unit"], f"{where}: no unit (write 1 for none)")
                _refuse(bool(r["sd"]) != bool(r["sd_basis"]), f"{where}: sd and its basis")
                yield Norm(
                    r["measure"],
                    r["condition"],
                    r["sex"],
                    int(r["age_from"]),
                    int(r["age_to"]),
                    _number(r["mean"]),
                    _number(r["sd"]),
                    _number(r["cut"]),
                    _number(r["top"]),
                    r["unit"],
                    r["basis"],
                    r["sd_basis"],
                    r["source"],
                    r["where"],
                    r["note"],
                )


def _rule(key: str, entry: Mapping[str, Any]) -> Rule:
    return Rule(
        key,
        int(entry["version"]),
        entry["says"],
        tuple(entry.get("keys", ())),
        entry["source"],
        entry["basis"],
    )


def _item(r: dict[str, str]) -> Item:
    _refuse(r["level"] not in LEVELS, f"red_flags.csv, row {r['key']!r}: level {r['level']!r}")
    return Item(
        r["key"],
        r["code"],
        r["per"],
        r["level"],
        r["ask"],
        r["positive"],
        r["do"],
        frozenset(r["forbids"].split()),
        r["basis"],
        r["source"],
        r["where"],
    )


def _band(r: dict[str, str]) -> Band:
    return Band(
        int(r["grade"]),
        float(r["deg_over"]),
        float(r["deg_to"]),
        float(r["loss_from"]),
        float(r["loss_under"]),
        int(r["tier_max"]),
        float(r["bend_share_max"]),
        int(r["tier_top"]),
        float(r["bend_share_top"]),
        frozenset(r["forbids"].split()),
        r["basis"],
        r["source"],
        r["note"],
    )


def _condition(entry: Mapping[str, Any]) -> Condition:
    return Condition(
        entry["measure"],
        bool(entry.get("person", False)),
        entry.get("at_least"),
        entry.get("at_most"),
        entry.get("equals"),
        _condition(entry["or"]) if "or" in entry else None,
    )


def _conditions(entries: list[Mapping[str, Any]] | None) -> tuple[Condition, ...]:
    return tuple(_condition(entry) for entry in entries or ())


def _dose(r: dict[str, str]) -> DoseRow:
    dose = Dose(
        int(r["sets"]),
        int(r["reps"]),
        float(r["hold_s"]),
        float(r["lift_s"]),
        float(r["lower_s"]),
        float(r["rest_s"]),
        int(r["days_per_week"]),
    )
    return DoseRow(r["key"], dose, r["basis"], r["source"], r["note"])


def _family(spec: Mapping[str, Any], doses: Mapping[str, DoseRow]) -> Family:
    dials = []
    for dial in spec.get("dial", ()):
        notches = tuple(
            Notch(
                notch["key"],
                dict(notch.get("set", {})),
                frozenset(notch.get("tags", ())),
                frozenset(notch.get("needs", ())),
                _conditions(notch.get("start_if")),
                _conditions(notch.get("allow_if")),
                int(notch.get("after_dose", 0)),
            )
            for notch in dial["notch"]
        )
        dials.append(Dial(dial["key"], dial["raises"], notches))
    rise = spec["rise"]
    return Family(
        spec["family"],
        bool(spec.get("optional", False)),
        bool(spec.get("per_foot", True)),
        dict(spec.get("set", {})),
        frozenset(spec.get("tags", ())),
        frozenset(spec.get("needs", ())),
        _conditions(spec.get("allow_if")),
        tuple(dials),
        tuple(d for key, d in doses.items() if key.rpartition(".")[0] == spec["family"]),
        tuple(spec["sources"]),
        Rise(
            tuple(rise["order"]),
            int(rise["dose_to"]),
            int(rise["dose_least"]),
            int(rise["dose_after"]),
        ),
    )


def _check(book: Evidence) -> None:
    """Refuse a book whose parts do not fit together."""
    named = [
        *((f"row {r.key!r}", r.source, r.basis) for r in book.rows.values()),
        *((f"measure {m.key!r}", m.source, m.basis) for m in book.measures.values()),
        *((f"item {i.key!r}", i.source, i.basis) for i in book.items.values()),
        *((f"score item {s.key!r}", s.source, s.basis) for s in book.score_items),
        *((f"grade {b.grade}", b.source, b.basis) for b in book.bands),
        *((f"norm of {n.measure!r}", n.source, n.basis) for n in book.norms),
        *((f"rule {r.key!r}", r.source, r.basis) for r in book.rules.values()),
        *((f"dose {d.key!r}", d.source, d.basis) for f in book.families.values() for d in f.doses),
        *((f"family {f.key!r}", s, "practice") for f in book.families.values() for s in f.sources),
    ]
    for what, source, basis in named:
        _refuse(source not in book.sources, f"{what}: unknown source {source!r}")
        _refuse(basis not in BASES, f"{what}: basis {basis!r} is not one of {BASES}")
    for rule in book.rules.values():
        for key in rule.keys:
            book.row(key)
    for family in book.families.values():
        _refuse(not family.doses, f"family {family.key!r}: no dose in doses.csv")
        for dose in family.doses:
            _refuse(dose.basis == "memory", f"dose {dose.key!r} rests on memory")
        for condition in _all_conditions(family):
            known = condition.measure == "grade" or condition.measure in book.measures
            _refuse(not known, f"family {family.key!r}: unknown measure {condition.measure!r}")
            for gate in (condition.at_least, condition.at_most):
                if gate is not None:
                    weak = book.row(gate).basis == "memory"
                    _refuse(weak, f"family {family.key!r}: the gate {gate!r} rests on memory")
        rise = family.rise
        _refuse(
            sorted(rise.order) != sorted(dial.key for dial in family.dials)
            or not 1 <= rise.dose_after <= rise.dose_to <= len(family.doses)
            or not rise.dose_after <= rise.dose_least <= rise.dose_to,
            f"family {family.key!r}: rise names other dials or doses than it has",
        )
        equipment = family.needs.union(*(n.needs for d in family.dials for n in d.notches))
        unknown = equipment - set(book.equipment)
        _refuse(bool(unknown), f"family {family.key!r}: unknown equipment {sorted(unknown)}")
    _refuse(
        set(book.priority) != set(book.families),
        "joint.toml: priority and the exercise files name different families",
    )


def _all_conditions(family: Family) -> Iterator[Condition]:
    for conditions in (
        family.allow_if,
        *(c for dial in family.dials for n in dial.notches for c in (n.start_if, n.allow_if)),
    ):
        for condition in conditions:
            yield condition
            if condition.instead is not None:
                yield condition.instead
