"""One person: where the way stands, and everything that was done, in its order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from rungwise.casebook import Record, standing_exams
from rungwise.casebook_course import TARGETS
from rungwise.casebook_measure import aids_on
from rungwise.web.page import At, Go, Page, Visit, told

__all__ = ["ROUTES"]

#: Where each kind of record can be read, below the person's address.
WHERE: dict[str, str] = {
    "exam": "/exam",
    "plan": "/programme",
    "handover": "/diary",
    "decision": "/advice",
    "note": "/notes",
    TARGETS: "/change",
}


@dataclass(frozen=True)
class Done:
    """One thing that was done for a person.

    Parameters
    ----------
    on : str
        When, by this computer's clock in UTC.
    what : str
        What, in words.
    by : str
        Name of who did it; empty for the one user of a computer.
    url : str
        Where it can be read; empty when nowhere.
    """

    on: str
    what: str
    by: str
    url: str


@dataclass(frozen=True, kw_only=True)
class PersonPage(Page):
    """What was done for a person, the newest first, and what comes next."""

    template: ClassVar[str] = "person.html"
    done: tuple[Done, ...] = told("The timeline, the newest first.")
    next_step: str = told("Key of what comes next, as the words for it are called.")
    examined: str = told("Day of the latest examination.")
    until: str = told("Last day of the programme.")
    review: str = told("Day of the next look.")
    archived: bool = told("Whether the person is put away.")
    aids: bool = told("Whether there is a page to measure.")
    url: str = told("Address of the person's pages.")


def person(visit: Visit) -> PersonPage:
    """Show a person."""
    found = visit.found()
    say, plan = visit.say, found.plan
    fresh = plan is not None and found.plan_exam_version == found.exam_version
    if found.exam is None:
        step = "examine"
    elif plan is None or (not fresh and not plan.exercises):
        step = "programme"
    elif not fresh:
        step = "advice"
    else:
        step = "follow" if plan.exercises else "not_now"
    if plan is not None and plan.exercises and plan.ends < visit.casebook.today():
        step = "ended" if fresh else step
    url = f"/people/{found.id}"
    names = visit.names_of([one.by for one in found.records])
    newest = {record.kind: record.version for record in found.records}
    mendable = frozenset(record.version for record in standing_exams(found.records))
    return PersonPage(
        title=found.label,
        person=visit.person_bar(found, "record"),
        done=tuple(
            _done(visit, one, url, mendable, one.version == newest[one.kind], names[one.by])
            for one in reversed(found.records)
        ),
        next_step=step,
        examined=say.day(found.exam.on if found.exam else None),
        until=say.day(plan.ends if plan else None),
        review=say.day(plan.review if plan else None),
        archived=found.archived,
        aids=visit.who.may("add") and aids_on(visit.casebook, visit.who),
        url=url,
    )


def _done(
    visit: Visit, one: Record, url: str, mendable: frozenset[int], newest: bool, by: str
) -> Done:
    kind = TARGETS if one.kind == "note" and one.facts["sort"] == TARGETS else one.kind
    where = WHERE.get(kind, "")
    if kind == "exam":  # as it was entered, to read and to correct
        may = visit.who.may("add") and one.version in mendable
        where = f"/exam?correct={one.version}" if may else ""
    what = visit.say.name("kind", kind)
    if kind == "plan" and not newest:  # the programme's page shows the newest one
        where = f"/programme/{one.version}/sheet.pdf"
    label = one.body if one.kind == "label" else ""
    if one.kind == "look":
        label = f"{visit.say.day(one.facts['on'])}: {visit.say.look(one.body)}"
    if one.kind == "state":
        label = visit.say(f"person.state_{one.body}")
    if kind == "exam":
        label = visit.say.day(one.facts["on"])
        if one.corrects:
            label += f"; {visit.say('person.corrects', version=one.corrects)}"
    told_so = f"{what} {one.version}" + (f": {label}" if label else "")
    return Done(one.made_utc[:16].replace("T", " "), told_so, by, where and url + where)


def archive(visit: Visit) -> Go:
    """Put a person away, or take the person out again."""
    person_id = visit.path["person"]
    visit.casebook.archive(visit.who, person_id, visit.typed("away") == "yes")
    return Go(f"/people/{person_id}")


ROUTES = (
    At("/people/{person}", person),
    At("/people/{person}/archive", archive, "POST", deed="add"),
)
