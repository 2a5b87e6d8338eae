"""Plan and log codes in volume: 10^5 of each come back, and no code with one change is read.

Values are drawn from all that a code may say, its ends most often: not only what a clinic would
write. Every field of a plan and of a log has its own draw, so a new field fails here first.
"""

from __future__ import annotations

import base64
import random
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, replace
from datetime import date, timedelta
from typing import Any

import pytest

from rungwise.book import load_book
from rungwise.core.errors import InputError
from rungwise.core.terms import LEVELS, SIDES, Dose, Side
from rungwise.phone.pack import codes_of
from rungwise.plan_code import (
    DAY_ZERO,
    NUMBER_END,
    WHY_NOT,
    HomeCaution,
    HomeEntry,
    HomeFinding,
    HomeLine,
    HomeLog,
    HomePlan,
    HomeSession,
    read_log_code,
    read_plan_code,
    write_log_code,
    write_plan_code,
)

BOOK = load_book()
CODES = codes_of(BOOK)
ROUNDS = 100_000
FLIPPED, CHANGED = 500, 25
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
STANDARD = ("toe_press", "heel_raise", "arch_lift", "balance")

Draw = Callable[[random.Random], Any]

# ------------------------------------------------------------------ any value


def number(rnd: random.Random, end: int = NUMBER_END) -> int:
    """Any whole number below an end: as often short as long, and the ends of each length."""
    size = rnd.random()
    if size < 0.7:
        return int(size * 180) % end  # 0 to 125
    if size < 0.8:
        return rnd.choice((0, 1, 127, 128, 16383, 16384, end - 1)) % end
    return rnd.getrandbits(rnd.randrange(1, 36)) % end


def day_from(first: date) -> Draw:
    """Any day from a first one to the end of the calendar."""
    room = (date.max - first).days + 1
    return lambda rnd: first + timedelta(days=number(rnd, room))


def side(rnd: random.Random) -> Side:
    return rnd.choice(SIDES)


def coin(rnd: random.Random) -> bool:
    return rnd.random() < 0.5


def within(name: str) -> Draw:
    """Any number within its limits, the ends most often."""
    low, high = CODES["limit"][name]
    return lambda rnd: rnd.choice((low, high, rnd.randint(low, high)))


def dose(rnd: random.Random) -> Dose:
    names = ("sets", "reps", "hold", "lift", "lower", "rest", "days")
    n = [within(name)(rnd) for name in names]
    n[3] = n[3] or 1  # some time is taken
    return Dose(n[0], n[1], float(n[2]), float(n[3]), float(n[4]), float(n[5]), n[6])


def notches(rnd: random.Random, family: str) -> tuple[str, ...]:
    return tuple(rnd.choice(keys) for keys in NOTCHES[family])


NOTCHES = {
    family: [[*found] for found in dials.values()] for family, dials in CODES["notch"].items()
}
FAMILIES, SIZES, ITEMS = [*CODES["family"]], [*CODES["size"]], [*CODES["finding"]]


def sizes(rnd: random.Random) -> dict[str, int]:
    return {name: within(name)(rnd) for name in SIZES if coin(rnd)}


def half_byte(rnd: random.Random) -> int:
    return rnd.randrange(16)


def pain(rnd: random.Random) -> int | None:
    return rnd.choice((None, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10))


def some_lines(rnd: random.Random) -> tuple[HomeLine, ...]:
    count = 15 if rnd.random() < 0.01 else rnd.choice((1, 1, 2, 3, 4, 8))
    return tuple(any_line(rnd) for _ in range(count))


def foot(rnd: random.Random) -> Side | None:
    return rnd.choice((None, *SIDES))


def cautions(rnd: random.Random) -> tuple[HomeCaution, ...]:
    """None, some or all cautions that there are."""
    every = [HomeCaution(kind, side) for kind in CODES["caution"] for side in (None, *SIDES)]
    return tuple(rnd.sample(every, rnd.randrange(len(every) + 1)))


def findings(rnd: random.Random) -> tuple[HomeFinding, ...]:
    """Mostly few findings, now and then each of them on every foot."""
    if rnd.random() < 0.01:
        return tuple(HomeFinding(item, LEVELS[0], s) for item in ITEMS for s in (None, *SIDES))
    items = rnd.sample(ITEMS, rnd.choice((0, 0, 1, 2, 3)))
    return tuple(HomeFinding(item, rnd.choice(LEVELS), foot(rnd)) for item in items)


