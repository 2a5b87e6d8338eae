"""What has changed, through real folders and the command line, against numbers worked by hand."""

from __future__ import annotations

import json
import re
import shutil
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from rungwise.cli import main
from rungwise.clinic import demo_exams
from rungwise.diary import add_paper, open_plan
from rungwise.plan_code import HomeEntry, HomeSession

START = date(2026, 11, 20)
RUNNER = demo_exams()["runner-grade-1"]
READING = """
[[right.mtp_dorsiflexion_deg]]
value = {value}
method = "nonweightbearing_passive"
instrument = "{instrument}"
zero = "metatarsal_shaft"
"""
BEND = "mtp_dorsiflexion_deg"


def day(n: int) -> date:
    return START + timedelta(days=n)


def examined(
    n: int,
    bends: tuple[float, ...] = (38,),
    instrument: str = "goniometer",
    changes: Mapping[str, str] | None = None,
) -> str:
    """The runner examined on the n-th day, with these readings of the right foot."""
    head, _, rest = RUNNER.partition("[[right.mtp_dorsiflexion_deg]]")
    text = head + "".join(READING.format(value=b, instrument=instrument) for b in bends)
    text += "\n[left]" + rest.partition("[left]")[2]
    text = text.replace(f"date = {START}", f"date = {day(n)}")
    for old, new in (changes or {}).items():
        assert old in text
        text = text.replace(old, new)
    return text


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / f"{name}.toml"
    path.write_text(text, "utf-8")
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The runner's plan, made once."""
    folder = tmp_path_factory.mktemp("made")
    exam = write(folder, "runner", examined(0))
    assert main(["plan", str(exam), "--out", str(folder / "plan"), "--today", str(START)]) == 0
    return folder / "plan"


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    shutil.copytree(made, tmp_path / "plan")
    return tmp_path / "plan"


Capture = pytest.CaptureFixture[str]


def run(capsys: Capture, *args: object) -> tuple[int, str, str]:
    """Run a command: code, output, errors."""
    capsys.readouterr()
    code = main([str(arg) for arg in args])
    out, err = capsys.readouterr()
    return code, out, err


def told(capsys: Capture, folder: Path, *exams: Path, more: tuple[object, ...] = ()) -> Any:
    """The change as JSON."""
    given = [word for exam in exams for word in ("--exam", exam)]
    code, out, err = run(capsys, "change", folder, *given, *more, "--today", day(120), "--json")
    assert code == 0, err
    return json.loads(out)


def series(data: Any, measure: str, side: str | None = "right") -> list[Any]:
    return [one for one in data["measures"] if (one["measure"], one["side"]) == (measure, side)]


# ------------------------------------------------------------------ worked values


@pytest.mark.parametrize(
    ("after", "z", "verdict"), [(47, 1.59, "within error"), (52, 2.26, "beyond error")]
)
def test_a_bend_of_35_that_becomes_47_or_52(
    folder: Path, tmp_path: Path, capsys: Capture, after: float, z: float, verdict: str
) -> None:
    """By hand: SEM 5.33, MDC95 = 1.96 √2 5.33 = 14.8; 12 / 7.54 = 1.59, 17 / 7.54 = 2.26."""
    exams = [
        write(tmp_path, "a", examined(-30, (35,))),
        write(tmp_path, "b", examined(60, (after,))),
    ]
    (one,) = series(told(capsys, folder, *exams), BEND)
    assert [value for _, value in one["days"]] == [35, 38, after]
    assert one["change"]["verdict"] == verdict
    assert round(one["change"]["z"], 2) == z
    assert round(one["change"]["mdc95"], 1) == 14.8
    if after == 52:
        assert round(one["change"]["p_two_sided"], 3) == 0.024
    assert one["change"]["size"] is None  # the book holds no worthwhile change of the bend


