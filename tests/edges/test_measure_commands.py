"""Own error, scores, units and when to measure again, through the command line."""

from __future__ import annotations

import json
import re
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rungwise.book import read_overrides
from rungwise.cli import main
from rungwise.clinic import open_book
from rungwise.core.errors import InputError
from rungwise.measures.typed import read_items, read_pairs, read_targets, read_timed, write_targets
from tests.factory import real_book

BOOK = real_book()
KEY = "rom.sem.nonweightbearing_passive.goniometer.same_rater"
FIRST = (30, 41, 25, 52, 38, 60, 33, 45, 28, 49)
SECOND = (34, 37, 29, 50, 43, 55, 30, 50, 24, 51)
HEAD = "foot,first,second,days_apart\n"
TODAY = ("--today", "2026-11-25")
Capture = pytest.CaptureFixture[str]


def run(capsys: Capture, *args: object) -> tuple[int, str, str]:
    """Run a command: code, output, errors."""
    code = main([str(arg) for arg in args])
    out, err = capsys.readouterr()
    return code, out, err


def data_of(capsys: Capture, *args: object) -> Any:
    code, out, err = run(capsys, *args, "--json")
    assert code == 0, err
    return json.loads(out)


def pairs(folder: Path, rows: list[str] | None = None, days: int = 7, head: str = HEAD) -> Path:
    given = zip(FIRST, SECOND, strict=True)
    lines = rows or [f"f{n},{a},{b},{days}" for n, (a, b) in enumerate(given)]
    path = folder / "pairs.csv"
    path.write_text(head + "\n".join(lines) + "\n", "utf-8")
    return path


# ------------------------------------------------------------------ own error


def test_ten_feet_read_twice(tmp_path: Path, capsys: Capture) -> None:
    """By hand: differences 4 -4 4 -2 5 -5 -3 5 -4 2, mean 0.2, SD √(155.6 / 9) = 4.158.

    SEM = 4.158 / √2 = 2.940; χ² of 9 degrees at 97.5 and 2.5 %: 19.023 and 2.700, so
    2.940 √(9 / 19.023) = 2.02 to 2.940 √(9 / 2.700) = 5.37. MDC95 = 1.96 √2 2.940 = 8.15.
    """
    path = pairs(tmp_path)
    data = data_of(capsys, "own-error", path, *TODAY)
    found = data["found"]
    assert round(found["sem"], 2) == 2.94
    assert (round(found["low"], 2), round(found["high"], 2)) == (2.02, 5.37)
    assert found["bias"] == pytest.approx(0.2)
    assert round(data["beyond_error_from"], 2) == 8.15
    assert data["overrides"] is None  # nobody has said who decides
    out = run(capsys, "own-error", path, *TODAY)[1]
    assert out.startswith(
        "Standard error of one reading: 2.94° (2.02° to 5.37°); the book has 5.33"
    )
    assert "ICC(2,1) 0.94, ICC(3,1) 0.93" in out
    assert "--who NAME" in out


def test_the_text_for_the_overrides_is_taken_by_every_command(
    tmp_path: Path, capsys: Capture
) -> None:
    """The cautious end by default; the estimate, 2.94°, is below what a clinic may set."""
    out = tmp_path / "own.toml"
    args = ("own-error", pairs(tmp_path), "--who", 'R. "Alder"', *TODAY)
    assert run(capsys, *args, "--out", out)[0] == 0
    (one,) = read_overrides(out.read_text("utf-8"), BOOK)
    assert (one.key, one.value) == (KEY, 5.37)
    assert open_book(out.read_text("utf-8")).value(KEY) == 5.37
    assert run(capsys, *args, "--out", out)[0] == 3  # never over a file
    code, _, err = run(capsys, *args, "--estimate", "--out", tmp_path / "other.toml")
    assert code == 3
    assert "got 2.94°" in err
    assert not (tmp_path / "other.toml").exists()


def test_one_session_may_not_become_an_override(tmp_path: Path, capsys: Capture) -> None:
    args = ("own-error", pairs(tmp_path, days=0), "--who", "R. Alder", *TODAY)
    code, out, _ = run(capsys, *args)
    assert code == 0
    assert "Both readings are of one session" in out
    code, _, err = run(capsys, *args, "--out", tmp_path / "own.toml")
    assert code == 3
    assert "days_apart" in err


def test_a_bias_is_told_and_stops_the_override(tmp_path: Path, capsys: Capture) -> None:
    rows = [f"f{n},{a},{b + 12},7" for n, (a, b) in enumerate(zip(FIRST, SECOND, strict=True))]
    data = data_of(capsys, "own-error", pairs(tmp_path, rows), "--who", "R. Alder", *TODAY)
    assert data["found"]["bias_matters"] is True
    assert data["found"]["sem"] == pytest.approx(2.94, abs=0.005)
    assert "bias" in data["refused"]


