"""The programme: each exercise drawn, with its reasons and refusals; changing, keeping, printing.

A draft is computed anew from the latest examination at every look; it is kept only on request. The
therapist's own choices travel with the form as the text that ``rungwise plan --pins`` reads.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from secrets import token_hex
from typing import ClassVar

from rungwise.casebook import ConflictError, PersonFile, drawing_of, qr_of, read_pins
from rungwise.casebook_office import PAPERS, desk
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.terms import SIDES, Exercise, Pin, Plan, Side, SideScreen
from rungwise.web.because import Because, because, dose_words, setting_words, step_words
from rungwise.web.exam_text import toml_text
from rungwise.web.merge import merge
from rungwise.web.page import At, Download, Go, Page, Visit, told
from rungwise.web.pages.errors import MERGE, begin_anew
from rungwise.web.pages.pins_conflict import LOOK, by_foot, pins_apart, pins_conflict, pins_text

__all__ = ["ROUTES"]

PDF, HTML = "application/pdf", "text/html"
OWN = "pin"


@dataclass(frozen=True)
class Dial:
    """One thing that can be turned, for the form of an own choice.

    Parameters
    ----------
    key, label : str
        Its name, and as it is shown.
    words : tuple of (str, str)
        Its notches, and as they are shown.
    now : str
        Notch on which it stands; empty when the exercise is not in the programme.
    """

    key: str
    label: str
    words: tuple[tuple[str, str], ...]
    now: str


@dataclass(frozen=True)
class Choice:
    """The form of an own choice for one exercise of one foot.

    Parameters
    ----------
    family, side : str
        Which exercise, which foot.
    name : str
        As it is shown.
    dials : tuple of Dial
        What can be turned.
    doses : tuple of str
        The steps of its dose list, as they are shown.
    dose_step : int
        Step on which it stands, 0 = none [1].
    pinned : bool
        Whether it is an own choice already.
    """

    family: str
    side: str
    name: str
    dials: tuple[Dial, ...]
    doses: tuple[str, ...]
    dose_step: int
    pinned: bool


@dataclass(frozen=True)
class Line:
    """One exercise of the programme.

    Parameters
    ----------
    name, foot, setting, dose : str
        What, which foot, how it is set, how much.
    sizes : tuple of str
        Sizes to set.
    svg, alt : str
        Its drawing, and what that shows in words.
    bend : str
        Bend used, and its share of what is available.
    why, refused, warnings : tuple of Because
        Why this, what was refused instead, what stays said beside it.
    pin : Pin or None
        The own choice, if it is one.
    choice : Choice
        The form to change it.
    """

    name: str
    foot: str
    setting: str
    dose: str
    sizes: tuple[str, ...]
    svg: str
    alt: str
    bend: str
    why: tuple[Because, ...]
    refused: tuple[Because, ...]
    warnings: tuple[Because, ...]
    pin: Pin | None
    choice: Choice


@dataclass(frozen=True)
class Foot:
    """What screen and grade say of a foot.

    Parameters
    ----------
    side : str
        As a word.
    screen : SideScreen
        The screen.
    grade : str
        The grade, or that there is none.
    why : tuple of Because
        Reasons of screen and grade.
    """

    side: str
    screen: SideScreen
    grade: str
    why: tuple[Because, ...]


@dataclass(frozen=True, kw_only=True)
class Programme(Page):
    """The programme of a person: as kept, or as a draft."""

    template: ClassVar[str] = "programme.html"
    url: str = told("Where the form is sent to.")
    kept: bool = told("Whether this is the kept programme; else it is a draft.")
    version: int = told("Number of the kept programme, 0 = none.")
    other_book: bool = told("Whether the book is another than the kept programme's.")
    clock: str = told("What is wrong with a clock; empty when nothing is.")
    decided: bool = told("Whether the kept programme came of a decision, which a draft lacks.")
    ruled_out: tuple[str, ...] = told("Exercises of it that a later examination rules out.")
    moved: bool = told("Whether the draft is another than the one that was to be kept.")
    seen: str = told("What the draft was made from; it is kept only while that holds.")
    stale: bool = told("Whether there is a newer examination than the kept programme's.")
    starts: str = told("First day.")
    ends: str = told("Last day.")
    review: str = told("Day of the next look.")
    minutes: str = told("How long a day takes; empty without exercises.")
    feet: tuple[Foot, ...] = told("What screen and grade say of each foot.")
    lines: tuple[Line, ...] = told("The exercises; empty when there may be none now.")
    left_out: tuple[Because, ...] = told("What was considered and left out, and why.")
    other_choices: tuple[Choice, ...] = told("Exercises that are not in it, to be added.")
    notes: tuple[Because, ...] = told("What holds for the whole programme.")
    pins: str = told("The own choices, as text that travels with the form.")
    expected: int = told("Number of the programme that this one follows.")
    once: str = told("Token of this form, so that sending it twice keeps once.")
    back: bool = told("Whether it was open when the records were locked, and is back.", False)
    qr: str = told("The code for the phone as a picture; empty without one.")
    code: str = told("The code for the phone as text.")
    edition: str = told("Edition of the evidence book.")
    typed_why: str = told("Reason of an own choice as it was typed, when it was refused.", "")


@dataclass(frozen=True, kw_only=True)
class NotExamined(Page):
    """There is no programme without an examination."""

    template: ClassVar[str] = "not_examined.html"
    url: str = told("Where to examine.")


def programme(visit: Visit) -> Page | Go:
    """Show the programme, try an own choice, or keep it."""
    found = visit.found()
    if found.exam is None:
        title = visit.say("programme.title")
        bar = visit.person_bar(found, "programme")
        return NotExamined(title=title, person=bar, url=f"/people/{found.id}/exam")
    book = visit.book()
    if (typed := visit.given_back()) is not None:  # tried again, never kept by itself
        none = {} if typed.get("family") else {"drop": ("/",)}
        visit.form = {**typed, "action": ("try",), **none}
        page = _changed(visit, found, book)
        return replace(page, back=True, status=200) if isinstance(page, Programme) else page
    if visit.method == "POST":
        return _changed(visit, found, book)
    fresh = found.plan is not None and found.plan_exam_version == found.exam_version
    if fresh or (found.plan is not None and visit.query.get("draft") != "yes"):
        assert found.plan is not None
        return _page(visit, found, book, found.plan, kept=True)
    return _page(visit, found, book, visit.casebook.draft(found, book), kept=False)


def _changed(visit: Visit, found: PersonFile, book: Evidence) -> Page | Go:
    kept_text = visit.typed("pins")
    pins = read_pins(kept_text, book) if kept_text else ()
    action, expected = visit.typed("action"), visit.whole("expected", found.plan_version)
    if action in (MERGE, LOOK):
        lines, theirs = pins_apart(visit, found, book, pins, visit.whole("base"), expected)
        if any(not one.taken for one in lines):
            return pins_conflict(visit, found, book, pins, visit.whole("base"), expected)
        merged = merge(by_foot(pins), by_foot(theirs), lines)
        pins = tuple(merged.values())
        kept_text = pins_text(pins)
        if action == LOOK:
            return _page(visit, found, book, visit.casebook.draft(found, book, pins), kept=False)
    moved = visit.typed("seen") not in ("", _seen(visit, found, book))
    if action == "keep" and moved and expected == found.plan_version:  # else both are shown
        draft = visit.casebook.draft(found, book, pins)
        return _page(visit, found, book, draft, kept=False, moved=True, status=409)
    if action in ("keep", MERGE):
        once = f"plan:{visit.typed('once')[:64] or token_hex(16)}"
        try:
            visit.casebook.keep_plan(visit.who, found.id, kept_text, expected, once)
        except ConflictError as error:
            begin_anew(visit)
            now = error.theirs.version if error.theirs else 0
            return pins_conflict(visit, visit.found(), book, pins, expected, now)
        except InputError as error:
            if action != MERGE:
                raise
            draft = visit.casebook.draft(found, book)
            return _page(visit, found, book, draft, kept=False, faults=error.faults, status=422)
        return Go(f"/people/{found.id}/programme")
    dropped = visit.typed("drop")
    if dropped:
        left = tuple(p for p in pins if f"{p.family}/{p.side}" != dropped)
        return _page(visit, found, book, visit.casebook.draft(found, book, left), kept=False)
    try:
        one = read_pins(_pin_text(visit, book), book)
        same = {(p.family, p.side) for p in one}
        pins_now = (*(p for p in pins if (p.family, p.side) not in same), *one)
        draft = visit.casebook.draft(found, book, pins_now)
    except InputError as error:
        draft = visit.casebook.draft(found, book, pins)
        return _page(visit, found, book, draft, kept=False, faults=error.faults, status=422)
    return _page(visit, found, book, draft, kept=False)


def _seen(visit: Visit, found: PersonFile, book: Evidence) -> str:
    """What a draft is made from: examination, edition of the book, day."""
    return f"{found.exam_version} {book.edition} {visit.casebook.today()}"


def _pin_text(visit: Visit, book: Evidence) -> str:
    """The own choice that was typed, as the text that is read everywhere."""
    family = visit.typed("family")
    lines = ["[[pin]]"]
    lines += [f"{k} = {toml_text(visit.typed(k))}" for k in ("family", "side", "why", "by")]
    if family in book.families:
        lines += [
            f"{dial.key} = {toml_text(notch)}"
            for dial in book.families[family].dials
            if (notch := visit.typed(f"dial.{dial.key}"))
        ]
    if step := visit.whole("dose_step"):
        lines.append(f"dose_step = {step}")
    return "\n".join(lines) + "\n"


# ------------------------------------------------------------------ what is shown


def _page(
    visit: Visit,
    found: PersonFile,
    book: Evidence,
    plan: Plan,
    *,
    kept: bool,
    moved: bool = False,
    faults: Sequence[Fault] = (),
    status: int = 200,
) -> Programme:
    say = visit.say
    there = {(e.family, e.side) for e in plan.exercises} | {
        (e.family, side) for e in plan.exercises if e.both for side in SIDES
    }
    others = tuple(
        _choice(visit, book, key, side, None)
        for key in book.families
        for side in SIDES
        if plan.exercises and (key, side) not in there
    )
    minutes = "" if plan.session is None else f"{plan.session.seconds / 60:.0f}"
    return Programme(
        title=say("programme.title"),
        person=visit.person_bar(found, "programme"),
        url=f"/people/{found.id}/programme",
        kept=kept,
        version=found.plan_version if kept else 0,
        other_book=kept and plan.edition != book.edition,
        clock=visit.clock_told(found),
        decided=visit.casebook.past_of(found) is not None,
        ruled_out=tuple(
            f"{say.name('family', e.family)}, {say('of.both' if e.both else f'of.{e.side}')}"
            for e in (visit.casebook.ruled_out(found, book) if kept else ())
        ),
        moved=moved,
        seen=_seen(visit, found, book),
        stale=kept and found.plan_exam_version != found.exam_version,
        starts=say.day(plan.starts),
        ends=say.day(plan.ends),
        review=say.day(plan.review),
        minutes=minutes,
        feet=tuple(_foot(visit, book, plan, side) for side in SIDES),
        lines=tuple(_line(visit, book, plan, i) for i in range(len(plan.exercises))),
        left_out=because(book, [no.reason for no in plan.refused]),
        other_choices=others,
        notes=because(book, plan.notes),
        pins=pins_text([e.pin for e in plan.exercises if e.pin is not None]),
        expected=found.plan_version,
        once=token_hex(16),
        qr=qr_of(found.plan_code) if kept and found.plan_code else "",
        code=found.plan_code if kept else "",
        edition=plan.edition,
        faults=tuple(faults),
        typed_why=visit.typed("why"),
        status=status,
    )


def _foot(visit: Visit, book: Evidence, plan: Plan, side: Side) -> Foot:
    grade, screen = plan.grades[side], plan.screening.of(side)
    shown = "look.grade_none" if grade.value is None else "look.grade"
    reasons = [flag.reason for flag in screen.flags]
    reasons += [*screen.reasons, *grade.reasons, *grade.notes]
    return Foot(
        visit.say(f"side.{side}"),
        screen,
        visit.say(shown, grade=grade.value),
        because(book, reasons),
    )


def _line(visit: Visit, book: Evidence, plan: Plan, index: int) -> Line:
    say, exercise = visit.say, plan.exercises[index]
    drawn = drawing_of(plan, index, say.language)
    demand, rung = exercise.fitted.demand, exercise.fitted.rung
    sizes = [
        say(f"size_line.{key}", mm=f"{value:.0f}")
        for key, value in exercise.fitted.pose.sizes_mm.items()
        if value > 0
    ]
    bend = ""
    if demand.bend_deg:
        bend = say(
            "programme.bend", deg=f"{demand.bend_deg:.0f}", pct=f"{100 * demand.bend_share:.0f}"
        )
    return Line(
        name=say.name("family", exercise.family),
        foot=say("of.both" if exercise.both else f"of.{exercise.side}"),
        setting=setting_words(say, rung.notches),
        dose=dose_words(say, exercise),
        sizes=tuple(sizes),
        svg=drawn.svg,
        alt=drawn.alt,
        bend=bend,
        why=because(book, exercise.reasons),
        refused=because(book, [no.reason for no in exercise.refused]),
        warnings=because(book, exercise.warnings),
        pin=exercise.pin,
        choice=_choice(visit, book, exercise.family, exercise.side, exercise),
    )


def _choice(visit: Visit, book: Evidence, family: str, side: Side, now: Exercise | None) -> Choice:
    say, spec = visit.say, book.families[family]
    stands = dict(now.fitted.rung.notches) if now else {}
    dials = tuple(
        Dial(
            dial.key,
            say.name("dial", dial.key),
            tuple((n.key, say.name("notch", n.key)) for n in dial.notches),
            stands.get(dial.key, ""),
        )
        for dial in spec.dials
    )
    doses = tuple(step_words(say, n, d.dose) for n, d in enumerate(spec.doses, 1))
    name = f"{say.name('family', family)}, {say(f'of.{side}')}"
    step = now.dose_step if now else 0
    return Choice(family, side, name, dials, doses, step, now is not None and now.pin is not None)


# ------------------------------------------------------------------ files


def sheet(visit: Visit) -> Download:
    """The patient's sheet as PDF."""
    paper = desk(visit.casebook, visit.who).paper
    if visit.query.get("paper") in PAPERS:
        paper = visit.query["paper"]
    large = visit.query.get("large") == "yes"
    version = _version(visit)
    data = visit.casebook.sheet(visit.who, visit.path["person"], version, paper, large)
    return Download(data, PDF, f"programme-{version}.pdf", inline=True)


def phone(visit: Visit) -> Download:
    """The page for the patient's phone."""
    version = _version(visit)
    data = visit.casebook.phone_file(visit.who, visit.path["person"], version)
    return Download(data, HTML, f"programme-{version}.html")


def _version(visit: Visit) -> int:
    text = visit.path["version"]
    return int(text) if text.isascii() and text.isdigit() and len(text) < 7 else 0


HERE = "/people/{person}/programme"
ROUTES = (
    At(HERE, programme, "GET POST", deed="read", keeps=HERE),
    At("/people/{person}/programme/{version}/sheet.pdf", sheet),
    At("/people/{person}/programme/{version}/phone.html", phone),
)
