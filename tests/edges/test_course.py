"""The course of a patient through real folders and the command line: decide, answer, renew."""

from __future__ import annotations

import json
import shutil
from datetime import date, timedelta
from pathlib import Path

import pytest

from rungwise.cli import main
from rungwise.clinic import decide_now, demo_exams, read_exam, renew_plan
from rungwise.core.errors import InputError
from rungwise.core.progress import Decision
from rungwise.course import (
    DECISIONS,
    EARLIER_PLANS,
    blank_answers,
    digest_of,
    open_course,
    read_answers,
)
from rungwise.diary import DIARY, add_log_code, add_paper, open_plan
from rungwise.kept import read_as, read_plan
from rungwise.plain import to_json
from rungwise.plan_code import HomeEntry, HomeLog, HomeSession, write_log_code
from tests.factory import real_book

BOOK = real_book()
START = date(2026, 11, 20)
TOML = demo_exams()["runner-grade-1"]


def day(n: int) -> date:
    return START + timedelta(days=n)


def examined(n: int, text: str = TOML) -> str:
    """The runner's examination as on the n-th day."""
    first = read_exam(text, BOOK).on
    return text.replace(str(first), str(day(n)))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The runner's plan, made once."""
    folder = tmp_path_factory.mktemp("made")
    exam = folder / "runner.toml"
    exam.write_text(examined(0), "utf-8")
    assert main(["plan", str(exam), "--out", str(folder / "plan"), "--today", str(START)]) == 0
    return folder / "plan"


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    shutil.copytree(made, tmp_path / "plan")
    return tmp_path / "plan"


def fill(folder: Path, days: object = range(10), on: int = 10, **changes: object) -> None:
    """Type in sessions: all done calmly on these days, every other one for three a week."""
    plan = open_plan(folder)[0]
    sessions = []
    for n in days:  # type: ignore[attr-defined]
        entries = tuple(
            HomeEntry(
                i,
                **{  # type: ignore[arg-type]
                    "done": "all",
                    "sets": line.dose.sets,
                    "reps": line.dose.reps,
                    "during": 1,
                    "morning": 0,
                    **changes,
                },
            )
            for i, line in enumerate(plan.lines)
            if line.dose.days_per_week > 4 or n % 2 == 0
        )
        sessions.append(HomeSession(day(n), entries))
    add_paper(folder, sessions, day(on))


def accepted(made: Decision, by: str = "R. Alder", version: int = 1) -> str:
    """The blank with every line accepted."""
    text = blank_answers(made, version).replace('by = ""', f'by = "{by}"')
    return text.replace('answer = ""', 'answer = "accept"')


def renewed(folder: Path, on: int = 10) -> Decision:
    """Accept everything and make the next version."""
    from datetime import UTC, datetime, time

    opened, _, made = decide_now(folder, BOOK, day(on))
    stamp = datetime.combine(day(on), time(), UTC)
    text = accepted(made, version=len(opened.plans))
    renew_plan(folder, BOOK, day(on), text, stamp)
    return made


# ------------------------------------------------------------------ the whole way


