"""The rules of the house about data, locks and licences, read from the files themselves."""

from __future__ import annotations

import csv
import importlib.metadata
import io
import math
import re
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]
DATA = ROOT / "src" / "rungwise" / "data"
COLUMNS = "key,value,unit,low,high,applies_to,basis,source,where,use,note".split(",")
BASES = {"confirmed", "secondary", "derived", "practice", "memory"}
USES = {"permit", "restrict", "describe"}
Texts = dict[str, str]  # path below data -> text


@pytest.fixture(scope="module")
def texts() -> Texts:
    found = {
        path.relative_to(DATA).as_posix(): path.read_bytes().decode("utf-8")
        for path in sorted(DATA.rglob("*"))
        if path.suffix in {".csv", ".toml"}
    }
    assert "sources.toml" in found
    return found


def tables(texts: Texts) -> Iterator[tuple[str, dict[str, str]]]:
    """Yield (place, row) of every row of every CSV file."""
    for name, text in texts.items():
        if name.endswith(".csv"):
            reader = csv.DictReader(io.StringIO(text), strict=True)
            for row in reader:
                yield f"{name}:{reader.line_num}", row


def cited(texts: Texts) -> Iterator[tuple[str, str]]:
    """Yield (place, source key) wherever data name a source."""
    for place, row in tables(texts):
        yield from ((place, key) for key in keys_in(row.get("source") or ""))
    for name, text in texts.items():
        if name.endswith(".toml") and name != "sources.toml":
            yield from ((name, key) for key in keys_below(tomllib.loads(text)))


def keys_in(cell: str) -> list[str]:
    return [key for key in re.split(r"[\s;,]+", cell) if key]


