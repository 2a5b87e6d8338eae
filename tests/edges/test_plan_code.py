"""Plan and log codes: exact both ways, short, and never read wrongly."""

from __future__ import annotations

import base64
import random
import shutil
import subprocess
import tomllib
import zlib
from dataclasses import replace
from datetime import date, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from rungwise.book import load_book
from rungwise.clinic import demo_exams, make_plan, read_exam
from rungwise.core.errors import InputError
from rungwise.core.prescribe import less_painful
from rungwise.core.terms import LEVELS, Dose, Side
from rungwise.handout import build_handout, to_pdf
from rungwise.home import page_link
from rungwise.plan_code import (
    WHY_NOT,
    HomeCaution,
    HomeEntry,
    HomeFinding,
    HomeLine,
    HomeLog,
    HomePlan,
    HomeSession,
    check_symbols,
    dialled,
    home_plan,
    key_of_plan,
    number_of,
    read_log_code,
    read_plan_code,
    write_log_code,
    write_plan_code,
)
from rungwise.words import load_words
from tests.factory import DAY, make_exam

BOOK = load_book()
NUMBER, KEY = bytes(range(8)), bytes(range(16))
NUMB_BOTH = (HomeCaution("numb", "right"), HomeCaution("numb", "left"))


def home() -> HomePlan:
    """What of the harmless examination's plan goes home."""
    plan = make_plan(make_exam(), BOOK, DAY)
    return home_plan(plan, BOOK, NUMBER, KEY, first="left")


def random_line(rnd: random.Random) -> HomeLine:
    """Any line that the layout can hold."""
    family = BOOK.families[rnd.choice(sorted(BOOK.families))]
    names = ("cloth_thickness_mm", "touch_mm", "place_mm", "heel_height_mm", "scale_kg")
    sizes = {n: rnd.randrange(1, 101) for n in rnd.sample(names, rnd.randrange(0, 4))}
    dose = Dose(
        rnd.randrange(1, 6),
        rnd.randrange(1, 31),
        float(rnd.randrange(0, 121)),
        float(rnd.randrange(1, 10)),
        float(rnd.randrange(0, 10)),
        float(rnd.randrange(0, 181)),
        rnd.randrange(1, 8),
    )
    return HomeLine(
        family.key,
        rnd.choice(("right", "left")),
        rnd.random() < 0.3,
        tuple(rnd.choice(dial.notches).key for dial in family.dials),
        {n: sizes[n] for n in names if n in sizes},
        dose,
    )


def random_number(rnd: random.Random) -> str:
    """Any telephone number, or none."""
    digits = "".join(rnd.choice("0123456789") for _ in range(rnd.randrange(3, 16)))
    return rnd.choice(("", digits, f"+{digits}"))


def random_findings(rnd: random.Random) -> tuple[HomeFinding, ...]:
    """Any findings, none of them twice."""
    feet: tuple[Side | None, ...] = (None, "right", "left")
    found = [
        HomeFinding(rnd.choice(sorted(BOOK.items)), rnd.choice(LEVELS), rnd.choice(feet))
        for _ in range(rnd.choice((0, 0, 1, 4, 20)))
    ]
    return tuple(dict.fromkeys(found))


def random_plan(rnd: random.Random) -> HomePlan:
    """Any plan that the layout can hold."""
    starts = date(2026, 1, 1) + timedelta(days=rnd.randrange(0, 4000))
    length = rnd.randrange(0, 56)
    most = rnd.randrange(1, 11)
    return HomePlan(
        rnd.randbytes(8),
        rnd.randbytes(16),
        rnd.randrange(1, 300),
        rnd.choice(("en", "es", "ar")),
        rnd.randbytes(6).hex(),
        starts,
        starts + timedelta(days=rnd.randrange(min(1, length), min(length + 1, 55) + 1)),
        starts + timedelta(days=length),
        rnd.randrange(0, most),
        most,
        rnd.choice((None, "right", "left")),
        tuple(random_line(rnd) for _ in range(rnd.randrange(1, 9))),
        rnd.choice(((), (HomeCaution("numb", "right"),), NUMB_BOTH)),
        random_findings(rnd),
        rnd.choice(((), ("right",), ("left",), ("right", "left"))),
        random_number(rnd),
        random_number(rnd),
    )


