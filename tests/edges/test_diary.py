"""The diary of a plan: typed from paper or read from a code, checked alike, never overwritten."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import replace
from datetime import date, timedelta
from multiprocessing import get_context
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
    read_week,
    shown_days,
)
from rungwise.locked import alone
from rungwise.paper import line_names
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


def test_an_older_code_read_later_hides_no_alarm(folder: Path) -> None:
    """The morning and the sharp pain of a day came with the newer code; the older has neither."""
    (plan,) = open_plan(folder)
    first = HomeEntry(0, "all", sets=1, reps=10, before=1, during=2)
    newer = replace(first, done="part", morning=8, sharp=True)
    logs = [
        HomeLog(plan.number, 1, part, (HomeSession(START, (entry,)),))
        for part, entry in ((2, newer), (1, first))
    ]
    add_log_code(folder, write_log_code(logs[0], plan), LATER)
    with pytest.raises(InputError, match="An older hand-over"):
        add_log_code(folder, write_log_code(logs[1], plan), LATER)
    (one,) = shown_days(folder)
    assert one.entry == newer
    # the same when the older one has a day of its own, so that it is taken in
    more = replace(logs[1], sessions=(*logs[1].sessions, HomeSession(LATER, (first,))))
    add_log_code(folder, write_log_code(more, plan), LATER)
    assert [(s.on, s.entry, s.times) for s in shown_days(folder)] == [
        (START, newer, 2),
        (LATER, first, 1),
    ]


def test_one_day_that_cannot_be_blocks_no_other(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (plan,) = open_plan(folder)
    tomorrow, month = LATER + timedelta(days=1), LATER + timedelta(days=30)
    code = write_log_code(log_of(plan, START, tomorrow, month), plan)
    assert main(["diary", "read", code, "--plan", str(folder), "--today", str(LATER)]) == 0
    told = capsys.readouterr().out
    assert "3 day(s)" in told
    assert "never to raise: 2026-12-30" in told
    assert [(s.on, s.outside) for s in shown_days(folder)] == [
        (START, False),
        (tomorrow, False),
        (month, True),
    ]
    assert main(["diary", "show", "--plan", str(folder)]) == 0
    assert "all+" in capsys.readouterr().out


def test_the_worse_entry_counts_and_both_are_kept(folder: Path) -> None:
    plan = open_plan(folder)[0]
    for text in ("1=all/2", "1=part:pain/6", "1=part:pain/3/1"):
        add_paper(folder, (read_entries([text], START, plan),), LATER)
    (one,) = shown_days(folder)
    assert (one.entry.done, one.entry.during, one.entry.morning, one.times) == ("part", 6, 1, 3)
    assert len((folder / DIARY).read_text().splitlines()) == 3
    with pytest.raises(InputError, match="already"):
        add_paper(folder, (read_entries(["1=part:pain/3/1"], START, plan),), LATER)


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
        ("1=all+blood", "entry"),
        ("1=all+9sets", "sets"),
        ("1=none+1sets", "sets"),
        ("heel_rise=all", "Did you mean heel_raise"),
        ("toe_press=all", "toe_press.left"),
        ("1" * 5000 + "=all", "line"),
        ("morning.left=11", "0 to 10"),
        ("morning.left=", "nothing"),
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


def test_a_grid_loses_no_value_and_takes_what_spreadsheets_write(folder: Path) -> None:
    plan = open_plan(folder)[0]
    with pytest.raises(InputError, match=r"row 1.*extra, 7 beyond the header"):
        read_grid("day,line,done\n2026-11-20,1,all,extra,7\n", plan)
    spanish = "\ufeffday;line;done;during\r\n2026-11-20;1;all;2\r\n"
    (session,) = read_grid(spanish, plan)
    assert session.entries[0].during == 2
    for wrong in ("2026-W48-3", "20261120", "20.11.2026", "2026-02-30", ""):
        with pytest.raises(InputError, match=r"row 1\.day"):
            read_grid(f"day,line,done\n{wrong},1,all\n", plan)
    with pytest.raises(InputError, match=r"row 1\.line"):
        read_grid(f"day,line,done\n2026-11-20,{'1' * 5000},all\n", plan)
    with pytest.raises(InputError):
        read_grid("day,line,done\n2026-11-20,1," + '"' + "a" * 200_000, plan)
    told = "day,line,done,why_not,during,morning,sharp,sign,sets\n"
    (session,) = read_grid(
        f"{told}2026-11-20,toe_press.left,part,pain,7,,yes,x,0\n2026-11-20,left,,,,3,,,\n", plan
    )
    (entry,) = session.entries
    assert (entry.sharp, entry.warning, entry.sets, entry.morning) == (True, True, 0, 3)


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


# ------------------------------------------------------------------ typed as printed


#: Lines of the runner's sheet, two printed weeks; what is ticked, with pain 2 and 1 next morning.
TWO_WEEKS = (
    *("1=2..2.2.,2..2.2.", "2=22.222.,22.222.", "3=22.222.,22.222.", "4=22.222.,22.222."),
    *("5=22.222.,22.222.", "6=.2.2.2.,.2.2.2.", "7=.2.2.2.,.2.2.2."),
    *("r=11.1111,11.1111", "l=11.111.,11.111."),
)


def test_two_weeks_of_paper_are_typed_in_under_a_minute(folder: Path) -> None:
    """At 200 letters a minute, an ordinary pace; read back against the long form of each box."""
    plan = open_plan(folder)[0]
    assert len(plan.lines) == 7
    command = ["rungwise", "diary", "add", "--plan", "n-201", "--week", "1", *TWO_WEEKS]
    typed = len(" ".join(command))
    six = typed - len(TWO_WEEKS[6]) - 1
    page = (Path(__file__).parents[2] / "docs/start.md").read_text("utf-8")
    assert f"six lines are {six} letters" in page
    assert f"seven {typed}" in page
    assert six < 200
    version, found = read_week(TWO_WEEKS, 1, plan)
    assert version == 1
    assert sum(len(session.entries) for session in found) == 58 + 2
    long = ["day,line,done,during,morning"]
    for row in TWO_WEEKS[:7]:
        for i, box in enumerate(row[2:].replace(",", "")):
            if box == "2":
                day = START + timedelta(days=i)
                side = plan.lines[int(row[0]) - 1].side
                boxes = TWO_WEEKS[7 if side == "right" else 8][2:].replace(",", "")
                morning = boxes[i].replace(".", "")
                long.append(f"{day},{row[0]},all,2,{morning}")
    same = {(s.on, e) for s in read_grid("\n".join(long), plan) for e in s.entries}
    extra = {(s.on, e) for s in found for e in s.entries} - same
    assert same <= {(s.on, e) for s in found for e in s.entries}
    # a morning of a foot that did nothing that day is kept with a line that was not done
    assert all(e.done == "none" and e.morning == 1 for _, e in extra)


def test_a_printed_row_says_all_that_a_patient_can_write(folder: Path) -> None:
    plan = open_plan(folder)[0]
    _, found = read_week(["toe_press.left=0x.p6tpx."], 1, plan)
    told = [(s.on.day, s.entries[0].done, s.entries[0].during) for s in found]
    assert told == [
        (20, "all", 0),
        (21, "all", None),
        (23, "part", 6),
        (24, "all", 10),
        (25, "part", None),
    ]
    last = (plan.ends - plan.starts).days // 7 + 1
    assert read_week(["1=......2"], last, plan)[1][0].on == plan.ends


@pytest.mark.parametrize(
    ("rows", "week", "says"),
    [
        (["1=2..2.2"], 1, "6 boxes; allowed: 7 boxes"),
        (["1=10..2.2."], 1, "8 boxes"),
        (["1=2..2.2.2..2.2."], 1, "a comma before the next week"),
        (["1=2..2.q."], 1, "t for 10"),
        (["9=2......"], 1, "1 to 7"),
        (["1=2......", "1=3......"], 1, "each line once a day"),
        (["right=1......", "r=2......"], 1, "each foot once a day"),
        (["right=x......"], 1, "nothing"),
        (["1=2......"], 9, "1 to"),
        (["1=2......,.......,.......,.......,......."], 1, "0 boxes"),
        (["1=2......"], date(2026, 11, 21), "2026-11-20, 2026-11-27"),
    ],
)
def test_a_row_that_cannot_be_is_one_clear_error(
    folder: Path, rows: list[str], week: int | date, says: str
) -> None:
    with pytest.raises(InputError, match=says) as caught:
        read_week(rows, week, *open_plan(folder))
    assert len(caught.value.faults) <= 2


def test_days_go_to_the_version_that_was_followed(folder: Path, tmp_path: Path) -> None:
    renewed = START + timedelta(days=7)
    old = open_plan(folder)[0]
    args = ["plan", str(tmp_path / "runner.toml"), "--out", str(folder), "--today", str(renewed)]
    assert main([*args, "--replace"]) == 0
    new = open_plan(folder)[0]
    today = ["--plan", str(folder), "--today", str(LATER)]
    assert main(["diary", "add", "--on", str(START), "1=all/2", *today]) == 0
    assert main(["diary", "add", "--on", str(renewed), "1=all/2", *today]) == 0
    grid = tmp_path / "days.csv"
    grid.write_text(f"day,line,done\n{renewed},2,all\n{START},2,all\n", "utf-8")
    assert main(["diary", "add", "--grid", str(grid), *today]) == 0
    # a row of the old sheet, though part of its week is the new version's by now
    week = ["diary", "add", "--week", str(renewed), "3=2......", *today]
    assert main(week) == 0
    assert read_week(["3=2......"], renewed, new, old)[0] == new.version
    assert read_week(["3=2......"], START, new, old)[0] == old.version
    kept = [json.loads(line) for line in (folder / DIARY).read_text().splitlines()]
    told = [(k["log"]["version"], k["log"]["sessions"][0]["on"]) for k in kept]
    assert told == [
        (old.version, str(START)),
        (new.version, str(renewed)),
        (old.version, str(START)),
        (new.version, str(renewed)),
        (new.version, str(renewed)),
    ]


# ------------------------------------------------------------------ alarms, and the command


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ("1=all/9", "pain 9, above 5"),
        ("1=all/2/6", "pain 6, above 5"),
        ("1=part:pain/3+sharp", "sharp pain or locking"),
        ("1=none:unwell!sign", "a warning sign"),
    ],
)
def test_what_needs_a_call_is_said_at_once(
    folder: Path, capsys: pytest.CaptureFixture[str], entry: str, says: str
) -> None:
    plan = open_plan(folder)[0]
    today = ["--plan", str(folder), "--today", str(LATER)]
    assert main(["diary", "add", "--on", str(START), "2=all/5", entry, *today]) == 10
    (told,) = [x for x in capsys.readouterr().out.splitlines() if x.startswith("CALL: ")]
    assert says in told
    assert str(START) in told
    day = START + timedelta(days=1)
    e = read_entries([entry], day, plan).entries[0]
    code = write_log_code(HomeLog(plan.number, 1, 1, (HomeSession(day, (e,)),)), plan)
    assert main(["diary", "read", code, "--json", *today]) == 10
    (call,) = json.loads(capsys.readouterr().out)["calls"]
    assert call["on"] == str(day)


def test_part_of_the_sets_and_names_can_be_told(folder: Path) -> None:
    plan = open_plan(folder)[0]
    lines = tuple(replace(line, dose=replace(line.dose, sets=3)) for line in plan.lines)
    three = replace(plan, lines=lines)
    session = read_entries(
        ["heel_raise=part:no_time/2+2sets", "toe_press.left=all/1", "morning.left=3"], START, three
    )
    names = line_names(three)
    told = {names[e.line]: (e.done, e.sets, e.during, e.morning) for e in session.entries}
    assert told["heel_raise"][:3] == ("part", 2, 2)
    assert told["toe_press.left"] == ("all", 3, 1, 3)


def add_ten(folder: Path, line: int) -> None:
    """Ten hand-overs of one line, as another process would make them."""
    for i in range(10):
        session = HomeSession(START + timedelta(days=i), (HomeEntry(line, "all", during=2),))
        add_paper(folder, (session,), LATER)


def test_many_may_write_at_once_and_nothing_is_lost(folder: Path) -> None:
    with ProcessPoolExecutor(4, get_context("fork")) as pool:
        for done in [pool.submit(add_ten, folder, line) for line in range(4)]:
            done.result()
    assert len((folder / DIARY).read_text().splitlines()) == 40
    assert len(shown_days(folder)) == 40


def test_a_file_system_without_locks_is_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def no_locks(_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr("rungwise.locked._lock", no_locks)
    today = ["--plan", str(folder), "--today", str(LATER)]
    assert main(["diary", "add", "--on", str(START), "1=all/2", *today]) == 0
    assert "knows no locks" in capsys.readouterr().err
    assert len(shown_days(folder)) == 1
    with (folder / DIARY).open("ab") as file, alone(file) as locked:
        assert not locked


def test_a_stop_by_the_keyboard_is_one_line(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("os.fsync", stop)
    add = ["diary", "add", "--on", str(START), "1=all/2", "--plan", str(folder)]
    with suppress(KeyboardInterrupt):
        assert main([*add, "--today", str(LATER)]) == 130
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err
    blank = folder / "blank.toml"
    assert main(["exam", "new", "--out", str(blank)]) == 130
    assert [path.name for path in folder.glob("*blank*")] == []
    assert [path.name for path in folder.glob(".rungwise-*")] == []


@pytest.mark.parametrize(
    "args",
    [["1=all"], ["--on", "2026-11-20"], ["--week", "1"], ["--week", "1", "--on", str(START)]],
)
def test_a_command_that_says_too_little_or_too_much(folder: Path, args: Sequence[str]) -> None:
    assert main(["diary", "add", *args, "--plan", str(folder)]) == 3
