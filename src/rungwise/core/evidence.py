"""The evidence book: every number of the trade as a row with its unit, basis and source.

The book is an argument, never a global: functions of the core ask it for a row by key. It is
built from files by :func:`rungwise.book.load_book`; the core never opens a file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from rungwise.core.errors import EvidenceError
from rungwise.core.terms import Dose, Reason, Value

__all__ = [
    "BASES",
    "Band",
    "Condition",
    "Dial",
    "DoseRow",
    "Evidence",
    "Family",
    "Item",
    "Measure",
    "Norm",
    "Notch",
    "Override",
    "Rise",
    "Row",
    "Rule",
    "ScoreItem",
    "Source",
    "printed",
    "shown_value",
]

#: From the strongest basis to the weakest.
BASES = ("confirmed", "derived", "secondary", "practice", "memory")


def printed(value: float, unit: str) -> str:
    """Print a number with its unit the way a page shows it.

    Parameters
    ----------
    value : float
        The number, in ``unit``.
    unit : str
        Unit as written in the book; ``1`` prints nothing.
    """
    number = f"{value:.6g}"
    words = {"1": "", "deg": "°", "pct": " %", "a": " years", "/wk": " a week", "d": " days"}
    return number + words.get(unit, f" {unit}")


@dataclass(frozen=True)
class Source:
    """Where a fact was read.

    Parameters
    ----------
    key, authors, title, identifier, read_how : str
        Key, authors, title, DOI or address, and how it was read (abstract, table, full text).
    year : int
        Year; 0 when undated [a].
    """

    key: str
    authors: str
    title: str
    year: int
    identifier: str
    read_how: str


@dataclass(frozen=True)
class Row:
    """One number of the trade.

    Parameters
    ----------
    key : str
        Its name.
    value : float
        Its value, in ``unit``.
    unit : str
        Unit; ``1`` for none.
    low, high : float or None
        Its range, in ``unit``.
    applies_to : str
        Whom or what it holds for.
    basis : str
        One of :data:`BASES`.
    source, where : str
        Source key, and the place in it.
    use : {"permit", "restrict", "describe"}
        What it does to a patient.
    note : str
        What to know about it.
    """

    key: str
    value: float
    unit: str
    low: float | None
    high: float | None
    applies_to: str
    basis: str
    source: str
    where: str
    use: str
    note: str

    def __str__(self) -> str:
        """Return the value with its unit and range."""
        text = printed(self.value, self.unit)
        if self.low is not None and self.high is not None:
            text += f" ({self.low:.6g} to {self.high:.6g})"
        return text


@dataclass(frozen=True)
class Override:
    """A clinic's own value for a row: who, when, why."""

    key: str
    value: float
    who: str
    when: str
    why: str


@dataclass(frozen=True)
class DoseRow:
    """One step of a family's dose list.

    Parameters
    ----------
    key : str
        Its name (``toe_press.1``).
    dose : Dose
        How much.
    basis, source, note : str
        Where it comes from.
    """

    key: str
    dose: Dose
    basis: str
    source: str
    note: str


@dataclass(frozen=True)
class Measure:
    """A thing that can be found at an examination.

    Parameters
    ----------
    key : str
        Its name, unit included.
    kind : {"number", "whole", "choice", "yesno"}
        What it is.
    per : {"foot", "person"}
        Whose it is.
    unit : str
        Unit; ``1`` for none.
    low, high : float or None
        Plausible range, in ``unit``; outside it the value is refused.
    choices : tuple of str
        Allowed words of a choice.
    methods, instruments, zeros : tuple of str
        Allowed ways; when ``methods`` is not empty the value is written as a reading.
    basis, source : str
        Basis and source of the range.
    help : str
        What to measure and how, in one or two sentences.
    """

    key: str
    kind: str
    per: str
    unit: str
    low: float | None
    high: float | None
    choices: tuple[str, ...]
    methods: tuple[str, ...]
    instruments: tuple[str, ...]
    zeros: tuple[str, ...]
    basis: str
    source: str
    help: str


@dataclass(frozen=True)
class Norm:
    """What people without complaint reach, in one band of age.

    Parameters
    ----------
    measure, condition : str
        What was measured, and how (``eyes_open``); no condition is empty.
    sex : {"female", "male", ""}
        Whose; empty for both together.
    age_from, age_to : int
        Ages, both included [a].
    mean, sd, cut, top : float or None
        Mean and standard deviation; lower and upper end of the average range, both included; in
        ``unit``. None where the source has none.
    unit : str
        Unit; ``1`` for none.
    basis, sd_basis : str
        Basis of the value, and of the standard deviation (empty when there is none).
    source, where, note : str
        Source key, place in it, what to know.
    """

    measure: str
    condition: str
    sex: str
    age_from: int
    age_to: int
    mean: float | None
    sd: float | None
    cut: float | None
    top: float | None
    unit: str
    basis: str
    sd_basis: str
    source: str
    where: str
    note: str