def random_log(rnd: random.Random, plan: HomePlan, sessions: int) -> HomeLog:
    """Any log of a plan."""
    day = plan.starts
    found = []
    pain = [None, *range(11)]
    for _ in range(sessions):
        day += timedelta(days=rnd.randrange(0, 3))
        entries = tuple(
            HomeEntry(
                line,
                rnd.choice(("all", "part", "none")),
                rnd.choice(WHY_NOT),
                rnd.randrange(0, 6),
                rnd.randrange(0, 31),
                rnd.choice(pain),
                rnd.choice(pain),
                rnd.choice(pain),
                rnd.random() < 0.1,
                rnd.random() < 0.1,
            )
            for line in range(len(plan.lines))
        )
        found.append(HomeSession(day, entries))
    return HomeLog(plan.number, plan.version, rnd.randrange(1, 9), tuple(found))


def test_a_plan_of_the_clinic_comes_back_as_it_was() -> None:
    code = write_plan_code(home())
    assert read_plan_code(code) == home()
    assert read_plan_code("\n ".join(code[i : i + 20] for i in range(0, len(code), 20))) == home()


def test_nothing_of_the_person_is_in_it() -> None:
    exam = make_exam(person={"label": "Canary-Name"})
    told = home_plan(make_plan(exam, BOOK, DAY), BOOK, NUMBER, KEY, first="left")
    assert write_plan_code(told) == write_plan_code(home())


def test_any_plan_round_trips() -> None:
    rnd = random.Random(1)
    for _ in range(3000):
        plan = random_plan(rnd)
        assert read_plan_code(write_plan_code(plan)) == plan


def test_any_log_round_trips() -> None:
    rnd = random.Random(2)
    for _ in range(1000):
        plan = random_plan(rnd)
        log = random_log(rnd, plan, rnd.randrange(0, 8))
        assert read_log_code(write_log_code(log, plan), plan) == log


def test_codes_are_short() -> None:
    # four families, both feet: at most 300 bytes; six weeks of five sessions: at most 2 kB
    plan = home()
    assert len({line.family for line in plan.lines}) == 4
    assert {line.side for line in plan.lines} == {"right", "left"}
    told = replace(
        plan,
        cautions=(*NUMB_BOTH, HomeCaution("numb", None)),
        findings=tuple(HomeFinding(item, "review", None) for item in [*BOOK.items][:5]),
        phone="+441234567890123",
        emergency="+441234567890123",
    )
    assert read_plan_code(write_plan_code(told)) == told
    assert len(write_plan_code(told)) <= 300
    log = random_log(random.Random(3), plan, 30)
    assert len(write_log_code(log, plan)) <= 2048


