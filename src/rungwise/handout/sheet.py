"""The sheet as data: everything on it, in its order, before anything is laid out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

__all__ = [
    "Diary",
    "Figure",
    "Finding",
    "Foot",
    "Handout",
    "Lines",
    "NotNow",
    "Notice",
    "Panel",
    "Sheet",
    "Step",
    "Stopped",
    "Week",
]


@dataclass(frozen=True)
class Figure:
    """A drawing of the pose from which the numbers came.

    Parameters
    ----------
    name : str
        File name without its ending (``toe_press_right``).
    svg, alt : str
        The drawing, and what it shows in words.
    width_mm, height_mm : float
        Its size [mm].
    caption : str
        Which foot, as a word; empty when the drawing itself says it.
    """

    name: str
    svg: str
    alt: str
    width_mm: float
    height_mm: float
    caption: str


@dataclass(frozen=True)
class Foot:
    """Numbers of one panel for one foot, or for both when they are equal.

    Parameters
    ----------
    heading : str
        Which foot, as a word.
    dose, sizes : tuple of str
        How much, and the sizes to set, numbers first.
    """

    heading: str
    dose: tuple[str, ...]
    sizes: tuple[str, ...]


@dataclass(frozen=True)
class Lines:
    """A heading and its lines.

    Parameters
    ----------
    kind : str
        What it is (``set_up``, ``steps``, ``feel``, ``slips``, ``safety``).
    heading : str
        Printed above it.
    lines : tuple of str
        One instruction each.
    """

    kind: str
    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Panel:
    """One exercise.

    Parameters
    ----------
    number : int
        Its number in the running order [1].
    family : str
        Which family.
    title, setting : str
        Its name, and the rung in words.
    feet : tuple of Foot
        Numbers of each foot.
    figures : tuple of Figure
        Drawings, one a foot.
    parts : tuple of Lines
        What to do, feel and avoid.
    """

    number: int
    family: str
    title: str
    setting: str
    feet: tuple[Foot, ...]
    figures: tuple[Figure, ...]
    parts: tuple[Lines, ...]


@dataclass(frozen=True)
class Step:
    """One line of the running order: what, and about how long."""

    what: str
    time: str


@dataclass(frozen=True)
class Week:
    """One week of the diary.

    Parameters
    ----------
    heading : str
        Its number and dates.
    days : tuple of (str, str)
        Its days as weekday and date.
    due : tuple of tuple of bool, shape (rows, days)
        Whether each row is planned on each day.
    """

    heading: str
    days: tuple[tuple[str, str], ...]
    due: tuple[tuple[bool, ...], ...]


@dataclass(frozen=True)
class Diary:
    """A grid to tick: weeks of days, a row for each exercise and foot, rows for the next morning.

    Parameters
    ----------
    title, low, high, what : str
        Heading; words at both ends of the pain scale; heading of the first column.
    lines : tuple of str
        How to fill it in.
    example, example_pain : str
        What the box filled in as an example says, and the pain written in it.
    rows, mornings : tuple of str
        Exercise and foot; pain next morning of each foot.
    weeks : tuple of Week
        The weeks of the plan.
    """

    title: str
    low: str
    high: str
    what: str
    lines: tuple[str, ...]
    example: str
    example_pain: str
    rows: tuple[str, ...]
    mornings: tuple[str, ...]
    weeks: tuple[Week, ...]


@dataclass(frozen=True)
class Finding:
    """One thing that keeps a foot from exercising.

    Parameters
    ----------
    what, why : str
        What was found and on which foot; what it may be, never a diagnosis.
    do : str
        What to do, and how soon; empty where the foot has something more urgent.
    """

    what: str
    why: str
    do: str


@dataclass(frozen=True)
class Notice:
    """All that is equally urgent.

    Parameters
    ----------
    kind : {"emergency", "urgent", "review", "caution", "unfinished", "none"}
        How urgent: a level of the screen; the screen is not finished; nothing fits for now.
    heading : str
        What to do, and how soon.
    lines : tuple of str
        What holds for all of it.
    findings : tuple of Finding
        Each thing that was found.
    """

    kind: str
    heading: str
    lines: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Stopped:
    """Which foot has no exercises, why, and what to do.

    Parameters
    ----------
    heading : str
        Which foot, as a word.
    notices : tuple of Notice
        The most urgent first.
    until : tuple of Lines
        What each foot may and may not do until then.
    """

    heading: str
    notices: tuple[Notice, ...]
    until: tuple[Lines, ...]


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What stands on every sheet.

    Parameters
    ----------
    language, direction : str
        For the page and for screen readers.
    made_on : date
        Day of the plan.
    title, clinic, for_whom, made : str
        Head of the first page.
    contact : Lines or None
        Whom to call.
    old_reminders : str
        To delete what is old.
    small : Lines
        What the sheet is and is not.
    footer : tuple of str
        When to call, on every page.
    identity, page, edition : str
        On every page: for whom; page number; edition of the book.
    inputs : tuple of (str, str)
        Texts that are not ours, by the field in which they were given.
    """

    language: str
    direction: str
    made_on: date
    title: str
    clinic: str
    for_whom: str
    made: str
    contact: Lines | None
    old_reminders: str
    small: Lines
    footer: tuple[str, ...]
    identity: str
    page: str
    edition: str
    inputs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class NotNow(Sheet):
    """The sheet of a person who may not exercise for now.

    Parameters
    ----------
    stopped : Stopped
        Why, and what to do.
    call : Lines
        When to call an ambulance.
    also : Lines or None
        What else the doctor should know.
    then : tuple of str
        To take the sheet along, and what comes after.
    """

    stopped: Stopped
    call: Lines
    also: Lines | None
    then: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Handout(Sheet):
    """The programme, in the order of its sheet.

    Parameters
    ----------
    span : tuple of str
        From when to when, next look, and that it then ends.
    stopped : Stopped or None
        A foot without exercises; what a doctor must look at.
    stop, help : Lines
        When to stop and call; when to get help now. The last line says what to do.
    pain_title : str
        Heading of the pain rule.
    pain : tuple of (str, str)
        Range of pain, and what to do.
    pain_lines : tuple of str
        The scale in words; the next morning.
    cautions : tuple of Lines
        What holds for a foot (skin that does not feel).
    changed : Lines or None
        What is new since the sheet before, and why.
    goals, fetch : Lines or None
        The patient's own activities; things to fetch.
    order : tuple of Step
        One day, with times.
    order_title, order_first, order_total : str
        Its heading, the foot that goes first, and its sum.
    order_apart : tuple of str
        What is done at another time, outside the sum.
    phone_page : str
        Label of the box for the plan code.
    code : str
        The plan code that the box shows as a QR code; empty for an empty box.
    panels : tuple of Panel
        The exercises.
    diary : Diary
        The grid.
    """

    span: tuple[str, ...]
    stopped: Stopped | None
    stop: Lines
    help: Lines
    pain_title: str
    pain: tuple[tuple[str, str], ...]
    pain_lines: tuple[str, ...]
    cautions: tuple[Lines, ...]
    changed: Lines | None
    goals: Lines | None
    fetch: Lines | None
    order: tuple[Step, ...]
    order_title: str
    order_first: str
    order_total: str
    order_apart: tuple[str, ...]
    phone_page: str
    code: str
    panels: tuple[Panel, ...]
    diary: Diary

    def drawings(self) -> tuple[tuple[str, str], ...]:
        """Name and SVG of each drawing."""
        return tuple((f.name, f.svg) for panel in self.panels for f in panel.figures)
