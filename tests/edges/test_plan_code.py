"""Plan and log codes: exact both ways, short, and never read wrongly."""

from __future__ import annotations

import random
import shutil
import subprocess
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from rungwise.book import load_book
from rungwise.clinic import make_plan
from rungwise.core.errors import InputError
from rungwise.core.terms import Dose
from rungwise.handout import build_handout, to_pdf
from rungwise.plan_code import (
    WHY_NOT,
    HomeEntry,
    HomeLine,
    HomeLog,
    HomePlan,
    HomeSession,
    check_symbols,
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


def home() -> HomePlan:
    """What of the harmless examination's plan goes home."""
    plan = make_plan(make_exam(), BOOK, DAY)
    return home_plan(plan, BOOK, NUMBER, KEY, first="left")


def random_line(rnd: random.Random) -> HomeLine:
    """Any line that the layout can hold."""
    family = BOOK.families[rnd.choice(sorted(BOOK.families))]
    names = ("cloth_thickness_mm", "touch_mm", "place_mm", "heel_height_mm", "scale_kg")
    sizes = {n: rnd.randrange(0, 400) for n in rnd.sample(names, rnd.randrange(0, 4))}
    dose = Dose(
        rnd.randrange(1, 6),
        rnd.randrange(1, 31),
        float(rnd.randrange(0, 1801)),
        float(rnd.randrange(0, 10)),
        float(rnd.randrange(0, 10)),
        float(rnd.randrange(0, 200)),
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


def random_plan(rnd: random.Random) -> HomePlan:
    """Any plan that the layout can hold."""
    starts = date(2026, 1, 1) + timedelta(days=rnd.randrange(0, 4000))
    return HomePlan(
        rnd.randbytes(8),
        rnd.randbytes(16),
        rnd.randrange(1, 300),
        rnd.choice(("en", "es", "ar")),
        rnd.randbytes(6).hex(),
        starts,
        starts + timedelta(days=rnd.randrange(0, 60)),
        starts + timedelta(days=rnd.randrange(0, 90)),
        rnd.randrange(0, 11),
        rnd.randrange(0, 11),
        rnd.choice((None, "right", "left")),
        tuple(random_line(rnd) for _ in range(rnd.randrange(1, 9))),
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
    assert len(write_plan_code(plan)) <= 300
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


def test_the_printed_qr_code_is_the_plan_code(tmp_path: Path) -> None:
    """Rasterised at 150 dpi and read by an outside reader, on both papers, small and large."""
    zxing = pytest.importorskip("zxingcpp", reason="zxing-cpp is not installed")
    image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    if shutil.which("pdftoppm") is None:
        pytest.skip("poppler-utils is not installed")
    plan = make_plan(make_exam(), BOOK, DAY)
    home = home_plan(plan, BOOK, bytes(range(8)), bytes(range(16)), first="left")
    code = write_plan_code(home)
    sheet = build_handout(plan, BOOK, load_words("en"), code)
    for paper, large in (("a4", False), ("us-letter", True)):
        (tmp_path / "p.pdf").write_bytes(to_pdf(sheet, paper, large))
        command = ["pdftoppm", "-r", "150", "-f", "1", "-l", "1", "-singlefile", "-png"]
        command += [str(tmp_path / "p.pdf"), str(tmp_path / "p")]
        subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
        found = zxing.read_barcodes(image.open(tmp_path / "p.png"))
        assert [one.text for one in found] == [code]
    assert read_plan_code(code) == home
