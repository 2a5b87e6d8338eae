"""The diary of a plan: typed from paper or read from a code, checked alike, never overwritten."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rungwise.cli import main
from rungwise.clinic import demo_exams
from rungwise.core.errors import InputError
from rungwise.diary import (
    DIARY,
    add_log_code,
    add_paper,
    open_plan,
    read_entries,
    read_grid,
    shown_days,
)
from rungwise.plan_code import HomeEntry, HomeLog, HomePlan, HomeSession, write_log_code

START = date(2026, 11, 20)
LATER = START + timedelta(days=10)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The runner's plan."""
    exam = tmp_path / "runner.toml"
    exam.write_text(demo_exams()["runner-grade-1"], "utf-8")
    args = ["plan", str(exam), "--out", str(tmp_path / "plan"), "--today", str(START)]
    assert main(args) == 0
    return tmp_path / "plan"


def log_of(plan: HomePlan, *days: date, part: int = 1) -> HomeLog:
    """A log in which the first line was done on these days."""
    entry = HomeEntry(0, "all", sets=1, reps=10, before=1, during=2, morning=1)
    return HomeLog(plan.number, plan.version, part, tuple(HomeSession(d, (entry,)) for d in days))


def test_paper_and_code_tell_the_same(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (plan,) = open_plan(folder)
    code = write_log_code(log_of(plan, START, START + timedelta(days=1)), plan)
    today = ["--plan", str(folder), "--today", str(LATER)]
    assert main(["diary", "read", code, *today]) == 0
    assert main(["diary", "add", "--on", "2026-11-22", "1=all/3/2", "2=none:no_time", *today]) == 0
    assert main(["diary", "show", *today]) == 0
    text = capsys.readouterr().out
    for part in ("2026-11-20", "2026-11-22", "no time", "paper", "code"):
        assert part in text
    days = [(one.on, one.entry.during) for one in shown_days(folder)]
    assert days == [
        (START, 2),
        (START + timedelta(days=1), 2),
        (START + timedelta(days=2), 3),
        (START + timedelta(days=2), None),
    ]


def test_a_code_is_taken_in_once(folder: Path) -> None:
    (plan,) = open_plan(folder)
    code = write_log_code(log_of(plan, START), plan)
    add_log_code(folder, code, LATER)
    with pytest.raises(InputError, match="already"):
        add_log_code(folder, code, LATER)
    assert len(shown_days(folder)) == 1


def test_the_later_entry_counts_and_both_are_kept(folder: Path) -> None:
    plan = open_plan(folder)[0]
    for text in ("1=all/2", "1=part:pain/6"):
        add_paper(folder, (read_entries([text], START, plan),), LATER)
    (one,) = shown_days(folder)
    assert (one.entry.done, one.entry.during, one.times) == ("part", 6, 2)
    assert len((folder / DIARY).read_text().splitlines()) == 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1", "entry"),
        ("1=al", "Did you mean all"),
        ("99=all", "line"),
        ("0=all", "line"),
        ("1=all/11", "0 to 10"),
        ("1=none:tired", "why_not"),
        ("1=all:pain", "nothing, since all was done"),
        ("1=all/3/2/1", "entry"),
        ("=all", "entry"),
    ],
)
def test_a_faulty_entry_is_one_clear_error(folder: Path, text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read_entries([text], START, open_plan(folder)[0])
    assert not (folder / DIARY).exists()


def test_days_outside_the_plan_or_to_come_are_refused(folder: Path) -> None:
    plan = open_plan(folder)[0]
    one = timedelta(days=1)
    for day in (START - one, plan.ends + one, LATER + one):
        session = HomeSession(day, (HomeEntry(0, "all"),))
        with pytest.raises(InputError, match="outside the plan"):
            add_paper(folder, (session,), LATER)
    with pytest.raises(InputError, match="at least one entry"):
        add_paper(folder, (), LATER)


def test_a_grid_names_every_faulty_row(folder: Path) -> None:
    plan = open_plan(folder)[0]
    good = (
        "day,line,done,why_not,during,morning\n2026-11-20,1,all,,2,1\n2026-11-21,2,part,pain,4,\n"
    )
    assert [s.on for s in read_grid(good, plan)] == [START, START + timedelta(days=1)]
    bad = good + "tomorrow,1,all,,,\n2026-11-20,1,all,,,\n2026-11-22,1,all,,12,\n"
    with pytest.raises(InputError) as caught:
        read_grid(bad, plan)
    assert [f.field for f in caught.value.faults] == ["row 3.day", "row 4.line", "row 5.during"]
    with pytest.raises(InputError, match="header"):
        read_grid("a,b\n1,2\n", plan)


def test_a_new_version_keeps_the_diary_and_reads_the_old_log(folder: Path, tmp_path: Path) -> None:
    old = open_plan(folder)[0]
    add_paper(folder, (read_entries(["1=all/2"], START, old),), LATER)
    code = write_log_code(log_of(old, START + timedelta(days=1)), old)
    args = ["plan", str(tmp_path / "runner.toml"), "--out", str(folder), "--today", str(START)]
    assert main([*args, "--replace"]) == 0
    new, kept = open_plan(folder)
    assert kept == old
    assert (new.number, new.key, new.version) == (old.number, old.key, 2)
    add_log_code(folder, code, LATER)
    assert len(shown_days(folder)) == 2


def test_another_patient_s_code_is_refused(folder: Path, tmp_path: Path) -> None:
    args = ["plan", str(tmp_path / "runner.toml"), "--out", str(tmp_path / "b"), "--today"]
    assert main([*args, str(START)]) == 0
    other = open_plan(tmp_path / "b")[0]
    with pytest.raises(InputError, match="another plan"):
        add_log_code(folder, write_log_code(log_of(other, START), other), LATER)


def test_a_half_written_last_line_is_cut_off(folder: Path) -> None:
    plan = open_plan(folder)[0]
    add_paper(folder, (read_entries(["1=all/2"], START, plan),), LATER)
    whole = (folder / DIARY).read_bytes()
    (folder / DIARY).write_bytes(whole + whole[:30])
    assert len(shown_days(folder)) == 1
    add_paper(folder, (read_entries(["2=all/2"], START, plan),), LATER)
    assert len(shown_days(folder)) == 2
    (folder / DIARY).write_bytes(b"{}\n")
    with pytest.raises(InputError, match="damaged"):
        shown_days(folder)


def test_the_code_command_prints_what_the_sheet_prints(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["code", str(folder)]) == 0
    text = capsys.readouterr().out
    assert text.startswith((folder / "plan-code.txt").read_text())
    assert "toe press" in text
    assert main(["code", str(folder.parent)]) == 3


@given(st.text(max_size=60))
def test_any_text_is_a_log_code_or_a_clear_error(text: str) -> None:
    from rungwise.plan_code import number_of

    with pytest.raises(InputError):
        number_of(text)
