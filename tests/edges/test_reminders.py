"""Reminders: the calendar's own rules, read back by another reader of calendars."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
import recurring_ical_events
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

from rungwise.book import load_book
from rungwise.core.errors import InputError
from rungwise.core.terms import Plan
from rungwise.reminders import WEEKDAYS, exercise_weekdays, to_calendar
from rungwise.words import load_words
from tests.edges.sample_plan import DOSES, Line, clinic_exam, make_plan

BOOK = load_book()
WORDS = load_words("en")
STAMP = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
NEW_YORK = "America/New_York"


def plan_of(
    starts: date,
    ends: date,
    days: int = 7,
    clock: time | None = time(8, 30),
    zone: str | None = NEW_YORK,
) -> Plan:
    exam = clinic_exam()
    exam = replace(exam, person=replace(exam.person, time_zone=zone, session_time=clock))
    dose = {"arch_lift": replace(DOSES["arch_lift"], days_per_week=days)}
    lines: list[Line] = [("arch_lift", "right", {}), ("arch_lift", "left", {})]
    plan = make_plan(BOOK, lines, exam=exam, starts=starts, doses=dose)
    return replace(plan, ends=ends)


def events(ics: bytes, summary: str = "Exercise time") -> list[datetime]:
    calendar = Calendar.from_ical(ics)
    query = recurring_ical_events.of(calendar)
    found = query.between(date(2025, 1, 1), date(2028, 1, 1))
    return sorted(event["DTSTART"].dt for event in found if event["SUMMARY"] == summary)


def mornings(ics: bytes) -> list[datetime]:
    return events(ics, "Morning note")


def vevent(ics: bytes) -> Any:
    return Calendar.from_ical(ics).walk("VEVENT")[0]


# Check cases O4 and O5 of the standards evidence.
def test_daily_over_the_change_of_the_clocks() -> None:
    found = events(to_calendar(plan_of(date(2026, 3, 5), date(2026, 3, 14)), BOOK, WORDS, STAMP))
    assert len(found) == 10
    in_utc = [moment.astimezone(UTC) for moment in found]
    assert [moment.hour for moment in in_utc] == [13] * 3 + [12] * 7
    assert {moment.minute for moment in in_utc} == {30}
    assert in_utc[-1] == datetime(2026, 3, 14, 12, 30, tzinfo=UTC)


def test_first_event_is_the_first_day_that_the_rule_names() -> None:
    plan = plan_of(date(2026, 3, 3), date(2026, 3, 18), days=3, clock=time(18))  # a Tuesday
    ics = to_calendar(plan, BOOK, WORDS, STAMP)
    assert b"DTSTART;TZID=America/New_York:20260304T180000\r\n" in ics
    assert [moment.day for moment in events(ics)] == [4, 6, 9, 11, 13, 16, 18]


def test_autumn_change_keeps_the_wall_clock() -> None:
    plan = plan_of(date(2026, 10, 30), date(2026, 11, 3), clock=time(5, 0), zone="Europe/London")
    found = events(to_calendar(plan, BOOK, WORDS, STAMP))
    assert {moment.time() for moment in found} == {time(5)}
    assert len(found) == 5


def test_bound_is_the_last_second_of_the_plan_in_utc_and_there_is_no_count() -> None:
    rule = vevent(to_calendar(plan_of(date(2026, 3, 5), date(2026, 3, 14)), BOOK, WORDS, STAMP))[
        "RRULE"
    ]
    assert rule["UNTIL"] == [datetime(2026, 3, 15, 3, 59, 59, tzinfo=UTC)]
    assert "COUNT" not in rule


def test_last_day_counts_even_late_in_the_evening() -> None:
    plan = plan_of(date(2026, 3, 5), date(2026, 3, 7), clock=time(23, 45))
    assert [moment.day for moment in events(to_calendar(plan, BOOK, WORDS, STAMP))] == [5, 6, 7]


def test_alarm_shows_a_text_ten_minutes_before() -> None:
    alarms: list[Any] = Calendar.from_ical(
        to_calendar(plan_of(date(2026, 3, 5), date(2026, 3, 14)), BOOK, WORDS, STAMP)
    ).walk("VALARM")
    assert len(alarms) == 2
    assert alarms[0]["ACTION"] == "DISPLAY"
    assert alarms[0]["TRIGGER"].dt == -timedelta(minutes=10)
    assert alarms[0]["DESCRIPTION"] == "Exercise time"
    assert alarms[1]["DESCRIPTION"] == "Morning note"
    assert alarms[1]["TRIGGER"].dt == timedelta(0)


def test_time_zone_is_described_for_the_plan_only() -> None:
    ics = to_calendar(plan_of(date(2026, 3, 5), date(2026, 3, 14)), BOOK, WORDS, STAMP)
    zones: list[Any] = Calendar.from_ical(ics).walk("VTIMEZONE")
    starts = [part["DTSTART"].dt.year for zone in zones for part in zone.subcomponents]
    assert {zone["TZID"] for zone in zones} == {NEW_YORK}
    assert set(starts) == {2026}


def test_it_says_nothing_of_health_or_person() -> None:
    plan = plan_of(date(2026, 3, 5), date(2026, 3, 14))
    exam = replace(plan.exam, person=replace(plan.exam.person, label="XQ-LABEL"))
    text = to_calendar(replace(plan, exam=exam), BOOK, WORDS, STAMP).decode().lower()
    for word in ("toe", "arthritis", "joint", "foot", "arch lift", "xq-label", "clinic", "pain"):
        assert word not in text.replace("\r\n ", "")
    found: list[Any] = Calendar.from_ical(text.upper()).walk("VEVENT")
    assert [event["SUMMARY"] for event in found] == ["EXERCISE TIME", "MORNING NOTE"]


def test_lines_are_folded_on_letters_and_end_in_crlf() -> None:
    ics = to_calendar(plan_of(date(2026, 3, 5), date(2026, 3, 14)), BOOK, load_words("es"), STAMP)
    lines = ics.split(b"\r\n")
    assert lines[-1] == b""
    assert all(len(line) <= 75 for line in lines)
    assert all(line.decode("utf-8") is not None for line in lines)
    assert b"\n" not in ics.replace(b"\r\n", b"")


def test_signs_of_the_format_are_escaped_and_come_back() -> None:
    words = replace(
        WORDS, texts={**WORDS.texts, "reminder.text": "a; b, c\\ d\nEND:VCALENDAR é" * 3}
    )
    ics = to_calendar(plan_of(date(2026, 3, 5), date(2026, 3, 14)), BOOK, words, STAMP)
    assert vevent(ics)["DESCRIPTION"] == "a; b, c\\ d\nEND:VCALENDAR é" * 3
    assert ics.count(b"\r\nEND:VCALENDAR\r\n") == 1


def test_identity_stays_and_revisions_count() -> None:
    plan = plan_of(date(2026, 3, 5), date(2026, 3, 14))
    first, second = (vevent(to_calendar(plan, BOOK, WORDS, STAMP, sequence=n)) for n in (0, 1))
    assert first["UID"] == second["UID"]
    assert (first["SEQUENCE"], second["SEQUENCE"]) == (0, 1)
    assert vevent(to_calendar(plan, BOOK, WORDS, STAMP, uid="given"))["UID"] == "given"
    other = replace(plan, on=plan.on + timedelta(days=1))
    assert vevent(to_calendar(other, BOOK, WORDS, STAMP))["UID"] != first["UID"]
    assert plan.exam.person.label not in str(first["UID"])


def test_taking_it_back() -> None:
    plan = plan_of(date(2026, 3, 5), date(2026, 3, 14))
    ics = to_calendar(plan, BOOK, WORDS, STAMP, sequence=1, cancel=True)
    assert Calendar.from_ical(ics)["METHOD"] == "CANCEL"
    assert vevent(ics)["STATUS"] == "CANCELLED"
    assert vevent(ics)["UID"] == vevent(to_calendar(plan, BOOK, WORDS, STAMP))["UID"]
    assert Calendar.from_ical(ics).walk("VALARM") == []


# ------------------------------------------------------------------ the morning after


def test_the_morning_after_each_exercise_day_is_asked_for_once() -> None:
    plan = plan_of(date(2026, 3, 3), date(2026, 3, 18), days=3, clock=time(18))  # a Tuesday
    ics = to_calendar(plan, BOOK, WORDS, STAMP)
    assert [moment.day for moment in mornings(ics)] == [5, 7, 10, 12, 14, 17, 19]
    assert {moment.time() for moment in mornings(ics)} == {time(8)}
    both: list[Any] = Calendar.from_ical(ics).walk("VEVENT")
    first, last = both
    assert last["RRULE"]["UNTIL"] == [datetime(2026, 3, 20, 3, 59, 59, tzinfo=UTC)]
    assert last["RRULE"]["UNTIL"][0] - first["RRULE"]["UNTIL"][0] == timedelta(days=1)
    assert last["CLASS"] == "PRIVATE"


def test_a_week_ends_on_sunday_and_its_morning_is_monday() -> None:
    plan = plan_of(date(2026, 3, 2), date(2026, 3, 15), days=7, clock=time(18))
    ics = to_calendar(plan, BOOK, WORDS, STAMP)
    assert [m.date() for m in mornings(ics)] == [date(2026, 3, 3 + i) for i in range(14)]


@pytest.mark.parametrize(("clock", "morning"), [(time(6, 30), time(6, 30)), (time(8), time(8))])
def test_a_morning_is_asked_for_no_later_than_the_session(clock: time, morning: time) -> None:
    ics = to_calendar(plan_of(date(2026, 3, 5), date(2026, 3, 14), clock=clock), BOOK, WORDS, STAMP)
    assert {moment.time() for moment in mornings(ics)} == {morning}


def test_the_morning_note_is_for_paper_and_for_the_phone() -> None:
    ics = to_calendar(plan_of(date(2026, 3, 5), date(2026, 3, 14)), BOOK, WORDS, STAMP)
    morning: Any = Calendar.from_ical(ics).walk("VEVENT")[1]
    assert "on paper or on your phone" in morning["DESCRIPTION"]
    assert "15 March 2026" in morning["DESCRIPTION"]


def vevents(ics: bytes) -> list[Any]:
    found: list[Any] = Calendar.from_ical(ics).walk("VEVENT")
    return found


def test_the_two_series_have_names_of_their_own_and_are_taken_back_together() -> None:
    plan = plan_of(date(2026, 3, 5), date(2026, 3, 14))
    for uid in (None, "given", "given@example.org"):
        made = vevents(to_calendar(plan, BOOK, WORDS, STAMP, uid=uid))
        back = vevents(to_calendar(plan, BOOK, WORDS, STAMP, uid=uid, sequence=1, cancel=True))
        names = [str(event["UID"]) for event in made]
        assert [str(event["UID"]) for event in back] == names
        assert len({*names}) == 2
        assert [event["STATUS"] for event in back] == ["CANCELLED"] * 2


def test_same_plan_and_stamp_give_the_same_bytes() -> None:
    plan = plan_of(date(2026, 3, 5), date(2026, 3, 14))
    assert to_calendar(plan, BOOK, WORDS, STAMP) == to_calendar(plan, BOOK, WORDS, STAMP)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"clock": time(4, 59)}, "person.session_time"),
        ({"clock": time(0, 0)}, "person.session_time"),
        ({"clock": None}, "person.session_time"),
        ({"zone": None}, "person.time_zone"),
        ({"zone": "Mars/Olympus"}, "person.time_zone"),
        ({"zone": "../../etc/passwd"}, "person.time_zone"),
    ],
)
def test_what_cannot_be_a_reminder_is_refused(changes: dict[str, Any], field: str) -> None:
    plan = plan_of(date(2026, 3, 5), date(2026, 3, 14), **changes)
    with pytest.raises(InputError) as caught:
        to_calendar(plan, BOOK, WORDS, STAMP)
    assert [fault.field for fault in caught.value.faults] == [field]


def test_all_faults_come_at_once() -> None:
    plan = replace(
        plan_of(date(2026, 3, 5), date(2026, 3, 14), clock=time(2), zone=None), exercises=()
    )
    with pytest.raises(InputError) as caught:
        to_calendar(plan, BOOK, WORDS, STAMP.replace(tzinfo=None))
    assert len(caught.value.faults) == 4


def test_five_in_the_morning_is_allowed() -> None:
    plan = plan_of(date(2026, 3, 5), date(2026, 3, 14), clock=time(5, 0))
    assert len(events(to_calendar(plan, BOOK, WORDS, STAMP))) == 10


def test_a_plan_too_short_for_an_exercise_day_is_refused() -> None:
    plan = plan_of(date(2026, 3, 3), date(2026, 3, 3), days=1)  # a Tuesday; the rule says Monday
    with pytest.raises(InputError, match="exercise day"):
        to_calendar(plan, BOOK, WORDS, STAMP)


@pytest.mark.parametrize(
    ("days", "expected"),
    [(1, "MO"), (2, "MO TH"), (3, "MO WE FR"), (4, "MO TU TH SA"), (7, "MO TU WE TH FR SA SU")],
)
def test_days_are_spread(days: int, expected: str) -> None:
    assert " ".join(exercise_weekdays(days)) == expected


@given(
    st.dates(date(2026, 1, 1), date(2026, 12, 1)),
    st.integers(14, 60),
    st.integers(1, 7),
    st.sampled_from(
        ["America/New_York", "Europe/Madrid", "Asia/Kolkata", "Pacific/Auckland", "UTC"]
    ),
    st.times(time(5, 0), time(23, 59)).map(lambda t: t.replace(second=0, microsecond=0)),
)
def test_events_are_the_planned_days_at_the_wall_clock(
    starts: date, length: int, days: int, zone: str, clock: time
) -> None:
    ends = starts + timedelta(days=length)
    ics = to_calendar(plan_of(starts, ends, days, clock, zone), BOOK, WORDS, STAMP)
    found = events(ics)
    assert [m.date() for m in mornings(ics)] == [m.date() + timedelta(days=1) for m in found]
    assert {m.timetz().replace(tzinfo=None) for m in mornings(ics)} == {min(clock, time(8))}
    wanted = exercise_weekdays(days)
    span = [starts + timedelta(days=i) for i in range(length + 1)]
    assert [m.date() for m in found] == [d for d in span if WEEKDAYS[d.weekday()] in wanted]
    assert {m.timetz().replace(tzinfo=None) for m in found} == {clock}
