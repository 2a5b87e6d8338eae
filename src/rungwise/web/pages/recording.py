"""Measuring aids: stance and repetitions from a recording, by columns that are told.

A recording is held in memory by the session that took it; nothing is saved here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

from rungwise.casebook_measure import (
    Column,
    Recorded,
    aids_on,
    columns_of,
    read_recorded,
    take_recording,
)
from rungwise.clinic import capture_file
from rungwise.core.errors import Fault, InputError
from rungwise.web.page import At, Download, Go, Page, Visit, told
from rungwise.web.pages.measure import BASE, entered, entrance, measure, now_s, shelf_of
from rungwise.web.shelf import Trace

__all__ = ["ROUTES"]

#: Longest form with a recording [byte].
RECORDING_MAX = 21_000_000


@dataclass(frozen=True, kw_only=True)
class MeasureRecording(Page):
    """A recording: which column is which, and what it comes to."""

    template: ClassVar[str] = "measure_recording.html"
    url: str = told("Address of this page.")
    up: str = told("Address of the page of all aids.")
    kind: str = told("What it is of.")
    headings: tuple[tuple[str, str], ...] = told("Headings of the file, each with its unit.")
    columns: tuple[Column, ...] = told("Columns that are needed.")
    typed: Mapping[str, str] = told("What was chosen, by field.")
    surfaces: tuple[str, ...] = told("What can be stood on.", ("firm", "foam"))
    eyes: tuple[str, ...] = told("How the eyes can be.", ("open", "closed"))
    recorded: Recorded | None = told("What it comes to; None before it was read.", None)  # noqa: RUF009


def recording_in(visit: Visit) -> Page | Go:
    """Take a recording in and ask which column is which; nothing is saved."""
    found, url = entered(visit)
    data, kind = visit.files.get("file", b""), visit.typed("kind")
    try:
        take_recording(visit.casebook, visit.who, found.id, data, kind)
    except InputError as error:
        return measure(visit, error.faults)
    shelf_of(visit).lay(Trace(found.id, data, kind, now_s(visit)))
    return Go(f"{url}/recording")


def recording(visit: Visit) -> Page | Go:
    """Ask which column is which, and show what the recording comes to."""
    if not aids_on(visit.casebook, visit.who):
        return entrance(visit)
    found, up = entered(visit)
    trace = shelf_of(visit).trace(found.id, now_s(visit))
    if trace is None:
        return Go(up)
    headings = take_recording(visit.casebook, visit.who, found.id, trace.data, trace.kind)
    columns = columns_of(trace.kind)
    typed = {name: visit.typed(name) for name in visit.form}
    if visit.method == "GET":  # a heading that has our own name is no guess
        names = [name.casefold() for name, _ in headings]
        own = {c.role: names.index(c.role) for c in columns if names.count(c.role) == 1}
        typed = {role: str(at) for role, at in own.items()}
    recorded, faults = None, tuple[Fault, ...]()
    if visit.method == "POST":
        chosen = {
            column.role: (
                headings[at][0],
                "" if headings[at][1] else typed.get(f"{column.role}_unit", ""),
            )
            for column in columns
            if 0 <= (at := visit.whole(column.role, -1)) < len(headings)
        }
        try:
            recorded = read_recorded(trace.data, trace.kind, chosen, typed, visit.book())
        except InputError as error:
            faults = tuple(map(_for_the_form, error.faults))
    return MeasureRecording(
        title=visit.say("measuring.recording_title", kind=visit.say(f"recording.{trace.kind}")),
        person=visit.person_bar(found, "measure"),
        url=f"{up}/recording",
        up=up,
        kind=trace.kind,
        headings=headings,
        columns=columns,
        typed=typed,
        recorded=recorded,
        faults=faults,
        status=422 if faults else 200,
    )


def _for_the_form(fault: Fault) -> Fault:
    """A fault whose remedy is a word of the command line, with what to do here in its place."""
    written = fault.remedy.startswith("Say ")
    here = "Choose the column, and its unit where the file says none."
    return replace(fault, remedy=here) if written else fault


def capture(visit: Visit) -> Download:
    """The page that records with a phone, for nobody in particular."""
    entered(visit)
    data = capture_file(visit.book(), visit.say.language)
    return Download(data, "text/html", "measure.html")


ROUTES = (
    At(f"{BASE}/recordings", recording_in, "POST", deed="add", body_max=RECORDING_MAX),
    At(f"{BASE}/recording", recording, "GET POST", deed="add"),
    At(f"{BASE}/capture", capture, "POST", deed="add"),
)