@dataclass(frozen=True)
class Item:
    """One item of the screen.

    Parameters
    ----------
    key, code : str
        Its name and its short number (``R1``).
    per : {"foot", "person"}
        Whether the answer says which foot.
    level : str
        Level when it is answered yes.
    ask, positive, do : str
        What to ask, when it counts, what to do.
    forbids : frozenset of str
        Tags of exercises that it rules out.
    basis, source, where : str
        Where it comes from.
    """

    key: str
    code: str
    per: str
    level: str
    ask: str
    positive: str
    do: str
    forbids: frozenset[str]
    basis: str
    source: str
    where: str


@dataclass(frozen=True)
class ScoreItem:
    """One item of a published score: ``points`` when it is present [1]."""

    score: str
    key: str
    points: float
    words: str
    basis: str
    source: str


@dataclass(frozen=True)
class Band:
    """One grade of the joint: its limits, and what it rules out.

    Parameters
    ----------
    grade : int
        0–4 [1].
    deg_over, deg_to : float
        Dorsiflexion over / up to and including [deg]; an edge belongs to the worse grade.
    loss_from, loss_under : float
        Loss from and including / under [pct].
    tier_max : int
        Highest load tier to start with [1].
    bend_share_max : float
        Highest share of the bend available to start with [1].
    tier_top : int
        Highest load tier of the whole course, unless the therapist chooses beyond [1].
    bend_share_top : float
        Highest share of the bend available of the whole course, likewise [1].
    forbids : frozenset of str
        Tags that it rules out.
    basis, source, note : str
        Where it comes from.
    """

    grade: int
    deg_over: float
    deg_to: float
    loss_from: float
    loss_under: float
    tier_max: int
    bend_share_max: float
    tier_top: int
    bend_share_top: float
    forbids: frozenset[str]
    basis: str
    source: str
    note: str


@dataclass(frozen=True)
class Rule:
    """A rule in a plain sentence.

    Parameters
    ----------
    key : str
        Its name.
    version : int
        Its version [1].
    says : str
        Sentence with ``{name}`` for values and ``{k0}``, ``{k1}`` … for the rows in ``keys``.
    keys : tuple of str
        Rows that it rests on.
    source : str
        Source of the rule itself.
    basis : str
        Basis of the rule itself.
    """

    key: str
    version: int
    says: str
    keys: tuple[str, ...]
    source: str
    basis: str


@dataclass(frozen=True)
class Condition:
    """Something that must be known and true; unknown counts as not met.

    Parameters
    ----------
    measure : str
        Measure of the examination, or ``grade``.
    person : bool
        Whether it is asked of the whole person.
    at_least, at_most : str or None
        Row of the book that it is compared with.
    equals : str or bool or None
        Word or yes/no that it must equal.
    instead : Condition or None
        Another condition that may be met in its place.
    """

    measure: str
    person: bool = False
    at_least: str | None = None
    at_most: str | None = None
    equals: Value | None = None
    instead: Condition | None = None


@dataclass(frozen=True)
class Notch:
    """One setting of a dial.

    Parameters
    ----------
    key : str
        Its name.
    settings : mapping of str to value
        What it sets.
    tags : frozenset of str
        What it makes the exercise.
    needs : frozenset of str
        Equipment.
    start_if : tuple of Condition
        All must hold for a first programme to start here.
    allow_if : tuple of Condition
        All must hold for it ever to be used.
    after_dose : int
        Step of the dose list that must be done on the notch before [1]; 0 = the family's own.
    """

    key: str
    settings: Mapping[str, Value]
    tags: frozenset[str]
    needs: frozenset[str]
    start_if: tuple[Condition, ...]
    allow_if: tuple[Condition, ...]
    after_dose: int = 0


@dataclass(frozen=True)
class Dial:
    """Something that can be turned on an exercise, from easiest to hardest.

    Parameters
    ----------
    key : str
        Its name.
    raises : {"bend", "load", "balance"}
        The one demand that it raises.
    notches : tuple of Notch
        From easiest to hardest.
    """

    key: str
    raises: str
    notches: tuple[Notch, ...]


@dataclass(frozen=True)
class Rise:
    """In which order an exercise gets harder: first the dose, then one dial after the other.

    Parameters
    ----------
    order : tuple of str
        Dials, the first to be turned first.
    dose_to : int
        Step of the dose list to which the dose rises before a dial is turned [1].
    dose_least : int
        Step from which a dial may be turned where more of it does not fit the minutes [1].
    dose_after : int
        Step with which a harder setting begins [1].
    """

    order: tuple[str, ...]
    dose_to: int
    dose_least: int
    dose_after: int


