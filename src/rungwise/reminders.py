"""Reminders for the patient's own calendar: two series, bounded, and silent about health.

One names the time to exercise, the other asks for a note in the diary on the morning after, on
paper or on the phone. A calendar is copied to other people's machines, so it says "Exercise time"
and "Morning note" and nothing of the person, the joint or the exercises. It never reports back:
what was done is known only from the diary.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Plan
from rungwise.words import Words

if TYPE_CHECKING:
    from icalendar import Event

__all__ = ["WEEKDAYS", "exercise_weekdays", "to_calendar"]

WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
#: Before this hour a wall clock may be missing or come twice when the clocks change.
EARLIEST = time(5, 0)
WARNING = timedelta(minutes=10)
#: How long it takes to write a morning into the diary.
NOTE = timedelta(minutes=5)
DAY = timedelta(days=1)
LAST_SECOND = time(23, 59, 59)


def exercise_weekdays(days_per_week: int) -> tuple[str, ...]:
    """Weekdays of a week with so many exercise days, spread evenly from Monday.

    Examples
    --------
    >>> exercise_weekdays(3)
    ('MO', 'WE', 'FR')
    """
    week = len(WEEKDAYS)
    return tuple(WEEKDAYS[i * week // days_per_week] for i in range(days_per_week))


def to_calendar(
    plan: Plan,
    book: Evidence,
    words: Words,
    stamp: datetime,
    uid: str | None = None,
    sequence: int = 0,
    cancel: bool = False,
) -> bytes:
    """Reminders of a plan as an iCalendar file.

    Parameters
    ----------
    plan : Plan
        A plan whose person gives a time zone and a session time.
    book : Evidence
        The book that it was made with.
    words : Words
        The patient's language.
    stamp : datetime
        When this file is made, with its time zone.
    uid : str, optional
        Identity of the exercise series, the same over all its revisions; made from the plan by
        default, so that a second export of the same plan replaces the first. The series of the
        mornings has the same with ``-morning`` in it.
    sequence : int
        Number of the revision, 0 = first [1].
    cancel : bool
        Take both series back.

    Returns
    -------
    bytes
        UTF-8, lines of at most 75 octets, CRLF.

    Raises
    ------
    InputError
        No time, no or unknown time zone, a time before 05:00, a stamp without time zone, or no
        exercise day before the plan ends. All faults at once.

    Notes
    -----
    The first event is the first day that the rule names (the standard leaves another start
    undefined). The series is bounded by the last second of the plan's last day, in UTC, that of the
    mornings by the last second of the day after. A morning is asked for on the day after each
    exercise day, and never later than that day's own session. The wall clock stays over a change of
    the clocks.

    Sources
    -------
    std_10 (UNTIL, DTSTART); standards of the calendar, §2.
    """
    clock, zone = _checked(plan, stamp)
    week = exercise_weekdays(max(e.dose.days_per_week for e in plan.exercises))
    first = plan.starts
    while WEEKDAYS[first.weekday()] not in week:
        first += timedelta(days=1)
    if first > plan.ends:
        given = f"{plan.starts} to {plan.ends}, {' '.join(week)}"
        fault = Fault("ends", given, "at least one exercise day", "Make the plan longer.")
        raise InputError("reminders", (fault,))
    lasts = timedelta(minutes=max(math.ceil((plan.session.seconds if plan.session else 0) / 60), 1))
    name = uid or _uid(plan)
    early = time(int(book.value("reminder.morning_h")))
    session = _Series(
        uid=name,
        begins=datetime.combine(first, clock, zone),
        lasts=lasts,
        until=datetime.combine(plan.ends, LAST_SECOND, zone).astimezone(UTC),
        weekdays=week,
        warning=WARNING,
        summary=words.say("reminder.summary"),
        text=words.say("reminder.text", ends=words.day(plan.ends)),
    )
    morning = _Series(
        uid=_of_morning(name),
        begins=datetime.combine(first + DAY, min(early, clock), zone),
        lasts=NOTE,
        until=datetime.combine(plan.ends + DAY, LAST_SECOND, zone).astimezone(UTC),
        weekdays=tuple(WEEKDAYS[(WEEKDAYS.index(day) + 1) % len(WEEKDAYS)] for day in week),
        warning=timedelta(0),
        summary=words.say("reminder.morning_summary"),
        text=words.say("reminder.morning_text", ends=words.day(plan.ends + DAY)),
    )
    return _calendar((session, morning), stamp, sequence, cancel)


def _checked(plan: Plan, stamp: datetime) -> tuple[time, ZoneInfo]:
    person = plan.exam.person
    faults = []
    if not plan.exercises:
        faults.append(Fault("exercises", "none", "at least one", "There is no programme."))
    if stamp.tzinfo is None:
        faults.append(Fault("stamp", str(stamp), "a time with its zone", "Give the zone."))
    clock = person.session_time
    allowed = f"{EARLIEST:%H:%M} to 23:59"
    if clock is None:
        faults.append(Fault("person.session_time", "nothing", allowed, "Ask the patient."))
    elif clock < EARLIEST:
        remedy = "At night a change of the clocks may skip or repeat the hour; choose another."
        faults.append(Fault("person.session_time", f"{clock:%H:%M}", allowed, remedy))
    zone = None
    try:
        zone = ZoneInfo(person.time_zone) if person.time_zone else None
    except (ZoneInfoNotFoundError, ValueError, OSError):
        zone = None
    if zone is None:
        given = person.time_zone or "nothing"
        allowed = "an IANA name such as America/New_York"
        faults.append(Fault("person.time_zone", given, allowed, "Correct it."))
    if faults or clock is None or zone is None:
        raise InputError("reminders", tuple(faults))
    return clock, zone


def _uid(plan: Plan) -> str:
    seed = f"{plan.exam.person.label}|{plan.exam.person.birth_year}|{plan.on}|{plan.edition}"
    return f"{hashlib.sha256(seed.encode()).hexdigest()[:32]}@rungwise"


def _of_morning(uid: str) -> str:
    name, at, host = uid.partition("@")
    return f"{name}-morning{at}{host}"


@dataclass(frozen=True)
class _Series:
    """Events of one kind: when, how long, until when, on which weekdays, and what is shown."""

    uid: str
    begins: datetime
    lasts: timedelta
    until: datetime
    weekdays: tuple[str, ...]
    warning: timedelta
    summary: str
    text: str


def _calendar(series: Sequence[_Series], stamp: datetime, sequence: int, cancel: bool) -> bytes:
    from icalendar import Calendar, Timezone

    calendar = Calendar()
    calendar.add("prodid", "-//rungwise//reminders 1//EN")
    calendar.add("version", "2.0")
    if cancel:
        calendar.add("method", "CANCEL")
    first = min(one.begins for one in series)
    after = max(one.until.astimezone(first.tzinfo) for one in series) + DAY
    zone = Timezone.from_tzid(str(first.tzinfo), first_date=first.date(), last_date=after.date())
    calendar.add_component(zone)
    for one in series:
        calendar.add_component(_event(one, stamp, sequence, cancel))
    return bytes(calendar.to_ical())


def _event(one: _Series, stamp: datetime, sequence: int, cancel: bool) -> Event:
    from icalendar import Alarm, Event, vRecur

    event = Event()
    event.add("uid", one.uid)
    event.add("dtstamp", stamp.astimezone(UTC))
    event.add("sequence", sequence)
    event.add("dtstart", one.begins)
    event.add("duration", one.lasts)
    event.add("rrule", vRecur({"FREQ": "WEEKLY", "UNTIL": one.until, "BYDAY": list(one.weekdays)}))
    event.add("summary", one.summary)
    event.add("description", one.text)
    event.add("class", "PRIVATE")
    event.add("transp", "TRANSPARENT")
    if cancel:
        event.add("status", "CANCELLED")
    else:
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", one.summary)
        alarm.add("trigger", -one.warning)
        event.add_component(alarm)
    return event
