"""The sheet as data: everything on it, in its order, before anything is laid out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

__all__ = ["Diary", "Figure", "Foot", "Handout", "Lines", "Panel", "Step", "Week"]


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
        The foot, as a word.
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
    """One week of the diary: its heading and its days as weekday and date."""

    heading: str
    days: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Diary:
    """A grid to tick: weeks of days, a row for each exercise and foot, rows for the next morning.

    Parameters
    ----------
    title, low, high, what : str
        Heading; words at both ends of the pain scale; heading of the first column.
    lines : tuple of str
        How to fill it in.
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
    rows: tuple[str, ...]
    mornings: tuple[str, ...]
    weeks: tuple[Week, ...]


@dataclass(frozen=True)
class Handout:
    """Everything on the sheet, in its order.

    Parameters
    ----------
    language, direction : str
        For the page and for screen readers.
    made_on : date
        Day of the plan.
    title, clinic, for_whom, made : str
        Head of the first page.
    span : tuple of str
        From when to when, next look, and that it then ends.
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
    goals, fetch, contact : Lines or None
        The patient's own activities; things to fetch; whom to call.
    order : tuple of Step
        One day, with times.
    order_title, order_first, order_total : str
        Its heading, the foot that goes first, and its sum.
    old_reminders, phone_page : str
        To delete what is old; label of the empty box for a code.
    panels : tuple of Panel
        The exercises.
    diary : Diary
        The grid.
    small : Lines
        What the sheet is and is not.
    footer : tuple of str
        Stop lines on every page.
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
    span: tuple[str, ...]
    stop: Lines
    help: Lines
    pain_title: str
    pain: tuple[tuple[str, str], ...]
    pain_lines: tuple[str, ...]
    cautions: tuple[Lines, ...]
    goals: Lines | None
    fetch: Lines | None
    contact: Lines | None
    order: tuple[Step, ...]
    order_title: str
    order_first: str
    order_total: str
    old_reminders: str
    phone_page: str
    panels: tuple[Panel, ...]
    diary: Diary
    small: Lines
    footer: tuple[str, ...]
    identity: str
    page: str
    edition: str
    inputs: tuple[tuple[str, str], ...]

    def drawings(self) -> tuple[tuple[str, str], ...]:
        """Name and SVG of each drawing."""
        return tuple((f.name, f.svg) for panel in self.panels for f in panel.figures)
