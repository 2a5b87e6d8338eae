"""Hearing back at the edges: nothing taken in is lost, and each foot keeps its own pain."""

from __future__ import annotations

import shutil
import time as clock
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest

from rungwise.cli import main
from rungwise.clinic import decide_now, demo_exams, hand_over, make_plan, read_exam, renew_plan
from rungwise.core.errors import InputError
from rungwise.core.followed import Entry
from rungwise.core.progress import Decision
from rungwise.core.renew import Answer
from rungwise.core.start import dose_words as few_words
from rungwise.core.terms import Dose, Plan
from rungwise.course import blank_answers
from rungwise.diary import DIARY, Shown, add_paper, open_plan
from rungwise.handout import changed_lines
from rungwise.locked import alone_in
from rungwise.measures.diary_chart import diary_ratings
from rungwise.measures.feet import foot_ratings
from rungwise.notes import open_case
from rungwise.notes.kept import keep_note, kept_notes
from rungwise.plan_code import HomeEntry, HomeSession
from rungwise.report import decision_report, dose_words
from rungwise.words import load_words
from tests.factory import make_exam, real_book

BOOK = real_book()
START = date(2026, 11, 20)
TOML = demo_exams()["runner-grade-1"]
RUNNER = read_exam(TOML.replace(str(read_exam(TOML, BOOK).on), str(START)), BOOK)


def day(n: int) -> date:
    return START + timedelta(days=n)


def stamp(n: int) -> datetime:
    return datetime.combine(day(n), time(), UTC)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made") / "plan"
    hand_over(make_plan(RUNNER, BOOK, START), BOOK, folder, stamp(0))
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """The runner's plan, with an empty diary."""
    shutil.copytree(made, tmp_path / "plan")
    return tmp_path / "plan"


def fill(folder: Path) -> None:
    """Ten days, all done calmly."""
    lines = open_plan(folder)[0].lines
    sessions = []
    for n in range(10):
        entries = tuple(
            HomeEntry(i, "all", "", line.dose.sets, line.dose.reps, during=1, morning=0)
            for i, line in enumerate(lines)
            if line.dose.days_per_week > 4 or n % 2 == 0
        )
        sessions.append(HomeSession(day(n), entries))
    add_paper(folder, sessions, day(10))


def accepted(folder: Path, on: int = 10) -> str:
    opened, _, decision = decide_now(folder, BOOK, day(on))
    text = blank_answers(decision, len(opened.plans)).replace('by = ""', 'by = "R. Alder"')
    return text.replace('answer = ""', 'answer = "accept"')


# ------------------------------------------------------------------ many at once


def add_slowly(folder: Path) -> int:
    """Type in one exercise after the other; how many were taken in."""
    count = 0
    for n in range(8):
        for line in range(5):
            session = HomeSession(day(n), (HomeEntry(line, "all", during=2),))
            add_paper(folder, (session,), day(10))
            count += 1
            clock.sleep(0.04)
    return count


def replace_plan(folder: Path) -> int:
    """Make the next version from the examination."""
    hand_over(make_plan(RUNNER, BOOK, START), BOOK, folder, stamp(0), replace=True)
    return open_plan(folder)[0].version


def renew_once(folder: Path, text: str) -> str:
    try:
        renew_plan(folder, BOOK, day(10), text, stamp(10))
    except InputError as error:
        return str(error)
    return "done"


def note_slowly(folder: Path) -> int:
    for n in range(20):
        keep_note(folder, "visit", day(1), f"Seen, {n}.", "R. Alder", day(1))
        clock.sleep(0.05)
    return len(kept_notes(folder))


def test_what_is_taken_in_while_a_version_is_made_is_kept(folder: Path) -> None:
    with ProcessPoolExecutor(3, get_context("spawn")) as pool:
        adding, noting = pool.submit(add_slowly, folder), pool.submit(note_slowly, folder)
        versions = [pool.submit(replace_plan, folder).result() for _ in range(2)]
        assert adding.result() == 40
        assert noting.result() == 20
    assert versions == [2, 3]
    assert len((folder / DIARY).read_text().splitlines()) == 40
    assert len(kept_notes(folder)) == 20
    assert [path.name for path in folder.parent.iterdir()] == ["plan"]