def telephone(rnd: random.Random) -> str:
    """No number, or one of 3 to 15 digits."""
    if rnd.random() < 0.2:
        return ""
    digits = rnd.choice((3, 9, 12, 15))
    return rnd.choice(("", "+")) + f"{rnd.randrange(10**digits):0{digits}}"


#: How each field is drawn; what hangs on another field is drawn by hand below.
PLAN_DRAWS: Mapping[str, Draw] = {
    "number": lambda rnd: rnd.randbytes(8),
    "key": lambda rnd: rnd.randbytes(16),
    "version": lambda rnd: rnd.choice((127, 128, within("version")(rnd))),
    "language": lambda rnd: rnd.choice(("en", "es", "ar", "aa", "zz")),
    "edition": lambda rnd: rnd.choice((rnd.randbytes(6).hex(), "0" * 12, "f" * 12)),
    "starts": lambda rnd: DAY_ZERO + timedelta(days=within("starts")(rnd)),
    "first": foot,
    "lines": some_lines,
    "cautions": cautions,
    "findings": findings,
    "unfinished": lambda rnd: tuple(side for side in SIDES if coin(rnd)),
    "phone": telephone,
    "emergency": telephone,
}
LINE_DRAWS: Mapping[str, Draw] = {"side": side, "both": coin, "sizes": sizes, "dose": dose}
ENTRY_DRAWS: Mapping[str, Draw] = {
    "done": lambda rnd: rnd.choice(("all", "part", "none")),
    "why_not": lambda rnd: rnd.choice(WHY_NOT),
    "sets": half_byte,
    "reps": lambda rnd: rnd.choice((0, within("reps")(rnd))),
    "before": pain,
    "during": pain,
    "morning": pain,
    "sharp": coin,
    "warning": coin,
}


def drawn(draws: Mapping[str, Draw], rnd: random.Random) -> dict[str, Any]:
    return {name: draw(rnd) for name, draw in draws.items()}


def any_line(rnd: random.Random) -> HomeLine:
    family = rnd.choice(FAMILIES)
    return HomeLine(family=family, notches=notches(rnd, family), **drawn(LINE_DRAWS, rnd))


def any_plan(rnd: random.Random) -> HomePlan:
    """Any plan that the layout can hold."""
    found = drawn(PLAN_DRAWS, rnd)
    length, most = within("ends")(rnd), within("most")(rnd)
    look = rnd.randint(min(1, length), min(length + 1, CODES["limit"]["review"][1]))
    return HomePlan(
        review=found["starts"] + timedelta(days=look),
        ends=found["starts"] + timedelta(days=length),
        pain_safe=rnd.randrange(most),
        pain_most=most,
        **found,
    )


def any_log(rnd: random.Random, plan: HomePlan, days: int) -> HomeLog:
    """Any log of a plan that the layout can hold."""
    last = plan.starts
    sessions = []
    for _ in range(days):
        last = last if coin(rnd) else day_from(last)(rnd)
        entries = tuple(
            HomeEntry(line=rnd.randrange(len(plan.lines)), **drawn(ENTRY_DRAWS, rnd))
            for _ in range(rnd.choice((0, 1, 2, 3, 4)))
        )
        sessions.append(HomeSession(last, entries))
    return HomeLog(plan.number, plan.version, number(rnd), tuple(sessions))


def test_every_field_is_drawn() -> None:
    by_hand: dict[type[Any], set[str]] = {
        HomePlan: {"review", "ends", "pain_safe", "pain_most", *PLAN_DRAWS},
        HomeCaution: {"kind", "side"},
        HomeFinding: {"item", "level", "side"},
        HomeLine: {"family", "notches", *LINE_DRAWS},
        HomeEntry: {"line", *ENTRY_DRAWS},
        HomeSession: {"on", "entries"},
        HomeLog: {"number", "version", "part", "sessions"},
    }
    for kind, names in by_hand.items():
        assert {field.name for field in fields(kind)} == names, kind