def keys_below(value: Any) -> Iterator[str]:
    """Yield the source keys of a TOML document, at any depth."""
    if isinstance(value, dict):
        for name, inner in value.items():
            if name in {"source", "sources"}:
                for cell in inner if isinstance(inner, list) else [inner]:
                    yield from keys_in(cell)
            else:
                yield from keys_below(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from keys_below(inner)


def untidy_files(texts: Texts) -> list[str]:
    """List CSV files that are ragged, have other line ends than LF, or no column for the source."""
    faults = []
    for name, text in texts.items():
        if not name.endswith(".csv"):
            continue
        header = text.split("\n")[0].split(",")
        if "\r" in text or not text.endswith("\n"):
            faults.append(f"{name}: lines must end with LF, the last one too")
        if not {"source", "basis"} <= set(header):
            faults.append(f"{name}: needs the columns source and basis")
        if Path(name).name.startswith("constants") and header != COLUMNS:
            faults.append(f"{name}: its columns must be {','.join(COLUMNS)}")
    for place, row in tables(texts):
        if None in row or None in row.values():
            faults.append(f"{place}: too many or too few cells")
    return faults


def rows_without_source(texts: Texts) -> list[str]:
    known = set(tomllib.loads(texts["sources.toml"]))
    faults = [
        f"{place}: no source"
        for place, row in tables(texts)
        if not keys_in(row.get("source") or "")
    ]
    faults += [f"{place}: unknown source {key}" for place, key in cited(texts) if key not in known]
    faults += [
        f"{place}: basis {row.get('basis')!r}"
        for place, row in tables(texts)
        if row.get("basis") not in BASES
    ]
    return faults


def idle_sources(texts: Texts) -> list[str]:
    used = {key for _, key in cited(texts)}
    code = "\n".join(
        path.read_text("utf-8")
        for folder, pattern in ((ROOT / "src", "*.py"), (ROOT / "tests", "*.py"))
        for path in folder.rglob(pattern)
    )
    used |= set(re.findall(r"\b[a-z]+_[a-z0-9_]+\b", code))
    return [key for key in tomllib.loads(texts["sources.toml"]) if key not in used]


def thin_sources(texts: Texts) -> list[str]:
    """List sources that lack a field, and confirmed rows that nobody could look up.

    A year of 0 says undated, an empty author unknown; title and way of reading are always known.
    """
    sources = tomllib.loads(texts["sources.toml"])
    wanted = {"authors": str, "title": str, "year": int, "identifier": str, "read_how": str}
    faults = [
        f"{key}: {field}"
        for key, source in sources.items()
        for field, kind in wanted.items()
        if not isinstance(source.get(field), kind)
        or (field in {"title", "read_how"} and not source[field])
    ]
    for place, row in tables(texts):
        found = [sources.get(key, {}) for key in keys_in(row.get("source") or "")]
        traceable = any(
            s.get("identifier") not in {"", "none", None} or s.get("year") for s in found
        )
        if row.get("basis") == "confirmed" and not traceable:
            faults.append(f"{place}: confirmed by a source without identifier or year")
    return faults


def bad_constants(texts: Texts) -> list[str]:
    """List constants with a bad key, number, unit or use, and permits that rest on memory."""
    faults = []
    seen: Counter[str] = Counter()
    for place, row in tables(texts):
        if not Path(place).name.startswith("constants"):
            continue
        seen[row["key"]] += 1
        if not re.fullmatch(r"[a-z0-9_]+(\.[a-z0-9_]+)+", row["key"]):
            faults.append(f"{place}: key {row['key']!r}")
        if not row["unit"]:
            faults.append(f"{place}: no unit")
        if row["use"] not in USES:
            faults.append(f"{place}: use {row['use']!r}")
        if row["use"] == "permit" and row["basis"] == "memory":
            faults.append(f"{place}: a permit rests on memory")
        try:
            value = float(row["value"])
            low, high = float(row["low"] or value), float(row["high"] or value)
        except ValueError:
            faults.append(f"{place}: not a number")
            continue
        if not (math.isfinite(value) and low <= value <= high):
            faults.append(f"{place}: {value} is not between {low} and {high}")
    return faults + [f"{key} stands {n} times" for key, n in seen.items() if n > 1]


DATA_RULES = [
    untidy_files,
    rows_without_source,
    idle_sources,
    thin_sources,
    bad_constants,
]


@pytest.mark.parametrize("rule", DATA_RULES)
def test_data_keep(rule: Callable[[Texts], list[str]], texts: Texts) -> None:
    faults = rule(texts)
    assert not faults, "\n".join(faults)


GOOD_SOURCE = (
    '[{}]\nauthors = "A"\ntitle = "T"\nyear = 2000\nidentifier = "i"\nread_how = "whole"\n'
)

BARE_SOURCE = (
    '[bare_one]\nauthors = ""\ntitle = "T"\nyear = 0\nidentifier = "none"\nread_how = "cited"\n'
)


@pytest.mark.parametrize(
    ("rule", "row", "faults"),
    [
        (untidy_files, "a.b,1,deg,0,2,x,practice,known_one,,permit,", 0),
        (untidy_files, "a.b,1,deg,0,2,x,practice,known_one,,permit", 1),
        (untidy_files, "a.b,1,deg,0,2,x,practice,known_one,,permit,\r", 1),
        (rows_without_source, "a.b,1,deg,0,2,x,practice,,,permit,", 1),
        (rows_without_source, "a.b,1,deg,0,2,x,practice,known_one other,,permit,", 1),
        (rows_without_source, "a.b,1,deg,0,2,x,hearsay,known_one,,permit,", 1),
        (thin_sources, "a.b,1,deg,0,2,x,confirmed,bare_one,,permit,", 1),
        (thin_sources, "a.b,1,deg,0,2,x,confirmed,bare_one known_one,,permit,", 0),
        (bad_constants, "a.b,1,deg,,,x,practice,known_one,,permit,", 0),
        (bad_constants, "a.b,1,,0,2,x,practice,known_one,,permit,", 1),
        (bad_constants, "a.b,3,deg,0,2,x,practice,known_one,,permit,", 1),
        (bad_constants, "A b,one,deg,0,2,x,practice,known_one,,allow,", 3),
        (bad_constants, "a.b,1,deg,0,2,x,memory,known_one,,permit,", 1),
        (bad_constants, "a.b,1,deg,0,2,x,memory,known_one,,restrict,", 0),
        (bad_constants, "a.b,1,deg,0,2,x,practice,k,,permit,\na.b,1,1,,,x,practice,k,,permit,", 1),
    ],
)
def test_each_data_rule_can_fail(rule: Callable[[Texts], list[str]], row: str, faults: int) -> None:
    planted = {
        "sources.toml": GOOD_SOURCE.format("known_one") + BARE_SOURCE,
        "first_mtp/constants_x.csv": ",".join(COLUMNS) + "\n" + row + "\n",
    }
    assert len(rule(planted)) == faults


def test_a_source_without_use_or_content_is_found() -> None:
    nowhere = "never" + "_cited"
    texts = {"sources.toml": GOOD_SOURCE.format(nowhere) + f"[{nowhere}2]\nyear = 'old'\n"}
    assert idle_sources(texts) == [nowhere, nowhere + "2"]
    assert len(thin_sources(texts)) == 5  # four fields missing, one of the wrong kind


# ------------------------------------------------------------------ locks and licences

RUN, DEV = (
    (ROOT / name).read_text("utf-8") for name in ("requirements.lock", "requirements-dev.lock")
)
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
COPYLEFT = re.compile(r"\b[AL]?GPL|GNU ", re.IGNORECASE)


def pins(lock: str) -> list[str]:
    """Return each ``name==version ; marker`` of a lock file."""
    whole = lock.replace("\\\n", " ")
    return [line.split("--hash")[0].strip() for line in whole.splitlines() if line.strip()]


def loose_pins(lock: str) -> list[str]:
    """List lines that are not one exact version with hashes, or that say where to fetch it."""
    whole = lock.replace("\\\n", " ")
    exact = re.compile(r"[a-z0-9-]+==[\w.]+( ; [^@/]+?)?(\s+--hash=sha256:[0-9a-f]{64})+\s*")
    return [line for line in whole.splitlines() if not exact.fullmatch(line)]


@pytest.mark.parametrize("lock", [RUN, DEV], ids=["run", "dev"])
def test_locks_are_exact_and_name_no_host(lock: str) -> None:
    assert pins(lock)
    assert loose_pins(lock) == []


@pytest.mark.parametrize(
    "line",
    [
        "--index-url https" + "://somewhere.invalid/simple",
        "six==1.17.0",
        "six>=1.17 --hash=sha256:" + "0" * 64,
        "six @ https" + "://somewhere.invalid/six.whl --hash=sha256:" + "0" * 64,
    ],
)
def test_a_loose_pin_is_found(line: str) -> None:
    assert loose_pins(line) == [line]


def test_tests_see_the_versions_that_users_get() -> None:
    """Every run-time pin is a pin of the development set; only its marker may be wider there."""
    tested = {pin.split(" ; ")[0] for pin in pins(DEV)}
    assert {pin.split(" ; ")[0] for pin in pins(RUN)} <= tested


def test_locks_hold_what_is_declared() -> None:
    def names(specs: list[str]) -> set[str]:
        return {re.split(r"[\[<>=;~! ]", spec)[0] for spec in specs}

    run = names(PROJECT["project"]["dependencies"])
    assert run <= names(pins(RUN))
    assert run | names(PROJECT["dependency-groups"]["dev"]) <= names(pins(DEV))


def licence_of(package: str) -> str:
    about = importlib.metadata.metadata(package).json
    classifiers = [c for c in about.get("classifier", []) if c.startswith("License")]
    said = [*map(str, (about.get("license_expression"), about.get("license"))), *classifiers]
    if said == ["None", "None"]:  # the licence stands in a file alone
        named = importlib.metadata.distribution(package).files or ()
        said += [file.read_text() for file in named if file.name.upper().startswith("LICEN")]
    return " ".join(said)


def test_nothing_that_users_get_is_copyleft() -> None:
    installed = {d.name.lower().replace("_", "-") for d in importlib.metadata.distributions()}
    got = {pin.split("==")[0] for pin in pins(RUN)} & installed
    assert {"numpy", "typst", "icalendar"} <= got
    for package in got:
        licence = licence_of(package)
        assert licence != "None None", package
        assert not COPYLEFT.search(licence), f"{package}: {licence}"
    assert COPYLEFT.search(
        licence_of("recurring-ical-events")
    )  # the rule sees one when there is one


def test_each_run_time_dependency_is_justified() -> None:
    page = (ROOT / "docs" / "dependencies.md").read_text("utf-8")
    listed = {
        cells[1].strip() + cells[2].strip()
        for line in page.splitlines()
        if len(cells := line.split("|")) == 6
    }
    assert set(PROJECT["project"]["dependencies"]) <= listed