def test_every_single_bit_flip_is_refused() -> None:
    rnd = random.Random(4)
    flips = 0
    for _ in range(20):
        code = write_plan_code(random_plan(rnd)).encode()
        for index in range(len(code)):
            for bit in range(7):
                wrong = bytearray(code)
                wrong[index] ^= 1 << bit
                text = wrong.decode("ascii")
                if "".join(text.split()) == code.decode():
                    continue
                flips += 1
                with pytest.raises(InputError):
                    read_plan_code(text)
    assert flips > 10_000


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "not a rungwise plan code"),
        ("hello, world, what is this", "not a rungwise plan code"),
        ("RW2PAAAAAAAAAAAA", "newer"),
        ("RW1LAAAAAAAAAAAA", "log code"),
        ("RW1PAAAAAAAAAAAA", "damaged"),
        ("RW1P" + "A" * 400 + "\N{SNOWMAN}", "damaged"),
    ],
)
def test_a_wrong_code_says_what_is_wrong(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read_plan_code(text)


def test_cut_short_or_doubled_is_refused() -> None:
    code = write_plan_code(home())
    for wrong in (code[:-1], code[:50], code + code, code + "AAAA", code.lower()):
        with pytest.raises(InputError):
            read_plan_code(wrong)


def test_a_log_shows_another_plan_an_old_plan_and_a_changed_pain() -> None:
    plan = home()
    log = HomeLog(NUMBER, 1, 1, (HomeSession(DAY, (HomeEntry(0, "all", during=3),)),))
    code = write_log_code(log, plan)
    assert read_log_code(code, plan) == log
    with pytest.raises(InputError, match="another plan"):
        read_log_code(code, replace(plan, number=bytes(8)))
    with pytest.raises(InputError, match="older version"):
        read_log_code(code, replace(plan, version=2))
    with pytest.raises(InputError, match="check code"):
        read_log_code(code, replace(plan, key=bytes(16)))
    assert number_of(code) == NUMBER


def test_the_check_code_is_the_published_one() -> None:
    # Vector worked out beforehand: key 00..1f, HMAC-SHA256, 40 bits, Crockford base 32.
    key, message = bytes(range(32)), b"v1|RW-000123|3|2026-03-05|E2|3|10|"
    assert check_symbols(key, message + b"3") == "7K4QHE25"
    assert check_symbols(key, message + b"1") == "R3KJFD4Z"


def test_keys_differ_by_plan_and_clinic() -> None:
    # The plan's key is drawn by HKDF (RFC 5869, SHA-256, empty salt, one block).
    keys = {key_of_plan(bytes([c]) * 32, bytes([n]) * 8) for c in range(3) for n in range(3)}
    assert len(keys) == 9
    assert all(len(key) == 16 for key in keys)


def test_every_family_notch_and_size_has_a_number_of_its_own() -> None:
    rnd = random.Random(5)
    for family in BOOK.families.values():
        for dial_index, dial in enumerate(family.dials):
            for notch in dial.notches:
                line = random_line(rnd)
                notches = [d.notches[0].key for d in family.dials]
                notches[dial_index] = notch.key
                plan = replace(
                    home(), lines=(replace(line, family=family.key, notches=tuple(notches)),)
                )
                assert read_plan_code(write_plan_code(plan)) == plan


def test_every_finding_and_caution_has_a_number_of_its_own() -> None:
    for item in BOOK.items:
        for level in LEVELS:
            plan = replace(home(), findings=(HomeFinding(item, level, "left"),))
            assert read_plan_code(write_plan_code(plan)) == plan
    spec = tomllib.loads((files("rungwise") / "data/codes/first_mtp.toml").read_text("utf-8"))
    assert {*spec["caution"]} == {"numb", "unsteady", "bruise"}
    for kind in spec["caution"]:
        plan = replace(home(), cautions=(HomeCaution(kind, None), HomeCaution(kind, "left")))
        assert read_plan_code(write_plan_code(plan)) == plan
    for name in ("family", "size", "caution", "finding"):
        assert len({*spec[name].values()}) == len(spec[name])
        assert min(spec[name].values()) > 0


def test_what_to_mind_goes_home() -> None:
    plan = make_plan(make_exam(answers={"blood_thinner": "yes"}), BOOK, DAY)
    told = home_plan(plan, BOOK, NUMBER, KEY)
    assert told.cautions == (HomeCaution("unsteady", None), HomeCaution("bruise", None))
    assert read_plan_code(write_plan_code(told)) == told


@pytest.mark.parametrize(
    ("exam", "findings", "unfinished"),
    [
        ({}, (), ()),
        (
            {"right": {"sensation": "lost"}},
            (HomeFinding("numb_foot", "review", "right"),),
            (),
        ),
        (
            {"answers": {"broken_skin": "left"}},
            (HomeFinding("broken_skin", "urgent", "left"),),
            (),
        ),
        ({"answers": {"falls": "yes"}}, (HomeFinding("falls", "review", None),), ()),
        ({"left": {"sensation": None}}, (), ("left",)),
    ],
)
def test_what_stops_a_foot_goes_home(
    exam: dict[str, Any], findings: tuple[HomeFinding, ...], unfinished: tuple[str, ...]
) -> None:
    told = home_plan(make_plan(make_exam(**exam), BOOK, DAY), BOOK, NUMBER, KEY)
    assert told.findings == findings
    assert told.unfinished == unfinished
    assert told.phone == "5550100"
    assert read_plan_code(write_plan_code(told)) == told


@pytest.mark.parametrize(
    ("text", "dial"),
    [
        ("555 0100", "5550100"),
        (" +44 (0)20 7946\u00a00000 ", "+442079460000"),
        ("(030) 12.34-56", "030123456"),
        ("112", "112"),
        ("", ""),
        ("+", ""),
        ("12", ""),
        ("+1234567890123456", ""),
        ("555-0100 or 555-0101", ""),
        ("555 0100 / 555 0101", ""),
        ("555 0100 ext. 7", ""),
        ("555+0100", ""),
        ("\N{ARABIC-INDIC DIGIT FIVE}" * 7, ""),
        ('"><script>alert(5550100)</script>', ""),
        ("javascript:5550100", ""),
        ("5550100\n5550101", ""),
        ("5550100;ext=1", ""),
    ],
)
def test_only_one_plain_telephone_number_goes_home(text: str, dial: str) -> None:
    assert dialled(text) == dial
    plan = home_plan(make_plan(make_exam(clinic={"phone": text}), BOOK, DAY), BOOK, NUMBER, KEY)
    assert (plan.phone, plan.emergency) == (dial, "")
    assert read_plan_code(write_plan_code(plan)) == plan


@pytest.mark.parametrize(
    "change",
    [
        {"phone": "12"},
        {"phone": "555 0100"},
        {"emergency": "+" + "1" * 16},
    ],
)
def test_a_wrong_number_is_never_written(change: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="telephone number"):
        write_plan_code(replace(home(), **change))


def resealed(body: bytes) -> str:
    """A code whose check sum fits, whatever stands in it."""
    seal = zlib.crc32(b"RW1P" + body).to_bytes(4, "big")
    return "RW1P" + base64.urlsafe_b64encode(body + seal).decode().rstrip("=")


#: What follows the lines of a plan and is read back, and what is not.
TAIL = bytes((0, 0, 0, 0))
WRONG_TAILS = {
    "a third foot": bytes((0x40, 0, 0, 0)),
    "a caution of a third foot": bytes((0x01, 0x31, 0, 0, 0)),
    "a caution that there is not": bytes((0x01, 0x1F, 0, 0, 0)),
    "a caution twice": bytes((0x02, 0x11, 0x11, 0, 0, 0)),
    "a finding that there is not": bytes((0, 1, 99, 0x12, 0, 0)),
    "a finding of a fifth level": bytes((0, 1, 1, 0x14, 0, 0)),
    "a finding of a third foot": bytes((0, 1, 1, 0x32, 0, 0)),
    "a finding twice": bytes((0, 2, 1, 0x12, 1, 0x12, 0, 0)),
    "a number too short": bytes((0, 0, 2, 0x12, 0)),
    "a number too long": bytes((0, 0, 16, *[0x11] * 8, 0)),
    "a plus within": bytes((0, 0, 4, 0x1A, 0x11, 0)),
    "a sign that is none": bytes((0, 0, 4, 0x1B, 0x11, 0)),
    "half a byte left over": bytes((0, 0, 3, 0x11, 0x11, 0)),
    "nothing after the phone": bytes((0, 0, 0)),
    "something after the end": bytes((0, 0, 0, 0, 0)),
}


def with_tail(tail: bytes) -> str:
    """The harmless plan's code with another end."""
    bare = replace(home(), cautions=(), findings=(), unfinished=(), phone="", emergency="")
    letters = write_plan_code(bare)[4:]
    body = base64.urlsafe_b64decode(letters + "=" * (-len(letters) % 4))[:-4]
    assert body.endswith(TAIL)
    return resealed(body[: -len(TAIL)] + tail)


@pytest.mark.parametrize("name", sorted(WRONG_TAILS))
def test_a_wrong_end_is_refused_even_with_a_check_sum_that_fits(name: str) -> None:
    assert read_plan_code(with_tail(bytes((0x20, 0, 0, 0)))).unfinished
    with pytest.raises(InputError):
        read_plan_code(with_tail(WRONG_TAILS[name]))


def beyond(**changes: Any) -> HomePlan:
    """The harmless plan with one thing on its first line, or of itself, that cannot be meant."""
    plan = home()
    line = replace(plan.lines[0], sizes={}, dose=Dose(1, 5, 5.0, 1.0, 2.0, 30.0, 5))
    own = {k: v for k, v in changes.items() if k in vars(line.dose)}
    sizes = {k: v for k, v in changes.items() if k.endswith(("_mm", "_kg"))}
    rest = {k: v for k, v in changes.items() if k not in own and k not in sizes}
    line = replace(line, dose=replace(line.dose, **own), sizes=sizes)
    return replace(plan, **{"lines": (line, *plan.lines[1:]), **rest})


#: What no plan says, whoever made the code.
BEYOND: dict[str, dict[str, Any]] = {
    "pain above the scale": {"pain_safe": 14, "pain_most": 15},
    "pain at which one never stops": {"pain_safe": 5, "pain_most": 11},
    "no care between safe and stop": {"pain_safe": 5, "pain_most": 5},
    "too many sets": {"sets": 100},
    "too many times": {"reps": 1000},
    "no times": {"reps": 0},
    "no sets": {"sets": 0},
    "too long": {"hold_s": 99999.0},
    "no time at all": {"hold_s": 0.0, "lift_s": 0.0, "lower_s": 0.0},
    "no days": {"days_per_week": 0},
    "nine days a week": {"days_per_week": 9},
    "a heel of nine metres": {"heel_height_mm": 9000},
    "a cloth of nothing": {"cloth_thickness_mm": 0},
    "an end in the next century": {"ends": date(2199, 1, 1)},
    "a look on the first day": {"review": DAY},
    "a look after the end": {"review": DAY + timedelta(days=40)},
    "a start in a far century": {
        "starts": date(2126, 1, 1),
        "review": date(2126, 1, 15),
        "ends": date(2126, 1, 28),
    },
    "no version": {"version": 0},
    "no line": {"lines": ()},
}


def loose(plan: HomePlan, monkeypatch: pytest.MonkeyPatch) -> str:
    """Its code as somebody else's maker would write it: without asking whether it can be meant."""
    with monkeypatch.context() as patch:
        patch.setattr("rungwise.plan_code._plan_from", lambda *_: plan)
        return write_plan_code(plan)


@pytest.mark.parametrize("name", BEYOND)
def test_what_no_plan_says_is_neither_read_nor_written(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert read_plan_code(write_plan_code(beyond())) == beyond()
    plan = beyond(**BEYOND[name])
    code = loose(plan, monkeypatch)
    with pytest.raises(InputError):
        read_plan_code(code)
    with pytest.raises(ValueError, match="no reader would take"):
        write_plan_code(plan)


def test_walking_may_take_no_time_of_its_own() -> None:
    walk = HomeLine("walking", "right", True, ("ten", "flat"), {}, Dose(1, 1, 0, 0, 0, 0, 3))
    plan = replace(home(), lines=(walk,))
    assert read_plan_code(write_plan_code(plan)) == plan


def test_a_log_of_impossible_work_is_refused() -> None:
    plan = home()
    log = HomeLog(NUMBER, 1, 1, (HomeSession(DAY, (HomeEntry(0, "all", reps=31),)),))
    with pytest.raises(InputError, match="more times"):
        read_log_code(write_log_code(log, plan), plan)


def test_every_limit_stands_in_the_page_of_the_code() -> None:
    spec = tomllib.loads((files("rungwise") / "data/codes/first_mtp.toml").read_text("utf-8"))
    page = (Path(__file__).parents[2] / "docs/plan-code.md").read_text("utf-8")
    for name, (low, high) in spec["limit"].items():
        assert f"| `{name}` | {low} to {high} |" in page


LINKED = "https://clinic.example.org/home/"


def test_the_rows_of_the_printed_diary_have_the_numbers_of_the_code() -> None:
    for text in demo_exams().values():
        exam = read_exam(text, BOOK)
        plan = make_plan(exam, BOOK, exam.on)
        if not plan.exercises:
            continue
        first = less_painful(plan.exam, plan.grades)
        told = home_plan(plan, BOOK, NUMBER, KEY, first=first)
        words = load_words("en")
        feet = {"right": "right foot", "left": "left foot"}
        assert build_handout(plan, BOOK, words).diary.rows == tuple(
            f"{n}. {words.say(f'exercise.{line.family}.title')}, "
            + ("both feet" if line.both else feet[line.side])
            for n, line in enumerate(told.lines, 1)
        )


def test_the_scanned_code_opens_the_clinic_s_page_where_it_has_one() -> None:
    words = load_words("en")
    for clinic, before in (({}, ""), ({"page_address": LINKED}, f"{LINKED}#")):
        plan = make_plan(make_exam(clinic=clinic), BOOK, DAY)
        code = write_plan_code(home_plan(plan, BOOK, NUMBER, KEY))
        sheet = build_handout(plan, BOOK, words, code)
        assert sheet.code == before + code
        assert page_link(plan.exam, "") == ""
        assert ("scan" in sheet.phone_page) is bool(before)
        assert LINKED not in str(replace(sheet, code="", inputs=()))


def test_a_safe_pain_at_which_one_stops_is_refused() -> None:
    rows = {**BOOK.rows, "pain.safe_max": replace(BOOK.rows["pain.safe_max"], value=5.0)}
    with pytest.raises(InputError, match=r"pain\.safe_max"):
        home_plan(make_plan(make_exam(), BOOK, DAY), replace(BOOK, rows=rows), NUMBER, KEY)


def test_the_printed_qr_code_is_the_plan_code(tmp_path: Path) -> None:
    """Rasterised at 150 dpi and read by an outside reader, on both papers, small and large."""
    zxing = pytest.importorskip("zxingcpp", reason="zxing-cpp is not installed")
    image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    if shutil.which("pdftoppm") is None:
        pytest.skip("poppler-utils is not installed")
    plan = make_plan(make_exam(), BOOK, DAY)
    home = home_plan(plan, BOOK, bytes(range(8)), bytes(range(16)), first="left")
    code = write_plan_code(home)
    linked = replace(plan, exam=replace(plan.exam, clinic={"page_address": LINKED + 100 * "x"}))
    for paper, large, told in (
        ("a4", False, plan),
        ("us-letter", True, plan),
        ("a4", False, linked),
    ):
        sheet = build_handout(told, BOOK, load_words("en"), code)
        (tmp_path / "p.pdf").write_bytes(to_pdf(sheet, paper, large))
        command = ["pdftoppm", "-r", "150", "-f", "1", "-l", "1", "-singlefile", "-png"]
        command += [str(tmp_path / "p.pdf"), str(tmp_path / "p")]
        subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
        found = zxing.read_barcodes(image.open(tmp_path / "p.png"))
        assert [one.text for one in found] == [page_link(told.exam, code)]
    assert read_plan_code(code) == home