# ------------------------------------------------------------------ there and back


def test_a_hundred_thousand_plans_come_back() -> None:
    rnd = random.Random(20260302)
    families: set[str] = set()
    items: set[str] = set()
    versions: set[int] = set()
    counts: set[int] = set()
    for _ in range(ROUNDS):
        plan = any_plan(rnd)
        assert read_plan_code(write_plan_code(plan)) == plan
        families.update(line.family for line in plan.lines)
        items.update(found.item for found in plan.findings)
        versions.add(plan.version)
        counts.add(len(plan.lines))
    # the ends were there: no line of any family left out, the least and the largest number
    assert families == set(FAMILIES)
    assert items == set(ITEMS)
    assert {1, 127, 128, 999} <= versions
    assert {1, 15} <= counts


def test_a_hundred_thousand_logs_come_back() -> None:
    rnd = random.Random(20260303)
    plans = [any_plan(rnd) for _ in range(1000)]
    pains: set[int | None] = set()
    reps: set[int] = set()
    for n in range(ROUNDS):
        plan = plans[n % len(plans)]
        log = any_log(rnd, plan, days=n % 5)
        assert read_log_code(write_log_code(log, plan), plan) == log
        entries = [entry for session in log.sessions for entry in session.entries]
        pains.update(entry.during for entry in entries)
        reps.update(entry.reps for entry in entries)
    assert pains == {None, *range(11)}
    assert {0, 1, 30} <= reps


@pytest.mark.parametrize(
    "wrong",
    [
        {"version": -1},
        {"version": NUMBER_END},
        {"pain_safe": 16},
        {"pain_most": -1},
        {"starts": DAY_ZERO - timedelta(days=1)},
        {"edition": "0123"},
        {"language": "e"},
        {"phone": "12"},
        {"emergency": "555-0100"},
        {"number": b"1"},
        {"key": b"1"},
    ],
)
def test_what_could_not_be_read_back_is_not_written(wrong: Mapping[str, Any]) -> None:
    plan = any_plan(random.Random(1))
    with pytest.raises(ValueError, match=r"from 0|bytes|letters|digits"):
        write_plan_code(replace(plan, **wrong))


def test_too_many_lines_sets_or_pains_are_not_written() -> None:
    rnd = random.Random(2)
    plan = any_plan(rnd)
    with pytest.raises(ValueError, match="half byte"):
        write_plan_code(replace(plan, lines=16 * plan.lines[:1]))
    for wrong in ({"sets": 16}, {"during": 16}, {"line": 16}):
        entry = replace(HomeEntry(0, "all"), **wrong)  # type: ignore[arg-type]
        log = HomeLog(plan.number, plan.version, 1, (HomeSession(plan.starts, (entry,)),))
        with pytest.raises(ValueError, match="half byte"):
            write_log_code(log, plan)


# ------------------------------------------------------------------ one change


def flips(code: str) -> Iterator[str]:
    """Each text in which one bit of one byte of the code is turned."""
    whole = code.encode("ascii")
    for place, byte in enumerate(whole):
        head, tail = whole[:place].decode(), whole[place + 1 :].decode()
        for bit in range(8):
            yield head + chr(byte ^ 1 << bit) + tail


def swaps(code: str) -> Iterator[str]:
    """Each text in which one letter of the code is another letter of a code."""
    for place, letter in enumerate(code):
        head, tail = code[:place], code[place + 1 :]
        yield from (head + other + tail for other in LETTERS if other != letter)


def read_at_all(read: Callable[[str], object], texts: Iterator[str]) -> tuple[int, list[str]]:
    """How many texts there were, and those that were read."""
    tried, found = 0, []
    for text in texts:
        tried += 1
        try:
            read(text)
        except InputError:
            continue
        found.append(text)
    return tried, found


def test_no_plan_code_with_one_change_is_read() -> None:
    rnd = random.Random(20260304)
    for n in range(FLIPPED):
        code = write_plan_code(home_like(rnd))
        assert read_at_all(read_plan_code, flips(code)) == (8 * len(code), [])
        if n < CHANGED:
            assert read_at_all(read_plan_code, swaps(code)) == (63 * len(code), [])


