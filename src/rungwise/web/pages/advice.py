"""The advice: what is proposed for each exercise and why, and the therapist's answer to each line.

Nothing is chosen beforehand and nothing changes until every line is answered. The answers fit only
the advice that was shown: a diary, an examination or a decision that came meanwhile is told first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from secrets import token_hex
from typing import ClassVar, cast

from rungwise.casebook import Advice, Answer, ConflictError, Entry, PersonFile, qr_of
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Side
from rungwise.web.because import (
    Because,
    because,
    dose_words,
    exercise_words,
    setting_words,
    step_words,
)
from rungwise.web.page import At, Go, Page, Visit, told
from rungwise.web.pages.advice_conflict import AGAIN, KINDS, Was, answers_gone, was_line

__all__ = ["ROUTES"]

#: Word of each outcome's mark in the sheet of styles.
MARKS = {"up": "up", "same": "same", "down": "down", "stop and call": "call"}


@dataclass(frozen=True)
class Turn:
    """One thing that can be turned in a change of the therapist's own.

    Parameters
    ----------
    name, label : str
        Its field, and as it is shown.
    words : tuple of (str, str)
        What can be chosen, and as it is shown.
    now : str
        Where it stands.
    typed : str
        What was chosen.
    """

    name: str
    label: str
    words: tuple[tuple[str, str], ...]
    now: str
    typed: str


@dataclass(frozen=True)
class Session:
    """One session that drove the advice, in words."""

    on: str
    done: str
    pains: str
    marks: str


@dataclass(frozen=True)
class Line:
    """What is advised for one exercise of one foot, and what was answered.

    Parameters
    ----------
    key : str
        Its field: family and foot.
    name, setting, dose : str
        What it is, how it is set and how much it is now.
    outcome, mark : str
        The advice as a word, and its mark.
    change : str
        What would change; empty when nothing does.
    becomes : str
        Setting and dose after it.
    why, refused : tuple of Because
        Why; harder settings that were looked at, and why they wait.
    sessions : tuple of Session
        The sessions that drove it.
    work : str
        How much was done of what was asked for.
    turns : tuple of Turn
        What can be turned instead.
    kind, reason : str
        What was answered, and why.
    was : Was or None
        What it said before, when the advice changed while it was answered.
    """

    key: str
    name: str
    setting: str
    dose: str
    outcome: str
    mark: str
    change: str
    becomes: str
    why: tuple[Because, ...]
    refused: tuple[Because, ...]
    sessions: tuple[Session, ...]
    work: str
    turns: tuple[Turn, ...]
    kind: str
    reason: str
    was: Was | None


@dataclass(frozen=True)
class Kept:
    """What was decided last: when, by whom, and the programme that it led to.

    Parameters
    ----------
    on, by : str
        When, and by whom.
    today : bool
        Whether that was today: then the form to decide again is folded.
    version : int
        Version of the programme that it led to [1].
    exercises : bool
        Whether that has exercises.
    qr : str
        Its code for the phone as a picture; empty without one.
    """

    on: str
    by: str
    today: bool
    version: int
    exercises: bool
    qr: str


@dataclass(frozen=True, kw_only=True)
class AdvicePage(Page):
    """The advice of today, line by line, and the form of the answers."""

    template: ClassVar[str] = "advice.html"
    url: str = told("Where the form is sent to.")
    person_url: str = told("Address of the person's pages.")
    nothing: bool = told("Whether there is nothing to follow.")
    kept: Kept | None = told("What was decided last, when it led to the present programme.", None)  # noqa: RUF009
    calls: tuple[Because, ...] = told("Why the patient must be called, those for a stop first.", ())
    fresh: bool = told("Whether the screen is complete and young enough for a new plan.", True)
    ended: bool = told("Whether the programme has ended; then an old screen allows no next.", False)
    examined: str = told("Day of the latest examination.", "")
    lines: tuple[Line, ...] = told("One for each exercise.", ())
    heard: str = told("Last day with an entry; a dash without one.", "")
    notes: tuple[Because, ...] = told("How entries were read that were not plain.", ())
    by: str = told("Who decides.", "")
    seen: str = told("Digest of the advice that is answered.", "")
    expected: int = told("Number of the programme that the next one follows.", 0)
    once: str = told("Token of this form, so that sending it twice keeps once.", "")
    conflict: bool = told("Whether the advice changed meanwhile.", False)
    gone: tuple[tuple[str, str], ...] = told("Lines answered and not advised any more.", ())
    unlinked: tuple[Fault, ...] = told("Faults that belong to no field of the form.", ())
    edition: str = told("Edition of the evidence book.", "")
    clock: str = told("What is wrong with a clock; empty when nothing is.", "")
    other_book: str = told("Edition that the programme was made with, if it is another.", "")


def advice(visit: Visit) -> Page | Go:
    """Show the advice, or keep the answers to it."""
    person = visit.path["person"]
    if visit.method == "GET":
        return _page(visit, visit.casebook.advice(visit.who, person))
    once = f"decision:{visit.typed('once')[:64] or token_hex(16)}"
    try:
        answers = _answers(visit)
        expected = visit.whole("expected")
        visit.casebook.decide(visit.who, person, answers, visit.typed("seen"), expected, once)
    except InputError as error:
        now = visit.casebook.advice(visit.who, person)
        return _page(visit, now, faults=error.faults, status=422)
    except ConflictError:
        now = visit.casebook.advice(visit.who, person)
        return _page(visit, now, conflict=True, status=409)
    return Go(f"/people/{person}/advice")


def _answers(visit: Visit) -> dict[tuple[str, Side], Answer]:
    """The answers as they were typed; lines without one are left out, and named when checked."""
    found: dict[tuple[str, Side], Answer] = {}
    for name in visit.form:
        family, _, rest = name.partition(".")
        side, _, last = rest.partition(".")
        at = f"{family}.{side}"
        kind = visit.typed(f"{at}.kind") or visit.typed(f"{at}.{AGAIN}")
        if last not in ("kind", AGAIN) or kind not in KINDS or side not in ("right", "left"):
            continue
        notches, step = {}, 0
        if kind == "change":
            dials = [key for key in visit.form if key.startswith(f"{at}.dial.")]
            notches = {
                key.rpartition(".")[2]: visit.typed(key) for key in dials if visit.typed(key)
            }
            step = visit.whole(f"{at}.dose")
        why = visit.typed(f"{at}.why")
        answer = Answer(kind, visit.typed("by"), why, notches, step or None)  # type: ignore[arg-type]
        found[family, cast(Side, side)] = answer
    return found


# ------------------------------------------------------------------ what is shown


def _page(
    visit: Visit,
    now: Advice | None,
    *,
    faults: tuple[Fault, ...] = (),
    conflict: bool = False,
    status: int = 200,
) -> AdvicePage:
    say = visit.say
    found = now.way.found if now is not None else visit.found()
    bar, title = visit.person_bar(found, "advice"), say("advice.title")
    url = f"/people/{found.id}"
    kept = _kept(visit, found)
    if now is None or now.way.opened is None or found.exam is None:
        return AdvicePage(
            title=title, person=bar, url=f"{url}/advice", person_url=url, nothing=True, kept=kept
        )
    decision, book, opened = now.decision, now.way.book, now.way.opened
    entries = opened.course.entries
    faults = tuple(dict.fromkeys(_of_form(fault) for fault in faults))
    keys = [f"{line.exercise.family}.{line.exercise.side}" for line in decision.lines]
    fields = {"by", *keys, *(f"{key}.why" for key in keys)}
    calls = sorted(decision.calls, key=lambda one: one.rule != "call.stop")
    return AdvicePage(
        title=title,
        person=bar,
        url=f"{url}/advice",
        person_url=url,
        nothing=False,
        kept=kept,
        calls=because(book, calls),
        fresh=decision.fresh,
        ended=not decision.fresh and opened.plan.ends < decision.on,
        examined=say.day(found.exam.on),
        lines=tuple(_line(visit, now, book, i, conflict) for i in range(len(decision.lines))),
        heard=say.day(entries[-1].on if entries else None),
        notes=because(book, decision.notes),
        by=visit.typed("by") or _name(visit) or found.exam.therapist or "",
        seen=now.seen,
        expected=found.plan_version,
        once=visit.typed("once")[:64] if status == 422 else token_hex(16),
        conflict=conflict,
        gone=answers_gone(visit, keys) if conflict else (),
        edition=decision.edition,
        clock=visit.clock_told(found),
        other_book=opened.plan.edition if opened.plan.edition != decision.edition else "",
        faults=faults,
        unlinked=tuple(fault for fault in faults if fault.field not in fields),
        status=status,
    )


def _of_form(fault: Fault) -> Fault:
    """A fault as the form has it: who decides is asked once, not for each line."""
    return replace(fault, field="by") if fault.field.endswith(".by") else fault


def _name(visit: Visit) -> str:
    assert visit.session is not None
    return visit.session.held.get("therapist", visit.session.name)


def _kept(visit: Visit, found: PersonFile) -> Kept | None:
    past = visit.casebook.past_of(found)
    if past is None or found.plan is None:
        return None
    exercises = bool(found.plan.exercises)
    return Kept(
        on=visit.say.day(past.on),
        by=past.by,
        today=past.on == visit.casebook.today(),
        version=found.plan_version,
        exercises=exercises,
        qr=qr_of(found.plan_code) if exercises else "",
    )


def _line(visit: Visit, now: Advice, book: Evidence, index: int, conflict: bool) -> Line:
    say, line = visit.say, now.decision.lines[index]
    e, key = line.exercise, f"{line.exercise.family}.{line.exercise.side}"
    spec = book.families[e.family]
    becomes = ""
    if line.step is not None:
        notches = [
            (dial.key, dial.notches[place].key)
            for dial, place in zip(spec.dials, line.step.places, strict=True)
        ]
        dose = spec.doses[line.step.dose_step - 1].dose
        becomes = f"{setting_words(say, notches)}. {dose_words(say, replace(e, dose=dose))}"
    stands = dict(e.fitted.rung.notches)
    turns = [
        Turn(
            f"{key}.dial.{dial.key}",
            say.name("dial", dial.key),
            tuple((n.key, say.name("notch", n.key)) for n in dial.notches),
            stands.get(dial.key, ""),
            visit.typed(f"{key}.dial.{dial.key}"),
        )
        for dial in spec.dials
    ]
    doses = tuple((str(n), step_words(say, n, d.dose)) for n, d in enumerate(spec.doses, 1))
    dose_turn = Turn(
        f"{key}.dose", say("programme.dose_label"), doses, str(e.dose_step),
        visit.typed(f"{key}.dose"),
    )  # fmt: skip
    changes = [] if line.step is None else [line.step.says]
    setting, dose_now = setting_words(say, e.fitted.rung.notches), dose_words(say, e)
    outcome = say.name("advised", MARKS[line.outcome])
    was = was_line(visit, key, outcome, f"{setting}. {dose_now}", becomes) if conflict else None
    typed = visit.typed(f"{key}.kind") or visit.typed(f"{key}.{AGAIN}")
    return Line(
        key=key,
        name=exercise_words(say, e.family, e.side, e.both),
        setting=setting,
        dose=dose_now,
        outcome=outcome,
        mark=MARKS[line.outcome],
        change=" ".join(reason.says for reason in changes),
        becomes=becomes,
        why=because(book, line.reasons),
        refused=because(book, [no.reason for no in line.refused]),
        sessions=tuple(_session(visit, one) for one in line.entries),
        work=say("advice.work", pct=f"{line.work.volume_pct:.0f}"),
        turns=(*turns, dose_turn),
        kind="" if conflict else typed,
        reason=visit.typed(f"{key}.why"),
        was=was,
    )


def _session(visit: Visit, one: Entry) -> Session:
    say = visit.say
    pains = [
        f"{say(f'diary.{when}')} {'–' if pain is None else pain}"
        for when, pain in (
            ("before", one.before),
            ("during", one.during),
            ("morning", one.morning),
        )
    ]
    marks = [
        say("diary.sharp") if one.sharp else "",
        say("diary.sign") if one.warning else "",
        "" if one.counts_up else say("advice.not_up"),
    ]
    done = say(f"diary.done_{one.done}")
    if one.why_not:
        done += f": {say.name('why_not', one.why_not)}"
    return Session(say.day(one.on), done, ", ".join(pains), "; ".join(filter(None, marks)))


ROUTES = (
    At("/people/{person}/advice", advice, "GET"),
    At("/people/{person}/advice", advice, "POST", deed="add", keeps="/people/{person}/advice"),
)