@dataclass(frozen=True)
class Family:
    """An exercise family: what can be turned, how it is dosed, what it needs.

    Parameters
    ----------
    key : str
        Its name.
    optional : bool
        Whether the therapist must ask for it.
    per_foot : bool
        Whether each foot has its own line; else both work together.
    settings : mapping of str to value
        What holds for all its rungs.
    tags, needs : frozenset of str
        As for a notch.
    allow_if : tuple of Condition
        All must hold for the family to be used at all.
    dials : tuple of Dial
        What can be turned.
    doses : tuple of DoseRow
        Its dose steps, easiest first.
    sources : tuple of str
        Sources.
    rise : Rise
        In which order it gets harder.
    """

    key: str
    optional: bool
    per_foot: bool
    settings: Mapping[str, Value]
    tags: frozenset[str]
    needs: frozenset[str]
    allow_if: tuple[Condition, ...]
    dials: tuple[Dial, ...]
    doses: tuple[DoseRow, ...]
    sources: tuple[str, ...]
    rise: Rise


@dataclass(frozen=True)
class Evidence:
    """The book: rows, sources, measures, screen, grades, rules and exercise families.

    Parameters
    ----------
    joint : str
        Which joint it is about.
    edition : str
        Changes whenever the content changes.
    rows, sources, measures, items, rules, families : mapping
        By key.
    score_items : tuple of ScoreItem
        Items of the published scores.
    bands : tuple of Band
        Grades, mildest first.
    priority : tuple of str
        Families in the order in which they are kept when time is short.
    overrides : tuple of Override
        The clinic's own values, already in ``rows``.
    equipment : tuple of str
        Things that may be at home.
    clinic_may_set : tuple of str
        Beginnings of the keys of which a clinic may have its own value, within the row's range.
    norms : tuple of Norm
        What people without complaint reach.
    """

    joint: str
    edition: str
    rows: Mapping[str, Row]
    sources: Mapping[str, Source]
    measures: Mapping[str, Measure]
    items: Mapping[str, Item]
    score_items: tuple[ScoreItem, ...]
    bands: tuple[Band, ...]
    rules: Mapping[str, Rule]
    families: Mapping[str, Family]
    priority: tuple[str, ...]
    overrides: tuple[Override, ...] = ()
    equipment: tuple[str, ...] = ()
    clinic_may_set: tuple[str, ...] = ()
    norms: tuple[Norm, ...] = ()

    def row(self, key: str) -> Row:
        """The row of a key.

        Raises
        ------
        EvidenceError
            When the book has no such row.
        """
        try:
            return self.rows[key]
        except KeyError:
            raise EvidenceError(f"the book has no row {key!r}") from None

    def value(self, key: str) -> float:
        """The value of a row, in the row's unit."""
        return self.row(key).value

    def low(self, key: str) -> float:
        """The low end of a row's range, in the row's unit.

        Raises
        ------
        EvidenceError
            When the row has no range.
        """
        low = self.row(key).low
        if low is None:
            raise EvidenceError(f"the row {key!r} has no low end")
        return low

    def high(self, key: str) -> float:
        """The high end of a row's range, in the row's unit.

        Raises
        ------
        EvidenceError
            When the row has no range.
        """
        high = self.row(key).high
        if high is None:
            raise EvidenceError(f"the row {key!r} has no high end")
        return high

    def spans(self, keys: tuple[str, ...]) -> tuple[tuple[float, float, float], ...]:
        """Low end, value and high end of each row, each in its row's unit; remembered by keys."""
        found = self._spans.get(keys)
        if found is None:
            found = tuple((self.low(key), self.value(key), self.high(key)) for key in keys)
            self._spans[keys] = found
        return found

    @cached_property
    def _spans(self) -> dict[tuple[str, ...], tuple[tuple[float, float, float], ...]]:
        return {}

    def reason(self, rule: str, **values: Any) -> Reason:
        """Say a rule with its values filled in.

        Parameters
        ----------
        rule : str
            Key of the rule.
        **values
            What the sentence's ``{names}`` stand for; they are also kept as the inputs seen.

        Raises
        ------
        EvidenceError
            When the book has no such rule, or a value is missing.
        """
        try:
            found = self.rules[rule]
        except KeyError:
            raise EvidenceError(f"the book has no rule {rule!r}") from None
        rows = [self.row(key) for key in found.keys]
        shown = {name: shown_value(value) for name, value in values.items()}
        marks = {f"k{index}": _mark(row) for index, row in enumerate(rows)}
        try:
            says = found.says.format_map({**marks, **shown})
        except KeyError as missing:
            raise EvidenceError(f"rule {rule!r} needs a value for {missing}") from None
        sources = dict.fromkeys([found.source, *(row.source for row in rows)])
        weakest = max([found.basis, *(row.basis for row in rows)], key=BASES.index)
        return Reason(
            rule,
            found.version,
            says,
            tuple(shown.items()),
            found.keys,
            tuple(sources),
            weakest,
        )


def _mark(row: Row) -> str:
    """A row in a sentence; a limit stands without the range in which a clinic may set it."""
    if row.use != "describe" or row.low is None or row.high is None:
        return printed(row.value, row.unit)
    return f"{row.low:.6g} to {printed(row.high, row.unit)}"


def shown_value(value: object) -> str:
    """Print an input the way a reason shows it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, (tuple, list, frozenset, set)):
        return ", ".join(sorted(str(part) for part in value)) or "none"
    return "not examined" if value is None else str(value).replace("_", " ")