def test_decide_answer_renew_on_the_command_line(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(folder)
    answers = tmp_path / "answers.toml"
    today = ["--today", str(day(10))]
    code = main(["decide", str(folder), "--out", str(answers), *today])
    text = capsys.readouterr().out
    assert code in (0, 10)
    assert "You decide" in text
    assert f"Wrote {answers}" in text
    assert "UP" in answers.read_text("utf-8").upper()
    before = (folder / "plan.json").read_bytes()
    code_before = (folder / "plan-code.txt").read_text()
    assert main(["renew", str(folder), "--answers", str(answers), *today]) == 3
    assert "answers" in capsys.readouterr().err
    assert (folder / "plan.json").read_bytes() == before  # nothing was written
    _, _, made = decide_now(folder, BOOK, day(10))
    answers.write_text(accepted(made), "utf-8")
    assert main(["renew", str(folder), "--answers", str(answers), *today]) in (0, 10)
    opened = open_course(folder, BOOK, day(10))
    assert len(opened.plans) == 2
    assert opened.plans[0] == read_plan(before.decode())
    assert opened.starts == START
    assert opened.plan.starts == day(10)
    assert [one.version for one in opened.decided] == [2]
    daily = [line.dose.days_per_week > 4 for line in open_plan(folder)[1].lines]
    assert len(opened.course.entries) == sum(10 if often else 5 for often in daily)
    assert code_before.strip() in (folder / "earlier-codes.txt").read_text()
    assert open_plan(folder)[0].version == 2
    moved = {(e.family, e.side): since for (e) in opened.plan.exercises
             for since in [opened.since[e.family, e.side]]}  # fmt: skip
    for line in made.lines:
        began = moved[line.exercise.family, line.exercise.side]
        assert began == (START if line.step is None else day(10))


def test_the_decision_that_was_kept_is_the_one_that_was_made(folder: Path) -> None:
    fill(folder)
    made = renewed(folder)
    (kept,) = open_course(folder, BOOK, day(10)).decided
    assert kept.decision == made
    assert {(f, s) for f, s, _ in kept.answers} == {
        (line.exercise.family, line.exercise.side) for line in made.lines
    }
    assert all(answer.by == "R. Alder" for *_, answer in kept.answers)
    assert read_as(Decision, to_json(made), "it") == made


def test_three_versions_keep_every_plan_and_the_first_day(folder: Path) -> None:
    fill(folder)
    renewed(folder, 10)
    fill(folder, range(10, 20), 20)
    renewed(folder, 20)
    fill(folder, (20, 21), 22)
    opened = open_course(folder, BOOK, day(22))
    assert [plan.starts for plan in opened.plans] == [START, day(10), day(20)]
    assert [one.version for one in opened.decided] == [2, 3]
    assert sorted(p.name for p in (folder / EARLIER_PLANS).iterdir()) == [
        "plan-1.json",
        "plan-2.json",
    ]
    assert max(e.on for e in opened.course.entries) == day(21)
    assert all(e.counts_up for e in opened.course.entries)


def test_what_comes_in_after_the_decision_is_late(folder: Path) -> None:
    fill(folder)
    plan = open_plan(folder)[0]
    renewed(folder, 10)
    late = HomeSession(day(4), (HomeEntry(0, "all", sets=1, reps=5, during=7, morning=6),))
    code = write_log_code(HomeLog(plan.number, plan.version, 1, (late,)), plan)
    add_log_code(folder, code, day(12))
    course = open_course(folder, BOOK, day(12)).course
    assert [r.rule for r in course.notes] == ["entry.late", "entry.contradicts"]
    (one,) = [e for e in course.entries if e.on == day(4) and e.family == plan.lines[0].family
              and e.side == plan.lines[0].side]  # fmt: skip
    assert (one.during, one.morning, one.counts_up) == (7, 6, False)
    _, _, made = decide_now(folder, BOOK, day(12))
    line = next(x for x in made.lines if x.exercise.family == plan.lines[0].family
                and x.exercise.side == plan.lines[0].side)  # fmt: skip
    assert line.outcome in ("down", "stop and call")


def test_the_json_of_a_decision(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fill(folder)
    main(["decide", str(folder), "--json", "--today", str(day(10))])
    data = json.loads(capsys.readouterr().out)
    assert {line["outcome"] for line in data["lines"]} <= {"up", "same", "down", "stop and call"}
    assert all(line["reasons"] for line in data["lines"])


def test_the_exit_code_says_who_must_be_called(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["decide", str(folder), "--today", str(day(8))]) == 10  # silent for a week
    fill(folder, sharp=True)
    assert main(["decide", str(folder), "--today", str(day(10))]) == 11  # everything is stopped
    assert "STOP AND CALL" in capsys.readouterr().out


def test_several_plans_at_once(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cases = tmp_path / "cases"
    for name in ("calm", "silent", "broken"):
        shutil.copytree(folder, cases / name)
    fill(cases / "calm")
    today = ["--today", str(day(10))]
    assert main(["decide", str(cases / "calm"), str(cases / "silent"), *today]) == 10
    text = capsys.readouterr().out
    assert text.index("silent") < text.index("calm")  # who must be called stands first
    (cases / "broken" / "plan.json").write_text("{}", "utf-8")
    assert main(["decide", str(cases), *today]) == 3
    told = capsys.readouterr()
    assert "broken" in told.err
    assert "calm" in told.out
    assert main(["decide", str(cases), "--json", *today]) == 3
    data = json.loads(capsys.readouterr().out)
    assert len(data["plans"]) == 2
    assert len(data["faults"]) == 1
    out = ["--out", str(tmp_path / "a.toml")]
    assert main(["decide", str(cases), *out, *today]) == 3
    assert not (tmp_path / "a.toml").exists()


def test_the_file_to_answer_in_is_never_written_over(folder: Path, tmp_path: Path) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text("mine", "utf-8")
    fill(folder)
    args = ["decide", str(folder), "--out", str(answers), "--today", str(day(10))]
    assert main(args) == 3
    assert answers.read_text("utf-8") == "mine"


# ------------------------------------------------------------------ a newer examination


def test_a_newer_examination_of_the_same_person_only(folder: Path, tmp_path: Path) -> None:
    fill(folder)
    exam = tmp_path / "new.toml"
    today = ["--today", str(day(10))]
    exam.write_text(examined(10), "utf-8")
    assert main(["decide", str(folder), "--exam", str(exam), *today]) in (0, 10)
    first = read_exam(TOML, BOOK)
    other = examined(10).replace(f'"{first.person.label}"', '"somebody-else"')
    assert other != examined(10)
    exam.write_text(other, "utf-8")
    assert main(["decide", str(folder), "--exam", str(exam), *today]) == 3
    older = examined(0).replace(f"{first.person.birth_year}", "1950")
    exam.write_text(older, "utf-8")
    assert main(["decide", str(folder), "--exam", str(exam), *today]) == 3


def test_an_older_examination_is_refused(folder: Path) -> None:
    with pytest.raises(InputError, match="or later"):
        decide_now(folder, BOOK, day(10), read_exam(examined(-1), BOOK))
    assert decide_now(folder, BOOK, day(10), read_exam(examined(0), BOOK))[2].lines


def test_with_an_examination_anew_the_plan_goes_on_from_that_day(
    folder: Path, tmp_path: Path
) -> None:
    fill(folder)
    exam, answers = tmp_path / "new.toml", tmp_path / "answers.toml"
    exam.write_text(examined(10), "utf-8")
    _, _, made = decide_now(folder, BOOK, day(10), read_exam(examined(10), BOOK))
    assert made.fresh
    answers.write_text(accepted(made), "utf-8")
    args = ["renew", str(folder), "--answers", str(answers), "--exam", str(exam)]
    assert main([*args, "--today", str(day(10))]) in (0, 10)
    plan = open_course(folder, BOOK, day(10)).plan
    assert plan.exam.on == day(10)
    assert plan.ends == day(37)


def test_a_plan_that_ended_with_a_stale_screen_is_not_renewed_into_the_past(
    folder: Path, tmp_path: Path
) -> None:
    fill(folder, range(28), 30)
    _, _, made = decide_now(folder, BOOK, day(30))
    answers = tmp_path / "answers.toml"
    answers.write_text(accepted(made), "utf-8")
    before = (folder / "plan.json").read_bytes()
    args = ["renew", str(folder), "--answers", str(answers), "--today", str(day(30))]
    assert main(args) == 3
    assert (folder / "plan.json").read_bytes() == before


# ------------------------------------------------------------------ killed, damaged, hostile


@pytest.mark.parametrize("name", [DIARY, DECISIONS])
def test_half_a_line_of_a_killed_process_is_not_read(folder: Path, name: str) -> None:
    fill(folder)
    renewed(folder)
    whole = (folder / name).read_bytes()
    before = open_course(folder, BOOK, day(10))
    (folder / name).write_bytes(whole + whole[: len(whole) // 2].replace(b"\n", b""))
    assert open_course(folder, BOOK, day(10)) == before
    fill(folder, range(10, 20), 20)
    renewed(folder, 20)
    opened = open_course(folder, BOOK, day(20))
    assert [one.version for one in opened.decided] == [2, 3]
    assert len(opened.plans) == 3


@pytest.mark.parametrize(
    "line",
    [b"{}\n", b"null\n", b"[1, 2]\n", b'{"version": 2}\n', b"\xff\xfe\n", b"[" * 9999 + b"\n"],
)
def test_a_damaged_line_of_the_decisions_is_one_clear_error(folder: Path, line: bytes) -> None:
    (folder / DECISIONS).write_bytes(line)
    with pytest.raises(InputError):
        open_course(folder, BOOK, day(10))
    assert main(["decide", str(folder), "--today", str(day(10))]) == 3


@pytest.mark.parametrize(
    "text", ["", "{}", "null", "[]", "[" * 9999, '{"on": "2026-01-01"}', "\x00", '{"a": NaN}']
)
def test_a_damaged_plan_is_one_clear_error(
    folder: Path, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "plan.json").write_text(text, "utf-8")
    assert main(["decide", str(folder), "--today", str(day(10))]) == 3
    assert "plan" in capsys.readouterr().err
    assert main(["decide", str(folder.parent / "nowhere"), "--today", str(day(10))]) == 3


def test_a_rung_that_the_book_no_longer_has_is_refused(folder: Path) -> None:
    text = (folder / "plan.json").read_text("utf-8")
    data = json.loads(text)
    data["exercises"][0]["dose_step"] = 99
    (folder / "plan.json").write_text(json.dumps(data), "utf-8")
    with pytest.raises(InputError, match="rung of the book"):
        open_course(folder, BOOK, day(10))
    data = json.loads(text)
    data["exercises"][0]["fitted"]["rung"]["notches"][0][1] = "heroic"
    (folder / "plan.json").write_text(json.dumps(data), "utf-8")
    with pytest.raises(InputError, match="rung of the book"):
        open_course(folder, BOOK, day(10))


def test_a_plan_without_exercises_cannot_be_followed(tmp_path: Path) -> None:
    exam = tmp_path / "e.toml"
    stopped = TOML.replace('hot_swollen_joint = "no"', 'hot_swollen_joint = "both"')
    assert stopped != TOML
    exam.write_text(stopped, "utf-8")
    assert main(["plan", str(exam), "--out", str(tmp_path / "p")]) == 11
    assert main(["decide", str(tmp_path / "p")]) == 3


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("by = ", "TOML"),
        ("juggling = 3", "a table for each line"),
        ("[toe_press]\nright = 3", "a table for each line"),
        ("[juggling.right]\nanswer = 'accept'", "no such line"),
        ("[toe_press.right]\nanswer = 'maybe'", "accept | change | keep"),
        ("[toe_press.right]\nanswer = ''", "accept | change | keep"),
        ("[toe_press.right]\nwhy = 'so'", "accept | change | keep"),
        ("[toe_press.right]\nanswer = ['accept']", "accept | change | keep"),
        ("[toe_press.right]\nanswer = 'change'\ndose_step = 0", "whole number"),
        ("[toe_press.right]\nanswer = 'change'\ndose_step = true", "whole number"),
        ("[toe_press.right]\nanswer = 'change'\ndose_step = 1.5", "whole number"),
        ("[toe_press.right]\nanswer = 'accept'\nforce = 'firm'", "only answer and why"),
        ("[toe_press.right]\nanswer = 'keep'\ndose_step = 2", "only answer and why"),
    ],
)
def test_hostile_answers_are_clear_errors(folder: Path, text: str, says: str) -> None:
    fill(folder)
    _, _, made = decide_now(folder, BOOK, day(10))
    with pytest.raises(InputError) as caught:
        read_answers(f'advice = "{digest_of(made)}"\n{text}', made)
    assert says in str(caught.value)


def test_answers_to_other_advice_are_refused(folder: Path) -> None:
    fill(folder)
    _, _, made = decide_now(folder, BOOK, day(10))
    _, _, later = decide_now(folder, BOOK, day(11))
    for text in (accepted(later), accepted(made, version=2), "by = 'R. Alder'\n"):
        with pytest.raises(InputError, match="Decide again"):
            read_answers(text, made)
    assert read_answers(accepted(made), made)


def test_answers_are_read_as_written(folder: Path) -> None:
    fill(folder)
    _, _, made = decide_now(folder, BOOK, day(10))
    text = f"advice = '{digest_of(made)}'\nby = ' R. Alder '\n[toe_press.right]\n"
    text += "answer = 'change'\nwhy = 'so'\nforce = 'firm'\n"
    found = read_answers(text + "dose_step = 2\n", made)
    (answer,) = found.values()
    assert (answer.kind, answer.by, answer.why) == ("change", "R. Alder", "so")
    assert (dict(answer.notches), answer.dose_step) == ({"force": "firm"}, 2)
    blank = blank_answers(made)
    with pytest.raises(InputError) as caught:
        read_answers(blank, made)
    assert len(caught.value.faults) == len(made.lines)
    assert set(read_answers(accepted(made), made)) == {
        (line.exercise.family, line.exercise.side) for line in made.lines
    }