def test_no_log_code_with_one_change_is_read() -> None:
    rnd = random.Random(20260305)
    for n in range(FLIPPED):
        plan = home_like(rnd)
        code = write_log_code(any_log(rnd, plan, days=n % 20), plan)

        def read(text: str, plan: HomePlan = plan) -> HomeLog:
            return read_log_code(text, plan)

        assert read_at_all(read, flips(code)) == (8 * len(code), [])
        if n < CHANGED:
            assert read_at_all(read, swaps(code)) == (63 * len(code), [])


def test_a_change_that_keeps_the_check_sum_is_refused_by_the_check_code() -> None:
    """Somebody who mends the sum of a log still lacks the key: each bit of its body is held."""
    rnd = random.Random(20260306)
    plan = home_like(rnd)
    code = write_log_code(any_log(rnd, plan, days=10), plan)
    body = base64.urlsafe_b64decode(code[4:] + "=" * (-len(code[4:]) % 4))[:-4]
    for place in range(len(body)):
        for bit in range(8):
            wrong = bytearray(body)
            wrong[place] ^= 1 << bit
            whole = bytes(wrong) + zlib.crc32(b"RW1L" + wrong).to_bytes(4, "big")
            with pytest.raises(InputError):
                read_log_code("RW1L" + base64.urlsafe_b64encode(whole).decode().rstrip("="), plan)


# ------------------------------------------------------------------ how long


def home_like(rnd: random.Random) -> HomePlan:
    """A plan of the length that goes home: four families, sizes and doses below 128."""
    lines = tuple(
        HomeLine(
            family,
            "right" if foot == 0 else "left",
            False,
            notches(rnd, family),
            dict.fromkeys(SIZES[:2], rnd.randint(1, 100)),
            Dose(3, 10, 10.0, 2.0, 3.0, 60.0, 5),
        )
        for family in rnd.sample(STANDARD, 2)
        for foot in range(2)
    )
    found = drawn(PLAN_DRAWS, rnd) | {"lines": lines, "starts": date(2026, 3, 2), "version": 1}
    found["findings"] = found["findings"][:3]
    weeks = {name: found["starts"] + timedelta(weeks=w) for name, w in (("review", 2), ("ends", 6))}
    return HomePlan(pain_safe=2, pain_most=5, **(found | weeks))


def longest_plan() -> HomePlan:
    """Four families for each foot by itself, each with all its sizes and its largest dose.

    Both feet are numb and have two findings each; both telephone numbers have 12 digits.
    """
    most = {
        "toe_press": {"cloth_thickness_mm": 100, "touch_mm": 200, "place_mm": 200},
        "heel_raise": {"heel_height_mm": 200, "scale_kg": 200},
    }
    lines = []
    for family in STANDARD:
        longest = BOOK.families[family].doses[-1].dose
        keys = tuple(found[-1] for found in NOTCHES[family])
        lines += [HomeLine(family, s, False, keys, most.get(family, {}), longest) for s in SIDES]
    plan = home_like(random.Random(7))
    return replace(
        plan,
        lines=tuple(lines),
        ends=plan.starts + timedelta(weeks=6, days=-1),
        cautions=tuple(HomeCaution("numb", side) for side in SIDES),
        findings=tuple(HomeFinding(item, "review", s) for item in ITEMS[:2] for s in SIDES),
        phone="+441514960000",
        emergency="+441514960999",
    )


def test_the_longest_real_plan_has_at_most_300_letters() -> None:
    plan = longest_plan()
    assert len(plan.lines) == 8
    assert len(write_plan_code(plan)) <= 300


def test_six_weeks_of_the_longest_real_plan_have_at_most_2_kb() -> None:
    plan = longest_plan()
    days_a_week = max(line.dose.days_per_week for line in plan.lines)
    entries = tuple(
        HomeEntry(n, "part", "other", 9, 30, 10, 10, 10, True, True) for n in range(len(plan.lines))
    )
    days = [w * 7 + d for w in range(6) for d in range(days_a_week)]
    sessions = tuple(HomeSession(plan.starts + timedelta(days=n), entries) for n in days)
    log = HomeLog(plan.number, plan.version, 1, sessions)
    code = write_log_code(log, plan)
    assert read_log_code(code, plan) == log
    assert len(code) <= 2048
