"""The evidence book refuses what must not be in it, and its edition follows its content."""

from __future__ import annotations

import re
import shutil
from importlib.resources import files
from pathlib import Path

import pytest

from rungwise.book import load_book, read_overrides
from rungwise.core.errors import EvidenceError, InputError
from rungwise.core.evidence import Override
from rungwise.uses import uses_of

BOOK = load_book()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the data folder that may be spoiled."""
    shutil.copytree(str(files("rungwise") / "data"), tmp_path / "data")
    return tmp_path / "data"


def spoil(folder: Path, file: str, old: str, new: str) -> None:
    """Replace a text that must be there once or more."""
    path = folder / "first_mtp" / file
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")


ROW = "balance.pass_s,30,s,30,60,stance,practice,common_practice,,permit"


@pytest.mark.parametrize(
    ("new", "says"),
    [
        (ROW.replace(",s,", ",,"), "no unit"),
        (ROW.replace("common_practice", "nobody"), "unknown source"),
        (ROW.replace(",30,60,", ",60,30,"), "low <= value <= high"),
        (ROW.replace(",30,s", ",20,s"), "low <= value <= high"),
        (ROW.replace("practice,common", "memory,common"), "never permit"),
        (ROW.replace("practice,common", "hearsay,common"), "basis"),
        (ROW.replace("permit", "allow"), "use"),
        (ROW.replace("pass_s,30", "pass_s,"), "no value"),
        (ROW.replace(",stance", ""), "wrong number of fields"),
        (ROW.replace("balance.pass_s", "gate.tandem_s"), "stands twice"),
    ],
)
def test_a_bad_row_is_refused(folder: Path, new: str, says: str) -> None:
    spoil(folder, "constants_plan.csv", ROW, new)
    with pytest.raises(EvidenceError, match=says):
        load_book(folder=folder)


def test_a_gate_may_not_rest_on_memory(folder: Path) -> None:
    spoil(
        folder,
        "constants_plan.csv",
        ROW,
        ROW.replace("practice,common", "memory,common").replace("permit", "restrict"),
    )
    with pytest.raises(EvidenceError, match="rests on memory"):
        load_book(folder=folder)


def test_a_dose_may_not_rest_on_memory(folder: Path) -> None:
    spoil(folder, "doses.csv", "5,practice", "5,memory")
    with pytest.raises(EvidenceError, match="rests on memory"):
        load_book(folder=folder)


def test_a_gate_on_an_unknown_measure_is_refused(folder: Path) -> None:
    spoil(folder, "exercises/balance.toml", '"one_leg_s"', '"two_leg_s"')
    with pytest.raises(EvidenceError, match="unknown measure"):
        load_book(folder=folder)


def test_unknown_equipment_is_refused(folder: Path) -> None:
    spoil(folder, "exercises/balance.toml", '"cushion"', '"trampoline"')
    with pytest.raises(EvidenceError, match="unknown equipment"):
        load_book(folder=folder)


def test_the_edition_changes_with_any_content(folder: Path) -> None:
    assert load_book(folder=folder).edition == BOOK.edition
    spoil(folder, "rules_plan.toml", "No trial", "No study") if "No trial" in (
        folder / "first_mtp/rules_plan.toml"
    ).read_text() else spoil(folder, "rules_plan.toml", "No confirmed", "Not one confirmed")
    assert load_book(folder=folder).edition != BOOK.edition


def test_an_unknown_key_or_rule_is_an_error() -> None:
    with pytest.raises(EvidenceError, match="no row"):
        BOOK.row("no.such.key")
    with pytest.raises(EvidenceError, match="no rule"):
        BOOK.reason("no.such.rule")
    with pytest.raises(EvidenceError, match="needs a value"):
        BOOK.reason("plan.screen_stops", side="right")


def test_overrides_name_who_when_why_and_change_edition_and_row() -> None:
    text = '["balance.pass_s"]\nvalue = 45\nwho = "R. Alder"\nwhen = "2026-11-01"\nwhy = "frail"\n'
    book = load_book(overrides=read_overrides(text, BOOK))
    assert book.value("balance.pass_s") == 45
    assert book.edition != BOOK.edition
    assert "R. Alder" in book.row("balance.pass_s").note
    assert BOOK.value("balance.pass_s") == 30


def test_a_dotted_table_is_the_same_key() -> None:
    text = '[balance.pass_s]\nvalue = 45\nwho = "a"\nwhen = "b"\nwhy = "c"\n'
    assert read_overrides(text, BOOK)[0].key == "balance.pass_s"


def test_faulty_overrides_are_all_named_at_once() -> None:
    text = """
["no.such"]
value = 1
["balance.pass_s"]
value = 5
who = "a"
["gate.tandem_s"]
value = "ten"
who = "a"
when = "b"
why = "c"
"""
    with pytest.raises(InputError) as caught:
        read_overrides(text, BOOK)
    fields = [fault.field for fault in caught.value.faults]
    assert fields == ["no.such", "balance.pass_s", "balance.pass_s.value", "gate.tandem_s"]


def test_what_rests_on_memory_or_has_no_range_is_not_a_clinic_s_to_set() -> None:
    memory = [r for r in BOOK.rows.values() if r.basis == "memory"]
    assert memory
    assert all(row.use != "permit" for row in memory)
    closed = [r for r in BOOK.rows.values() if r.basis == "memory" or r.low is None]
    closed += [r for k, r in BOOK.rows.items() if k.startswith(("screen.", "load.", "body."))]
    for row in closed:
        text = f'["{row.key}"]\nvalue = {row.value}\nwho = "a"\nwhen = "b"\nwhy = "c"\n'
        with pytest.raises(InputError, match="not a clinic's to set"):
            read_overrides(text, BOOK)
        with pytest.raises(EvidenceError):
            load_book(overrides=(Override(row.key, row.value, "a", "b", "c"),))


@pytest.mark.parametrize(
    ("key", "looser"),
    [
        ("pain.safe_max", 3),
        ("pain.acceptable_max", 6),
        ("start.bend_grade_max", 3),
        ("gate.first_hold_s", 10),
        ("gate.up_and_go_s", 60),
        ("plan.length_days", 60),
        ("plan.families_max", 7),
        ("rom.sem.nonweightbearing_passive.goniometer.same_rater", 0.1),
    ],
)
def test_a_clinic_may_only_be_stricter(key: str, looser: float) -> None:
    text = f'["{key}"]\nvalue = {looser}\nwho = "a"\nwhen = "b"\nwhy = "c"\n'
    with pytest.raises(InputError, match="range"):
        read_overrides(text, BOOK)


def test_every_row_is_used_by_something() -> None:
    idle = [key for key in BOOK.rows if not uses_of(key, BOOK)]
    assert idle == []


def test_uses_name_rules_exercises_and_code() -> None:
    used = uses_of("pain.safe_max", BOOK)
    assert any(u.startswith("rule ") for u in used)
    assert any(u.startswith("exercise ") for u in used)
    assert any(re.match(r"start\.", u) for u in used)