@pytest.mark.parametrize(
    ("rows", "head", "said"),
    [
        (["a,1,2,7"], HEAD, ["got 1; allowed: at least 10"]),
        (["a,x,2,7", "a,1,,-1"], HEAD, ["row 1.first", "row 2.foot", "row 2.second", "row 2.days"]),
        (["a;1;2;7"], HEAD.replace(",", ";"), ["columns: got foot;first;second;days_apart"]),
        (["a,1,2"], HEAD, ["3 cells"]),
        (['"a,1,2,7'], HEAD, ["CSV, RFC 4180"]),
        (["a,1e999,2,7"], HEAD, ["row 1.first"]),
        (["a,nan,inf,7.5"], HEAD, ["row 1.first", "row 1.second", "row 1.days_apart"]),
        (["=cmd,1,2,7"], "foot,first,second\n", ["4 cells"]),
        (["a,1,2,7"], "", ["columns"]),
        (["a," + "9" * 5000 + ",2,7"], HEAD, ["a number without end"]),
        (["a," + "9" * 400 + ",2," + "9" * 400], HEAD, ["row 1.first"]),
    ],
)
def test_bad_tables_name_every_fault(
    tmp_path: Path, capsys: Capture, rows: list[str], head: str, said: list[str]
) -> None:
    code, out, err = run(capsys, "own-error", pairs(tmp_path, rows, head=head), *TODAY)
    assert (code, out) == (3, "")
    for one in said:
        assert one in err


def test_readings_that_never_differ_and_an_unknown_row(tmp_path: Path, capsys: Capture) -> None:
    same = [f"f{n},{a},{a},7" for n, a in enumerate(FIRST)]
    assert "copied" in run(capsys, "own-error", pairs(tmp_path, same))[2]
    code, _, err = run(capsys, "own-error", pairs(tmp_path), "--row", "pain.safe_max")
    assert code == 3
    assert KEY in err


@settings(max_examples=100, deadline=None)
@given(st.text(), st.lists(st.text()), st.lists(st.text()))
def test_whatever_is_typed_is_read_or_refused(text: str, one: list[str], two: list[str]) -> None:
    for read in (
        lambda: read_pairs(text),
        lambda: read_pairs(HEAD + text),
        lambda: read_timed(one, two),
        lambda: read_targets(one, BOOK),
    ):
        with suppress(InputError):
            read()
    items, faults = read_items(one)
    assert len(items) == len(one)
    assert len(faults) == sum(
        item is None and word != "-" for item, word in zip(items, one, strict=True)
    )


def test_a_target_says_which_way_where_the_book_does_not() -> None:
    words = ["mtp_dorsiflexion_deg>=45.5/2027-03-01", "pain_usual_nprs=2/2027-02-01"]
    words += ["morning_stiffness_min<=5/2027-01-01"]
    found = read_targets(words, BOOK)
    assert {key: (one.value, one.better) for key, one in found.items()} == {
        "mtp_dorsiflexion_deg": (45.5, 1),
        "pain_usual_nprs": (2, None),
        "morning_stiffness_min": (5, -1),
    }
    assert write_targets(found).split() == sorted(words)
    assert read_targets(write_targets(found).split(), BOOK) == found
    assert read_targets(["pain_usual_nprs<=2/2027-02-01"], BOOK)["pain_usual_nprs"].better == -1
    with pytest.raises(InputError, match="lower is better"):
        read_targets(["pain_usual_nprs>=2/2027-02-01"], BOOK)


# ------------------------------------------------------------------ scores


def test_a_form_with_one_item_left_out(capsys: Capture) -> None:
    """By hand: 19 items answered with 61 points: 80 · 61 / (4 · 19) = 64.2 of 80."""
    items = "4 3 - 2 4 4 4 4 3 3 3 3 3 3 3 3 3 3 3 3".split()
    assert sum(int(i) for i in items if i != "-") == 61
    data = data_of(capsys, "score", "lefs", *items, "--before", "57")
    assert data["score"]["value"] == pytest.approx(80 * 61 / (4 * 19))
    assert data["score"]["answered"] == 19
    assert data["change"]["verdict"] == "within error"  # 7.2 against 1.96 √2 3.87 = 10.7
    out = run(capsys, "score", "lefs", *items, "--before", "40")[1]
    assert out.startswith("lefs: 64.2 (higher is better). Beyond error and worthwhile: better.")


def test_a_form_where_less_is_better(capsys: Capture) -> None:
    """92 of 230 points are 40 %; 40 after 60 is -20, and the error of the form is not known."""
    data = data_of(capsys, "score", "ffi.total", *["4"] * 23, "--before", "60")
    assert data["score"]["value"] == pytest.approx(40.0)
    assert data["change"]["verdict"] == "error not known"


def test_too_few_answers_give_no_score(capsys: Capture) -> None:
    out = run(capsys, "score", "faam.adl", *["4"] * 18, "-", "-", "-", "--before", "50")[1]
    assert out.startswith("faam.adl: no score")