def test_another_therapist_makes_the_error_larger(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    """SEM between raters 6.76: MDC95 = 1.96 √2 6.76 = 18.7, and 17° is within it."""
    exams = [
        write(tmp_path, "a", examined(-30, (35,))),
        write(tmp_path, "b", examined(60, (52,), changes={"R. Alder, PT": "B. Oak, PT"})),
    ]
    (one,) = series(told(capsys, folder, *exams), BEND)
    assert one["change"]["verdict"] == "within error"
    assert round(one["change"]["mdc95"], 1) == 18.7


@pytest.mark.parametrize(
    ("before", "after", "share", "size", "verdict"),
    [
        (6, 4, -33.3, "much_better", "beyond error and worthwhile"),
        (4, 3, -25.0, "minimal", "within error"),
    ],
)
def test_pain_of_6_to_4_and_of_4_to_3(
    folder: Path,
    tmp_path: Path,
    capsys: Capture,
    before: int,
    after: int,
    share: float,
    size: str,
    verdict: str,
) -> None:
    """-2 points and -33 % are much better; -1 and -25 % only minimally. MDC95 1.96 √2 0.48."""
    worst = "pain_worst_nprs = 4"
    exams = [
        write(tmp_path, "a", examined(-30, changes={worst: f"pain_worst_nprs = {before}"})),
        write(tmp_path, "b", examined(60, changes={worst: f"pain_worst_nprs = {after}"})),
    ]
    data = told(capsys, folder, *exams)
    (one,) = series(data, "pain_worst_nprs")
    change = one["change"]
    assert round(change["share_pct"], 1) == share
    assert (change["size"], change["verdict"]) == (size, verdict)
    assert round(change["mdc95"], 2) == 1.33


def test_the_first_line_is_the_answer(folder: Path, tmp_path: Path, capsys: Capture) -> None:
    """What got worse beyond error comes first; then what got better; then the counts."""
    changes = {"heel_raise_count = 27": "heel_raise_count = 15", "worst_nprs = 4": "worst_nprs = 2"}
    exam = write(tmp_path, "b", examined(56, (52,), changes=changes))
    args = ("change", folder, "--exam", exam, "--today", day(60))
    code, out, _ = run(capsys, *args)
    assert code == 0
    answer = " ".join(out.split("\n\n")[0].split())
    assert answer.startswith(
        "N-101, 2026-11-20 to 2027-01-15: 1 beyond error, WORSE: Heel raises on one leg, left. "
        "1 beyond error and worthwhile, better: Worst pain on walking in the last week, right."
    )
    assert re.search(r"Dorsiflexion.* right +38 to 52° +\+14 \(-0.8 to \+28.8\) +97 %", out)
    assert "a new start, see reasons" in out
    assert "Heel raises on one leg, left: 15 at 35 years: below the mean" in out
    assert "Measure again in 2 weeks: 3 goniometer readings by one person" in out
    # what stayed the same has its reasons only when asked for
    assert "error alone makes up to 1.1 s" not in out
    assert "error alone makes up to 1.1 s" in run(capsys, *args, "--why")[1]


# ------------------------------------------------------------------ what belongs together


def test_another_instrument_is_a_series_by_itself(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    exams = [
        write(tmp_path, "a", examined(20, (60,), "phone_goniometer")),
        write(tmp_path, "b", examined(40, (62,), "phone_goniometer")),
    ]
    data = told(capsys, folder, *exams)
    one, two = series(data, BEND)
    assert (one["instrument"], one["change"]) == ("goniometer", None)
    assert two["instrument"] == "phone_goniometer"
    assert two["change"]["difference"] == 2
    assert len(data["notes"]) == 1
    assert "read in 2 ways" in data["notes"][0]
    text = run(capsys, "change", folder, "--exam", exams[0], "--exam", exams[1], "--today", day(60))
    assert "never compared" in " ".join(text[1].split())


def test_a_way_without_a_known_error_claims_nothing(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    exam = write(tmp_path, "b", examined(56, changes={"press_n = 95": "press_n = 200"}))
    (one,) = series(told(capsys, folder, exam), "press_n")
    assert one["change"]["verdict"] == "error not known"
    assert (one["change"]["z"], one["sem"], one["ahead"]) == (None, None, None)


def test_presses_at_other_bends_are_told(folder: Path, tmp_path: Path, capsys: Capture) -> None:
    exam = write(tmp_path, "b", examined(56, changes={"press_bend_deg = 0": "press_bend_deg = 20"}))
    (one,) = series(told(capsys, folder, exam), "press_n")
    assert one["notes"] == ["Taken at different bends (0°, 20°): another test."]


def test_a_reading_that_a_later_examination_repeats_counts_once(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    text = examined(56, (50,))
    old = READING.format(value=38, instrument="goniometer") + f"date = {START}\n"
    exam = write(tmp_path, "b", text.replace("\n[left]", old + "\n[left]"))
    (one,) = series(told(capsys, folder, exam), BEND)
    assert one["days"] == [[str(START), 38.0], [str(day(56)), 50.0]]


def test_the_folder_itself_holds_the_examinations(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    exam = write(tmp_path, "b", examined(14, (45,)))
    args = ("plan", exam, "--out", folder, "--replace", "--today", day(14))
    assert run(capsys, *args)[0] == 0
    data = told(capsys, folder)
    assert data["exams"] == [str(START), str(day(14))]
    (one,) = series(data, BEND)
    assert one["change"]["difference"] == 7


def test_one_examination_tells_no_change(folder: Path, capsys: Capture) -> None:
    code, out, _ = run(capsys, "change", folder, "--today", day(3))
    assert code == 0
    assert out.startswith(f"N-101, {START}: nothing was read on two days yet")
    assert "3 more readings needed" in out
    assert "Not yet, 3 more days of reading needed" in out


def test_somebody_without_a_programme_can_be_followed(tmp_path: Path, capsys: Capture) -> None:
    text = RUNNER.replace('hot_swollen_joint = "no"', 'hot_swollen_joint = "both"')
    exam = write(tmp_path, "a", text)
    assert run(capsys, "plan", exam, "--out", tmp_path / "none", "--today", START)[0] == 11
    later = write(tmp_path, "b", examined(56, (50,)))
    (one,) = series(told(capsys, tmp_path / "none", later), BEND)
    assert one["change"]["difference"] == 12


def test_a_programme_that_ended_leaves_the_diary_and_says_so(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    text = examined(14, (45,), changes={'hot_swollen_joint = "no"': 'hot_swollen_joint = "both"'})
    exam = write(tmp_path, "b", text)
    assert run(capsys, "plan", exam, "--out", folder, "--replace", "--today", day(14))[0] == 11
    data = told(capsys, folder)
    assert data["exams"] == [str(START), str(day(14))]
    assert data["diary"] == []
    assert data["notes"] == ["The present version has no exercises: the diary is not read."]


# ------------------------------------------------------------------ activities, targets, forecast


def test_the_activity_with_its_target_and_four_ratings(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    """6 to 9 in four ratings: 3 / (√2 1.29) = 1.64, within error; the target of 9 is reached."""
    exams = [
        write(tmp_path, f"e{i}", examined(14 * i, changes={"rating = 6": f"rating = {6 + i}"}))
        for i in (1, 2, 3)
    ]
    data = told(capsys, folder, *exams)
    (run10,) = data["activities"]
    assert (run10["name"], run10["target"], run10["by"]) == ("run 10 km", 9.0, "2027-03-01")
    assert round(run10["change"]["z"], 2) == 1.64
    assert run10["ahead"]["p_target"] is None  # the band is wider than 0 to 10 by then
    assert run10["ahead"]["fan"]["dates"][-1] == "2027-03-01"
    text = run(
        capsys, "change", folder, *(w for e in exams for w in ("--exam", e)), "--today", day(60)
    )[1]
    assert re.search(r"“run 10 km” +9 +9 +2027-03-01  yes +too far off to say", text)
    two = told(capsys, folder, *exams[:2])
    assert two["activities"][0]["ahead"]["missing"] == 1


def test_three_activities_have_a_mean(tmp_path: Path, capsys: Capture) -> None:
    """Means 4 and 7: 3 / (√2 0.86) = 2.47, beyond error; 3 is a large gain (2.7)."""
    more = "".join(f'[[activity]]\nname = "{n}"\nrating = RATED\ntarget = 9\n\n' for n in "ab")
    text = examined(0).replace("rating = 6", "rating = RATED").replace("[right]", more + "[right]")
    exam = write(tmp_path, "a", text.replace("RATED", "4"))
    assert run(capsys, "plan", exam, "--out", tmp_path / "p", "--today", START)[0] == 0
    later = text.replace(f"date = {START}", f"date = {day(40)}").replace("RATED", "7")
    data = told(capsys, tmp_path / "p", write(tmp_path, "b", later))
    assert round(data["activity_change"]["z"], 2) == 2.47
    assert data["activity_change"]["verdict"] == "beyond error and worthwhile"
    assert data["activity_change"]["size"] == "large"


def test_a_target_for_a_measure(folder: Path, tmp_path: Path, capsys: Capture) -> None:
    exams = [write(tmp_path, f"e{i}", examined(14 * i, (38 + 4 * i,))) for i in (1, 2, 3)]
    data = told(capsys, folder, *exams, more=("--target", f"{BEND}=45/{day(70)}"))
    (one,) = series(data, BEND)
    assert (one["target"], one["by"]) == (45.0, str(day(70)))
    assert 0.5 < one["ahead"]["p_target"] < 1
    past = told(capsys, folder, *exams, more=("--target", f"{BEND}=45/{day(42)}"))
    (one,) = series(past, BEND)
    assert one["ahead"]["p_target"] is None
    assert "is not after the last reading" in one["notes"][0]


# ------------------------------------------------------------------ the diary, before and after


def rate(folder: Path, pains: Mapping[int, int]) -> None:
    """Type in the first exercise of the right foot with the pain during it, day by day."""
    plan = open_plan(folder)[0]
    index = next(i for i, x in enumerate(plan.lines) if x.side == "right" and not x.both)
    sessions = [
        HomeSession(day(n), (HomeEntry(index, "part", "", sets=0, reps=0, during=pain),))
        for n, pain in pains.items()
    ]
    add_paper(folder, sessions, day(max(pains)))


def test_the_first_and_the_last_week_of_diary_pain(folder: Path, capsys: Capture) -> None:
    """5 to 3 over 7 days each: noise 1.2 / √7 = 0.45, never below 0.48; MDC95 = 1.33."""
    rate(folder, {n: 5 if n < 7 else 3 for n in (*range(7), *range(14, 21))})
    code, out, _ = run(capsys, "change", folder, "--today", day(21), "--json")
    assert code == 0
    (pain,) = json.loads(out)["diary"]
    assert (pain["when"], pain["side"], pain["rated"]) == ("during", "right", 14)
    assert (pain["first"]["pain_nprs"], pain["last"]["pain_nprs"]) == (5, 3)
    assert pain["change"]["verdict"] == "beyond error and worthwhile"
    assert round(pain["change"]["mdc95"], 2) == 1.33
    assert "daily ratings of pain" in run(capsys, "change", folder, "--today", day(21))[1]


def test_too_few_rated_days_are_told(folder: Path, capsys: Capture) -> None:
    rate(folder, dict.fromkeys(range(6), 4))
    data = told(capsys, folder)
    assert data["diary"][0]["change"] is None
    assert data["diary"][0]["why_not"].startswith("not two weeks")
    rate(folder, {10: 2})
    text = run(capsys, "change", folder, "--today", day(21))[1]
    assert "Diary pain during exercise, right: 7 days rated, not two weeks" in " ".join(
        text.split()
    )


def test_before_and_after_the_day_that_the_therapist_names(folder: Path, capsys: Capture) -> None:
    """Before 5, 6, 5, after 3, 2, 3: all nine pairs are better; shuffled, 2 of 20: p 0.1."""
    rate(folder, {0: 5, 1: 6, 2: 5, 7: 3, 8: 2, 9: 3})
    data = told(capsys, folder, more=("--phase", day(7)))
    overlap = data["diary"][0]["phases"]["overlap"]
    assert (overlap["share"], overlap["pairs"]) == (1.0, 9)
    assert round(overlap["p_two_sided"], 4) == 0.1
    few = told(capsys, folder, more=("--phase", day(1)))
    assert few["diary"][0]["phases"]["missing"] == 2
    text = run(capsys, "change", folder, "--phase", day(7), "--today", day(20))[1]
    assert f"Before and from {day(7)} on" in text
    assert "Of all 9 pairs" in text


# ------------------------------------------------------------------ charts


def test_a_chart_for_each_series_with_words_for_all_it_shows(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    exam = write(tmp_path, "b", examined(56, (52,)))
    out = tmp_path / "out"
    args = ("change", folder, "--exam", exam, "--out", out, "--today", day(60))
    code, text, _ = run(capsys, *args)
    assert code == 0
    made = sorted(path.name for path in out.iterdir())
    assert {"change.json", "change.txt"} < set(made)
    name = f"{BEND}-right-nonweightbearing_passive-goniometer-metatarsal_shaft.svg"
    assert name in made
    assert name in text
    svg = (out / name).read_text("utf-8")
    root = ET.fromstring(svg)
    space = "{http://www.w3.org/2000/svg}"
    assert root.get("role") == "img"
    assert root.find(f"{space}title") is not None
    desc = root.find(f"{space}desc")
    assert desc is not None
    assert "38°" in str(desc.text)
    assert "within error" in str(desc.text)
    assert "Grey band: 14.8° around the first reading" in str(desc.text)
    assert "error of a change" in svg
    press = ET.fromstring((out / "press_n-right.svg").read_text("utf-8")).find(f"{space}desc")
    assert press is not None
    assert "no band is drawn" in str(press.text)
    assert run(capsys, *args)[0] == 3  # it is there already
    assert run(capsys, *args, "--replace")[0] == 0


def test_the_band_lies_where_the_error_is(folder: Path, tmp_path: Path, capsys: Capture) -> None:
    """The grey band is 2 MDC high, in proportion to the grid lines of the axis."""
    exam = write(tmp_path, "b", examined(56, (52,)))
    out = tmp_path / "out"
    run(capsys, "change", folder, "--exam", exam, "--out", out, "--today", day(60))
    (path,) = out.glob(f"{BEND}-right-*.svg")
    svg = path.read_text("utf-8")
    (height,) = re.findall(r'<rect x="[\d.]+" y="[\d.]+" width="[\d.]+" height="([\d.]+)"', svg)
    ticks = [
        (float(v), float(y))
        for y, v in re.findall(r'y="([\d.]+)" [^>]*text-anchor="end"[^>]*>(-?[\d.]+)°<', svg)
    ]
    (low, foot), (high, top) = ticks[0], ticks[-1]
    per_degree = (foot - top) / (high - low)
    assert float(height) == pytest.approx(2 * 14.774 * per_degree, abs=0.3)


def test_an_activity_with_markup_in_its_name_stays_text(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    name = "</desc><script>x</script> & ../../a"
    texts = [
        examined(
            n, changes={'name = "run 10 km"': f'name = "{name}"', "rating = 6": f"rating = {r}"}
        )
        for n, r in ((20, 4), (40, 6))
    ]
    exams = [write(tmp_path, f"e{i}", text) for i, text in enumerate(texts)]
    out = tmp_path / "out"
    told(capsys, folder, *exams, more=("--out", out))
    for path in out.rglob("*.svg"):
        root = ET.fromstring(path.read_text("utf-8"))
        assert not list(root.iter("{http://www.w3.org/2000/svg}script"))
        assert path.parent == out
    assert any("script" in path.name for path in out.iterdir())


# ------------------------------------------------------------------ what is refused


def test_somebody_elses_examinations_are_refused_all_at_once(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    one = write(tmp_path, "one", examined(20, changes={'"N-101"': '"N-999"'}))
    two = write(tmp_path, "two", examined(30, changes={"1992": "1991"}))
    three = write(tmp_path, "three", examined(0, (50,)))
    args = [word for exam in (one, two, three) for word in ("--exam", exam)]
    code, out, err = run(capsys, "change", folder, *args, "--today", day(60))
    assert (code, out) == (3, "")
    assert "3 faults" in err
    for said in ("one.toml: person.label", "two.toml: person.birth_year", "three.toml: got"):
        assert said in err


def test_every_fault_of_every_examination_is_named(
    folder: Path, tmp_path: Path, capsys: Capture
) -> None:
    one = write(tmp_path, "one", examined(20, changes={"mass_kg = 76": 'mass_kg = "x"'}))
    two = write(tmp_path, "two", examined(400))
    args = ("--exam", one, "--exam", two, "--today", day(60))
    code, _, err = run(capsys, "change", folder, *args)
    assert code == 3
    assert "one.toml: person.mass_kg" in err
    assert "two.toml: date" in err


@pytest.mark.parametrize(
    "target",
    ["x", f"{BEND}=45", f"{BEND}=450/2027-01-01", f"{BEND}=45/2027-13-01", "pain=3/2027-01-01",
     f"{BEND}=nan/2027-01-01", "skin=1/2027-01-01", "plantar=1/2027-01-01" * 40],
)  # fmt: skip
def test_targets_that_make_no_sense(folder: Path, capsys: Capture, target: str) -> None:
    code, out, err = run(capsys, "change", folder, "--target", target, "--today", day(3))
    assert (code, out) == (3, "")
    assert "targets: 1 fault" in err


def test_a_target_of_what_was_not_measured(folder: Path, capsys: Capture) -> None:
    args = ("--target", "mtp_plantarflexion_deg=20/2027-01-01", "--today", day(3))
    code, _, err = run(capsys, "change", folder, *args)
    assert code == 3
    assert "Name one that was measured" in err


@pytest.mark.parametrize("text", ["", "{}", "[" * 100_000, '{"exam": 1}', "\0", "null"])
def test_a_damaged_plan_is_refused(folder: Path, capsys: Capture, text: str) -> None:
    (folder / "plan.json").write_text(text, "utf-8")
    code, out, err = run(capsys, "change", folder, "--today", day(3))
    assert (code, out) == (3, "")
    assert "fault" in err


def test_no_folder_and_a_strange_folder(tmp_path: Path, folder: Path, capsys: Capture) -> None:
    assert run(capsys, "change", tmp_path / "none")[0] == 3
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("x", "utf-8")
    args = ("change", folder, "--out", tmp_path / "mine", "--replace", "--today", day(3))
    assert run(capsys, *args)[0] == 3
    assert (tmp_path / "mine" / "thesis.txt").read_text("utf-8") == "x"
