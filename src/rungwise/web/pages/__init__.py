"""The pages, one module for each group of them; each lists where it answers in its ``ROUTES``."""

from rungwise.web.page import At
from rungwise.web.pages import (
    advice,
    audit,
    caseload,
    change,
    diary,
    enter,
    examination,
    files,
    group,
    measure,
    notes,
    numbers,
    person,
    programme,
    recording,
    settings,
    work,
)

__all__ = ["ROUTES"]

ROUTES: tuple[At, ...] = (
    *enter.ROUTES,
    *caseload.ROUTES,
    *person.ROUTES,
    *examination.ROUTES,
    *recording.ROUTES,  # before the addresses of photographs
    *measure.ROUTES,
    *programme.ROUTES,
    *diary.ROUTES,
    *advice.ROUTES,
    *change.ROUTES,
    *notes.ROUTES,
    *group.ROUTES,
    *numbers.ROUTES,
    *files.ROUTES,
    *settings.ROUTES,
    *audit.ROUTES,
    *work.ROUTES,
)