def test_an_entered_score_and_the_list_of_forms(capsys: Capture) -> None:
    data = data_of(capsys, "score", "moxfq.pain", "--score", "40", "--before", "60")
    assert data["change"]["difference"] == -20
    code, out, _ = run(capsys, "score")
    assert code == 0
    assert re.search(r"lefs +20 +0 to 4 +higher +10.7 +9 ", out)
    assert "moxfq.pain" in data_of(capsys, "score")


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["lefs", "5", "x", "1.5"], ["got 3; allowed: 20 items", "item 1", "item 2", "item 3"]),
        (["lefs", "1" * 40], ["item 1"]),
        (["lefs"], ["neither"]),
        (["lefs", "1", "--score", "3"], ["both"]),
        (["nonsense", "1"], ["lefs"]),
        (["moxfq.pain", "1"], ["enter the score"]),
        (["lefs", "--score", "81"], ["0 to 80"]),
        (["lefs", "--score", "nan"], ["0 to 80"]),
        (["lefs", "--score", "40", "--before", "-1"], ["0 to 80"]),
    ],
)
def test_bad_forms_name_every_fault(capsys: Capture, args: list[str], said: list[str]) -> None:
    code, out, err = run(capsys, "score", *args)
    assert (code, out) == (3, "")
    for one in said:
        assert one in err


# ------------------------------------------------------------------ units


def test_fifty_minutes_of_three_services(capsys: Capture) -> None:
    """20 + 15 + 15 = 50 min: 3 units, one each, 5 min of the first make nothing."""
    timed = ("--timed", "exercise=20", "--timed", "manual therapy=15", "--timed", "balance=15")
    data = data_of(capsys, "units", *timed)
    for way in ("total_time", "midpoint"):
        one = data["units"][way]
        assert one["total"] == 3
        assert one["each"] == {"exercise": 1, "manual therapy": 1, "balance": 1}
        assert one["left_over"] == {"exercise": 5}
    out = run(capsys, "units", *timed, "--untimed", "hot pack")[1]
    assert out.startswith("50 timed minutes: 3 units by total time, 3 units by the midpoint")
    assert "US timed services only. An arithmetic aid, not billing advice." in out
    assert "hot pack" in out


@pytest.mark.parametrize(("minutes", "total"), [(37, 2), (38, 3), (41, 3), (7, 0), (8, 1), (0, 0)])
def test_the_minutes_at_which_a_unit_begins(capsys: Capture, minutes: int, total: int) -> None:
    data = data_of(capsys, "units", "--timed", f"exercise={minutes}")
    assert data["units"]["total_time"]["total"] == total
    assert data["units"]["midpoint"]["total"] == total


def test_a_tie_is_shown_and_not_decided(capsys: Capture) -> None:
    """19 + 19 = 38 min: 3 units, one each, and one more for either of two equal remainders."""
    timed = ("--timed", "exercise=19", "--timed", "manual therapy=19")
    data = data_of(capsys, "units", *timed)
    assert data["units"]["total_time"]["total"] == 3
    assert data["units"]["total_time"]["tied"] == ["exercise", "manual therapy"]
    assert data["units"]["midpoint"]["total"] == 2
    out = run(capsys, "units", *timed)[1]
    assert out.count("1 or one more (tie)") == 2


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--timed", "a=x", "--timed", "=3", "--timed", "b"], ["'a=x'", "'=3'", "'b'"]),
        (["--timed", "a=5", "--timed", " a =6"], ["each service once"]),
        (["--timed", "a=5", "--untimed", "a"], ["timed and untimed"]),
        (["--timed", "a=-5"], ["'a=-5'"]),
        (["--timed", "a=99999"], ["whole minutes"]),
        (["--timed", "a=5", "--untimed", " "], ["a name"]),
        (["--timed", "a\x1b[2J=5"], ["whole minutes"]),
    ],
)
def test_bad_minutes_name_every_fault(capsys: Capture, args: list[str], said: list[str]) -> None:
    code, out, err = run(capsys, "units", *args)
    assert (code, out) == (3, "")
    for one in said:
        assert one in err


# ------------------------------------------------------------------ when to measure again


def test_when_to_measure_again(capsys: Capture) -> None:
    """3 against 3 readings, SEM 5.33: 2.80 √(2 / 3) 5.33 = 12.2° is seen in 80 % of cases."""
    code, out, _ = run(capsys, "advise", "goniometer")
    assert code == 0
    assert "Measure again in 2 weeks: 3 goniometer readings" in out
    assert "true change of 12.2° or more in 80 % of cases" in " ".join(out.split())
    once = " ".join(run(capsys, "advise", "goniometer", "--before", "1")[1].split())
    assert "against 1 before. That shows a true change of 17.2°" in once  # 2.80 √(4 / 3) 5.33
    assert list(data_of(capsys, "advise")) == [
        "goniometer",
        "goniometer_other_rater",
        "phone_goniometer",
        "photograph",
        "diary",
    ]
    assert run(capsys, "advise", "nonsense")[0] == 3


@pytest.mark.parametrize("before", ["0", "-1", "x", "1001", "١"])
def test_days_that_are_none_are_a_wrong_command_line(before: str) -> None:
    with pytest.raises(SystemExit) as wrong:
        main(["advise", "diary", "--before", before])
    assert wrong.value.code == 2
