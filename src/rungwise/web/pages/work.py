"""Long work: how far it is, stop it, take what it made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from rungwise.casebook import UnknownError
from rungwise.web.jobs import Job
from rungwise.web.page import At, Download, Go, Page, Visit, told

__all__ = ["ROUTES"]

ANY = "read settings book"


@dataclass(frozen=True, kw_only=True)
class Working(Page):
    """One piece of long work of this session."""

    template: ClassVar[str] = "work.html"
    job: str = told("Its id.")
    kind: str = told("What it is: a word of the pages.")
    state: str = told("``runs``, ``done``, ``stopped`` or ``failed``.")
    done: int = told("Steps done [1].")
    total: int = told("Steps in all; 0 when not known [1].")
    says: str = told("What came of it, or why it failed; empty for nothing.")
    file: str = told("Name of the file that it made; empty for none.")
    back: str = told("Address of the page from which it was asked for.")


def _job(visit: Visit) -> Job:
    assert visit.session is not None
    found = visit.session.jobs.find(visit.path["job"])
    if found is None:
        raise UnknownError("This work is over and forgotten.")
    return found


BACK = {"check": "/audit", "backup": "/settings", "verify": "/settings"}


def working(visit: Visit) -> Working:
    """Show how far it is."""
    job = _job(visit)
    return Working(
        title=visit.say.name("work", job.kind),
        job=job.id,
        kind=job.kind,
        state=job.state,
        done=job.done,
        total=job.total,
        says=job.says,
        file=job.made.name if job.made else "",
        back=BACK.get(job.kind, "/files"),
    )


def stop(visit: Visit) -> Go:
    """Stop it at its next step."""
    job = _job(visit)
    job.stop.set()
    return Go(f"/running/{job.id}")


def made(visit: Visit) -> Download:
    """The file that it made."""
    job = _job(visit)
    if job.made is None:
        raise UnknownError("There is no file of this work.")
    return job.made


ROUTES = (
    At("/running/{job}", working, deed=ANY),
    At("/running/{job}/stop", stop, "POST", deed=ANY),
    At("/running/{job}/file", made, deed=ANY),
)
