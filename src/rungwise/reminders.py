"""Reminders for the patient's own calendar: one series, bounded, and silent about health.

A calendar is copied to other people's machines, so it says "Exercise time" and nothing of the
person, the joint or the exercises. It never reports back: what was done is known only from the
diary.
"""

from __future__ import annotations

import hashlib
import math
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from rungwise.core.errors import Fault, InputError
from rungwise.core.terms import Plan
from rungwise.words import Words

__all__ = ["WEEKDAYS", "exercise_weekdays", "to_calendar"]

WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
#: Before this hour a wall clock may be missing or come twice when the clocks change.
EARLIEST = time(5, 0)
WARNING = timedelta(minutes=10)
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
    words : Words
        The patient's language.
    stamp : datetime
        When this file is made, with its time zone.
    uid : str, optional
        Identity of the series, the same over all its revisions; made from the plan by default,
        so that a second export of the same plan replaces the first.
    sequence : int
        Number of the revision, 0 = first [1].
    cancel : bool
        Take the series back.

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
    undefined). The series is bounded by the last second of the plan's last day, in UTC. The wall
    clock stays over a change of the clocks.

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
    return _series(
        plan, words, stamp, uid or _uid(plan), sequence, cancel, first, clock, zone, week
    )


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


def _series(
    plan: Plan,
    words: Words,
    stamp: datetime,
    uid: str,
    sequence: int,
    cancel: bool,
    first: date,
    clock: time,
    zone: ZoneInfo,
    week: tuple[str, ...],
) -> bytes:
    from icalendar import Alarm, Calendar, Event, Timezone, vRecur

    seconds = plan.session.seconds if plan.session else 0.0
    summary = words.say("reminder.summary")
    until = datetime.combine(plan.ends, LAST_SECOND, zone).astimezone(UTC)
    event = Event()
    event.add("uid", uid)
    event.add("dtstamp", stamp.astimezone(UTC))
    event.add("sequence", sequence)
    event.add("dtstart", datetime.combine(first, clock, zone))
    event.add("duration", timedelta(minutes=max(math.ceil(seconds / 60), 1)))
    event.add("rrule", vRecur({"FREQ": "WEEKLY", "UNTIL": until, "BYDAY": list(week)}))
    event.add("summary", summary)
    event.add("description", words.say("reminder.text", ends=words.day(plan.ends)))
    event.add("class", "PRIVATE")
    event.add("transp", "TRANSPARENT")
    if cancel:
        event.add("status", "CANCELLED")
    else:
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", summary)
        alarm.add("trigger", -WARNING)
        event.add_component(alarm)
    calendar = Calendar()
    calendar.add("prodid", "-//rungwise//reminders 1//EN")
    calendar.add("version", "2.0")
    if cancel:
        calendar.add("method", "CANCEL")
    after = plan.ends + timedelta(days=1)
    calendar.add_component(Timezone.from_tzid(str(zone), first_date=first, last_date=after))
    calendar.add_component(event)
    return bytes(calendar.to_ical())