def test_of_two_who_renew_at_once_one_is_told(folder: Path) -> None:
    text = accepted(folder)  # an empty diary: all stays the same
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        said = [one.result() for one in [pool.submit(renew_once, folder, text) for _ in range(2)]]
    assert said.count("done") == 1
    (other,) = (one for one in said if one != "done")
    assert "ecide again" in other
    assert open_plan(folder)[0].version == 2


def test_days_read_before_a_new_version_are_refused(folder: Path) -> None:
    session = HomeSession(day(1), (HomeEntry(0, "all", during=1),))
    replace_plan(folder)
    with pytest.raises(InputError, match="renewed meanwhile"):
        add_paper(folder, (session,), day(10), newest=1)
    assert add_paper(folder, (session,), day(10), newest=2).days == (day(1),)


def test_a_lock_that_was_taken_away_is_taken_anew(tmp_path: Path) -> None:
    with alone_in(tmp_path / "plan") as held:
        assert held
        assert [path.name for path in tmp_path.iterdir()] == [".plan.lock"]
    assert [*tmp_path.iterdir()] == []
    with alone_in(tmp_path / "none" / "plan") as held:
        assert not held


# ------------------------------------------------------------------ on the command line


def test_decide_does_not_name_an_option_that_it_lacks(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "answers.toml"
    out.write_text("mine", "utf-8")
    assert main(["decide", str(folder), "--out", str(out), "--today", str(day(10))]) == 3
    said = capsys.readouterr().err
    assert "Name another." in said
    assert "--replace" not in said
    assert out.read_text("utf-8") == "mine"


def test_a_plan_made_with_another_book_is_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    today = ["--today", str(day(1))]
    main(["decide", str(folder), *today])
    main(["decide", str(folder.parent), *today])
    assert "edition" not in capsys.readouterr().out.replace("regulatory", "")
    plan = folder / "plan.json"
    plan.write_text(plan.read_text("utf-8").replace(f'"{BOOK.edition}"', '"older"'), "utf-8")
    main(["decide", str(folder), *today])
    assert "made with edition older of the book" in capsys.readouterr().out
    main(["decide", str(folder.parent), *today])
    assert f"Made with another edition of the book: {folder}." in capsys.readouterr().out


def test_an_evaluation_tells_the_first_version(folder: Path) -> None:
    first = open_case(folder, "evaluation", BOOK, day(10))
    fill(folder)
    renew_plan(folder, BOOK, day(10), accepted(folder), stamp(10))
    again = open_case(folder, "evaluation", BOOK, day(10))
    assert again == first
    assert again.version == 1
    assert again.plan.on == START
    assert open_case(folder, "progress", BOOK, day(10)).version == 2
    with pytest.raises(InputError, match="progress note"):
        open_case(folder, "evaluation", BOOK, day(10), exam=replace(RUNNER, on=day(9)))


# ------------------------------------------------------------------ whose pain it is


def rated(n: int, side: Any, both: bool, **pains: Any) -> Entry:
    return Entry(day(n), "heel_raise" if both else "toe_press", side, both, "all", **pains)


def usual(right: int, left: int) -> Any:
    pains = [{"pain_usual_nprs": pain} for pain in (right, left)]
    return replace(make_exam(right=pains[0], left=pains[1]), on=START)


def test_pain_of_both_feet_is_that_of_the_sorer_one() -> None:
    entries = [rated(1, "right", True, during=5), rated(1, "left", False, during=1)]
    sorer_right, alike = [usual(3, 0)], [usual(2, 2)]
    assert foot_ratings(entries, "during", "right", sorer_right) == {day(1): 5}
    assert foot_ratings(entries, "during", "left", sorer_right) == {day(1): 1}
    assert foot_ratings(entries, "during", "left", alike) == {day(1): 5}
    shown = [
        Shown(e.on, _line(e), HomeEntry(0, "all", during=e.during), "paper", 1) for e in entries
    ]
    assert diary_ratings(shown, "left", sorer_right)["during"] == {day(1): 1}
    assert diary_ratings(shown, "right", sorer_right)["during"] == {day(1): 5}


def _line(e: Entry) -> Any:
    lines = open_home().lines
    return replace(lines[0], family=e.family, side=e.side, both=e.both)


def open_home() -> Any:
    from rungwise.plan_code import home_plan

    return home_plan(make_plan(RUNNER, BOOK, START), BOOK, bytes(8), bytes(16))


def test_a_foots_own_morning_is_not_swallowed_by_that_of_both() -> None:
    """Typed: right 5, left 1; the exercise for both holds the higher one."""
    entries = [
        rated(1, "right", False, morning=5),
        rated(1, "left", False, morning=1),
        rated(1, "right", True, morning=5),
    ]
    alike = [usual(2, 2)]
    assert foot_ratings(entries, "morning", "left", alike) == {day(2): 1}
    assert foot_ratings(entries, "morning", "right", alike) == {day(2): 5}
    unexplained = [*entries[:2], rated(1, "right", True, morning=7)]
    assert foot_ratings(unexplained, "morning", "left", alike) == {day(2): 7}
    assert foot_ratings(unexplained, "morning", "right", alike) == {day(2): 7}


def test_the_examination_of_the_time_says_which_foot_is_sorer() -> None:
    entries = [rated(1, "right", True, during=4), rated(30, "right", True, during=3)]
    exams = [usual(3, 0), replace(usual(0, 3), on=day(28))]
    assert foot_ratings(entries, "during", "right", exams) == {day(1): 4}
    assert foot_ratings(entries, "during", "left", exams) == {day(30): 3}


# ------------------------------------------------------------------ what is new


def told(decision: Decision, after: Plan, language: str = "en", kind: Any = "accept") -> list[str]:
    answers = {
        (x.exercise.family, x.exercise.side): Answer(kind, "R. Alder", "so") for x in decision.lines
    }
    return [*changed_lines(decision, answers, load_words(language), after)]


def test_the_sheet_tells_the_new_numbers_and_the_old_ones(folder: Path) -> None:
    fill(folder)
    _, _, decision = decide_now(folder, BOOK, day(10))
    plan, *_ = renew_plan(folder, BOOK, day(10), accepted(folder), stamp(10))
    lines = told(decision, plan)
    why = "It went well and your foot stayed calm."
    assert f"Toe press, right foot: hold 10 seconds (was 5), 5 times (was 10). {why}" in lines
    assert f"Arch lift, right foot: one step harder. Now: standing. {why}" in lines
    assert lines[0] in " ".join((folder / "programme.txt").read_text("utf-8").split("\n- "))
    spanish = told(decision, plan, "es")
    assert "mantenga 10 segundos (antes 5), 5 veces (antes 10)." in spanish[0]
    own = told(decision, plan, kind="change")
    assert own[0].startswith("Toe press, right foot: hold 10 seconds (was 5), 5 times (was 10).")
    same = told(decision, make_plan(RUNNER, BOOK, START), kind="change")
    assert all("look at the new steps. Your therapist chose" in line for line in same)


@pytest.mark.parametrize(
    ("rule", "says"),
    [
        ("not_calm", "A bit sore, so no harder yet."),
        ("week_rise", "Your foot was more sore this week."),
        ("week_painful", "Your foot was more sore this week."),
        ("flares", "Your foot was more sore this week."),
        ("foot_alarm", "This foot hurt when you did another exercise."),
        ("worse_joint", "We need to look at your foot again first."),
        ("work_rise", "One thing at a time."),
        ("unrated", "Your diary does not tell us enough yet."),
    ],
)
def test_each_rule_has_its_words(folder: Path, rule: str, says: str) -> None:
    opened, _, decision = decide_now(folder, BOOK, day(1))
    line = decision.lines[0]
    why = replace(line.reasons[0], rule=f"progress.{rule}")
    one = replace(decision, lines=(replace(line, outcome="same", step=None, reasons=(why,)),))
    assert told(one, opened.plan) == [f"Toe press, right foot: the same as before. {says}"]


# ------------------------------------------------------------------ a walk is minutes and days


def test_a_walk_is_told_in_minutes_and_days() -> None:
    plan = make_plan(replace(RUNNER, wanted=("walking",)), BOOK, START)
    (walk,) = (e for e in plan.exercises if e.family == "walking")
    minutes = walk.fitted.rung.settings["minutes"]
    days = f"{walk.dose.days_per_week} days a week"
    assert dose_words(walk.dose, walk.fitted.rung) == f"{minutes} minutes, {days}"
    assert few_words(walk.dose) == dose_words(walk.dose) == days
    assert dose_words(Dose(1, 5, 5, 1, 2, 30, 5)).startswith("1 x 5, hold 5 s")


def test_a_call_is_said_once(folder: Path) -> None:
    _, _, decision = decide_now(folder, BOOK, day(20))
    assert decision.calls
    text = decision_report(decision)
    assert "Call the patient\n    Call: " in text
    assert "call: Call" not in text
