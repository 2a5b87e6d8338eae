"""The way back, on the clinic's records: what was done at home, the advice, the change, the notes.

A part of :class:`rungwise.casebook.Casebook`. As there, every verb is one transaction, and nothing
is computed here that the core computes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property, partial
from typing import TYPE_CHECKING

from rungwise.casebook_read import Reading, sent, standing_exams
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.note import KINDS
from rungwise.core.progress import Decision, decide
from rungwise.core.renew import Answer, renew
from rungwise.core.start import Foot
from rungwise.core.terms import Exam, Plan, Side
from rungwise.course import Decided, Lazy, Opened, Past, course_of, feet_now
from rungwise.diary import (
    Kept,
    Shown,
    Taken,
    shown_of,
    take_code,
    take_paper,
    write_kept,
)
from rungwise.home import HomePlan, HomeSession
from rungwise.kept import read_as
from rungwise.measures import Changes, Target
from rungwise.measures.typed import read_targets, write_targets
from rungwise.plain import plain
from rungwise.plan_code import read_plan_code
from rungwise.records import ConflictError, DamagedError, Record, Saved, Store, Who, Work

if TYPE_CHECKING:
    from rungwise.casebook import PersonFile
    from rungwise.words import Words

__all__ = [
    "TARGETS",
    "Advice",
    "CourseVerbs",
    "OnTheWay",
    "Target",
    "decided_for",
    "newest_targets",
    "next_look",
    "targets_in",
    "told_new",
]

#: Why a person needs a look: a word of these, then the rule, where a rule says it.
STOP, CALL, DOWN, SILENT, REVIEW, NOT_NOW = "stop", "call", "down", "silent", "review", "not_now"
#: Sort of the note that keeps a person's values to be reached.
TARGETS = "targets"
Key = tuple[str, Side]


@dataclass(frozen=True)
class OnTheWay:
    """A person's way so far.

    Parameters
    ----------
    found : PersonFile
        All that is known of the person.
    book : Evidence
        The book with the clinic's own values.
    homes : tuple of HomePlan
        What of each version went home, the newest first.
    logs : tuple of Kept
        Every hand-over of the diary, in the order of entering.
    opened : Opened or None
        The course; None while there is nothing to follow.
    reading : Reading
        What reads the records.
    """

    found: PersonFile
    book: Evidence
    homes: tuple[HomePlan, ...]
    logs: tuple[Kept, ...]
    opened: Opened | None
    reading: Reading

    @cached_property
    def shown(self) -> tuple[Shown, ...]:
        """Every exercise of every day; of several entries the higher pain, the smaller amount."""
        return shown_of(self.logs, self.homes)

    @cached_property
    def exams(self) -> tuple[Exam, ...]:
        """Every examination, oldest first, one a day; one that was corrected is left out."""
        stand = standing_exams(self.found.records)
        exams = [self.reading.exam(record, self.book) for record in stand]
        by_day = {exam.on: exam for exam in exams}
        return tuple(by_day[on] for on in sorted(by_day))


@dataclass(frozen=True)
class Advice:
    """What is advised now, and what it was computed from.

    Parameters
    ----------
    way : OnTheWay
        The person's way so far.
    decision : Decision
        What is advised for each exercise.
    feet : mapping of Side to Foot
        Each foot as last examined.
    seen : str
        Digest of the advice: the answers to it fit no other.
    """

    way: OnTheWay
    decision: Decision
    feet: Mapping[Side, Foot]
    seen: str


class CourseVerbs:
    """The verbs of the way back; the casebook has them."""

    if TYPE_CHECKING:
        reading: Reading

        @property
        def store(self) -> Store:
            """The open records."""

        def today(self) -> date:
            """The day here."""

        def _book(self, work: Work) -> Evidence: ...

        def _file(self, work: Work, person: str) -> PersonFile: ...

        def _keep(
            self,
            work: Work,
            found: PersonFile,
            plan: Plan,
            book: Evidence,
            expected: int | None,
            once: str | None,
        ) -> Saved: ...

        def draft(self, found: PersonFile, book: Evidence) -> Plan:
            """The programme that the latest examination gives."""

    # -------------------------------------------------------------- diary

    def way(self, who: Who, person: str) -> OnTheWay:
        """A person's way so far; audited as a read."""
        with self.store.work(who) as work:  # nobody waits while the rest is read and computed
            found, book = self._file(work, person), self._book(work)
        try:
            return self._way_of(found, book)
        except DamagedError as error:
            raise self.store.with_advice(error) from error

    def take_code(self, who: Who, person: str, text: str) -> Taken:
        """Take a log code into the diary.

        Raises
        ------
        InputError
            Another plan's, damaged, empty, or with nothing new.
        """
        with self.store.work(who) as work:
            way = self._handed_over(work, person)
            made, taken = take_code(way.logs, way.homes, text, self.today())
            self._take(work, way, (made,))
            return taken

    def take_paper(
        self, who: Who, person: str, sessions: Sequence[HomeSession], version: int
    ) -> Taken:
        """Take days typed from the paper diary of one version of the plan.

        Raises
        ------
        InputError
            Days outside the plan or to come, none, or with nothing new.
        """
        with self.store.work(who) as work:
            way = self._handed_over(work, person)
            made, taken = take_paper(way.logs, way.homes, sessions, self.today(), version)
            self._take(work, way, made)
            return taken

    def _take(self, work: Work, way: OnTheWay, made: Sequence[Kept]) -> None:
        """Append hand-overs, and say in the same transaction when the person needs a look."""
        person, today = way.found.id, self.today()
        versions = _versions(way.found, way.book)
        for kept in made:
            work.add_handover(person, write_kept(kept), today, versions[kept.log.version])
        now = self._way(work, person)
        if now.opened is not None:
            decision = _advise(now, today)[1]
            entries = now.opened.course.entries
            on, why = next_look(now.opened.plan, way.book, today, decision, entries[-1].on)
            work.set_look(person, on, why)
        else:  # what was done at home is kept and looked at, even when all is stopped by now
            work.set_look(person, today, NOT_NOW)

    # -------------------------------------------------------------- advice

    def advice(self, who: Who, person: str) -> Advice | None:
        """What is advised today for each exercise; None while there is nothing to follow."""
        way = self.way(who, person)
        if way.opened is None:
            return None
        feet, decision = _advise(way, self.today())
        return Advice(way, decision, feet, _digest(way, decision))

    def past_of(self, found: PersonFile) -> Past | None:
        """What the decision came to that led to the present plan; None without one."""
        for record in found.records:
            if record.kind == "decision" and record.facts["plan_version"] == found.plan_version:
                return self.reading.past(record)
        return None

    def decide(
        self,
        who: Who,
        person: str,
        answers: Mapping[Key, Answer],
        seen: str,
        expected: int,
        once: str,
    ) -> Saved:
        """Keep a decision and the next version of the plan that it leads to, both or none.

        Parameters
        ----------
        who : Who
            Who works.
        person : str
            Whose.
        answers : mapping of (str, Side) to Answer
            One for each line of the advice.
        seen : str
            Digest of the advice that was answered.
        expected : int
            Version of the plan that was seen [1].
        once : str
            Token of the form.

        Raises
        ------
        InputError
            Every fault of the answers; nothing to follow.
        ConflictError
            Somebody decided meanwhile, or the advice has changed: by a newer examination, a diary
            handed over, or a new day.
        """
        told_all = tuple((*key, answer) for key, answer in answers.items())
        told = json.dumps(plain(told_all))
        once = sent(once, person, seen, told)
        with self.store.work(who) as work:
            if (done := work.done(once)) is not None:
                return done
            way = self._followed(work, person)
            opened = way.opened
            assert opened is not None
            feet, decision = _advise(way, self.today())
            if way.found.plan_version != expected or _digest(way, decision) != seen:
                raise ConflictError("decision", expected, told, way.found.records[-1])
            plan = renew(opened.plan, decision, answers, feet, way.book)
            saved = self._keep(work, way.found, plan, way.book, expected, once)
            text = json.dumps(plain(Decided(saved.version, decision, told_all)), ensure_ascii=False)
            work.add_decision(person, text, saved.version)
            work.set_look(person, *next_look(plan, way.book, self.today()))
            return saved

    # -------------------------------------------------------------- change

    def changes(self, who: Who, person: str) -> Changes | None:
        """What has changed in every measure, activity and diary pain; None before an examination.

        Raises
        ------
        InputError
            As :func:`rungwise.measures.follow.follow`.
        """
        return self.changes_of(self.way(who, person))

    def changes_of(self, way: OnTheWay) -> Changes | None:
        """The same of a way that was read."""
        from rungwise.measures.follow import follow

        if not way.exams:
            return None
        entries = () if way.opened is None else way.opened.course.entries
        taken = {one.measure for exam in way.exams for one in exam.measured}
        targets = {key: one for key, one in _targets(way).items() if key in taken}
        return follow(way.exams, way.book, entries=entries, targets=targets)

    def keep_targets(
        self, who: Who, person: str, targets: Mapping[str, str], follows: int, once: str
    ) -> Saved:
        """Keep the values to be reached as the next version; the earlier ones stay.

        Parameters
        ----------
        who : Who
            Who works.
        person : str
            Of whom.
        targets : mapping of str to str
            By measure, what follows its name in ``MEASURE=VALUE/DAY``: ``>=45/2027-03-01``.
        follows : int
            The newest version that the writer had seen, 0 = none [1].
        once : str
            Token of the form.

        Raises
        ------
        InputError
            Names every target that cannot be read, of a measure that was not taken, or whose day
            is not to come.
        ConflictError
            Somebody kept newer ones.
        """
        once = sent(once, person, *(f"{key}{word}" for key, word in targets.items()))
        with self.store.work(who) as work:
            if (done := work.done(once)) is not None:
                return done
            way = self._way(work, person)
            found = read_targets([f"{key}{word}" for key, word in targets.items()], way.book)
            taken = {one.measure for exam in way.exams for one in exam.measured}
            before, today = _targets(way), self.today()
            faults = [
                Fault(f"target {key}", key, "a measure that was taken", "Measure it first.")
                for key in found
                if key not in taken
            ]
            faults += [
                Fault(f"target {key} by", str(one.by), f"a day after {today}", "Choose one.")
                for key, one in found.items()
                if one.by <= today and before.get(key) != one
            ]
            if faults:
                raise InputError("targets", tuple(faults))
            text = write_targets(found)
            newest = newest_targets(way.found)
            if (newest.version if newest else 0) != follows:
                raise ConflictError("note", follows, text, newest)
            if (newest.body if newest else "") == text:
                return Saved("note", person, follows, fresh=False)
            return work.add_note(person, TARGETS, text, follows or None, once=once)

    # -------------------------------------------------------------- notes

    def note(
        self,
        who: Who,
        person: str,
        kind: str,
        form: str = "text",
        minutes: str = "",
        by: str = "",
        paper: str = "a4",
        language: str = "en",
    ) -> bytes:
        """A note for the record, computed from what is known; nothing is kept.

        Parameters
        ----------
        who : Who
            Who works.
        person : str
            Of whom.
        kind : str
            Evaluation, visit, progress, discharge, letter.
        form : str
            Text, markdown, docx, pdf.
        minutes : str
            Minutes of the visit by service (TOML); empty when they were not counted.
        by : str
            Who signs.
        paper : {"a4", "us-letter"}
            Paper.
        language : {"en", "es"}
            Language of the note.

        Raises
        ------
        InputError
            Nobody examined yet, an unknown kind or form, a fault of the minutes.
        """
        from rungwise.notes import case_in, case_of, read_minutes, write_note

        way = self.way(who, person)
        with self.store.work(who) as work:
            head = work.head
        today, found, book = self.today(), way.found, way.book
        timed = read_minutes(minutes) if minutes else None
        if way.opened is None:
            plan = found.plan if found.plan is not None else self.draft(found, book)
            exams = way.exams
            if kind == "evaluation":
                first = next((r for r in found.records if r.kind == "plan"), None)
                plan = plan if first is None else self.reading.plan(first)
                exams = (plan.exam,)
            case = case_of(plan, book, today, exams=exams, timed=timed, by=by)
        else:
            case = case_in(
                way.opened, way.homes[0], kind, book, today, exam=found.exam, exams=way.exams,
                timed=timed, by=by,
            )  # fmt: skip
        stamp = datetime.fromisoformat(found.records[-1].made_utc)
        return write_note(case, kind, book, form, None, stamp, paper, head, language)

    def keep_note(
        self, who: Who, person: str, kind: str, text: str, follows: int, once: str
    ) -> Saved:
        """Keep a note's text as its next version; the earlier ones stay.

        Parameters
        ----------
        who : Who
            Who works.
        person : str
            Of whom.
        kind : str
            Which kind of note.
        text : str
            The text.
        follows : int
            The newest note of this kind that the writer had seen, 0 = none [1].
        once : str
            Token of the form.

        Raises
        ------
        InputError
            An unknown kind, or no text.
        ConflictError
            Somebody kept a newer one.
        """
        faults = []
        if kind not in KINDS:
            faults.append(Fault("kind", kind, ", ".join(KINDS), "Choose one."))
        if not text.strip():
            faults.append(Fault("text", "nothing", "the text of a note", "Write it."))
        if faults:
            raise InputError("note", tuple(faults))
        text = text.replace("\r\n", "\n")
        once = sent(once, person, kind, text)
        with self.store.work(who) as work:
            if (done := work.done(once)) is not None:
                return done
            before = [r for r in work.history(person, "note") if r.facts["sort"] == kind]
            newest = before[-1] if before else None
            if (newest.version if newest else 0) != follows:
                raise ConflictError("note", follows, text, newest)
            if newest is not None and newest.body == text:
                return Saved("note", person, newest.version, fresh=False)
            return work.add_note(person, kind, text, follows or None, once=once)

    # -------------------------------------------------------------- inside

    def _way(self, work: Work, person: str) -> OnTheWay:
        return self._way_of(self._file(work, person), self._book(work))

    def _way_of(self, found: PersonFile, book: Evidence) -> OnTheWay:
        """The way of a person whose records were read."""
        read = self.reading
        plans = [r for r in found.records if r.kind == "plan"]
        codes = [str(r.facts["code"]) for r in reversed(plans) if r.facts["code"]]
        homes = tuple(read_plan_code(code, book.joint) for code in codes)
        logs = tuple(read.log(r) for r in found.records if r.kind == "handover")
        opened = None
        if found.plan is not None and found.plan.exercises:
            made = [r for r in found.records if r.kind == "decision"]
            opened = course_of(
                (Lazy([partial(read.plan, r) for r in plans]), tuple(map(read.head, plans))),
                (
                    Lazy([partial(read.decided, r) for r in made]),
                    Lazy([partial(read.past, r) for r in made]),
                ),
                logs,
                homes,
                book,
                self.today(),
            )
        return OnTheWay(found, book, homes, logs, opened, read)

    def _followed(self, work: Work, person: str) -> OnTheWay:
        """The same of a person who has something to follow."""
        return _needs(self._way(work, person), lambda way: way.opened is not None)

    def _handed_over(self, work: Work, person: str) -> OnTheWay:
        """The same of a person who ever took a programme home."""
        return _needs(self._way(work, person), lambda way: bool(way.homes))


def _needs(way: OnTheWay, there: Callable[[OnTheWay], bool]) -> OnTheWay:
    if not there(way):
        remedy = "Keep a programme first."
        fault = Fault("programme", "none with exercises", "a programme to follow", remedy)
        raise InputError("diary", (fault,))
    return way


def next_look(
    plan: Plan,
    book: Evidence,
    today: date,
    decision: Decision | None = None,
    last: date | None = None,
) -> tuple[date, str]:
    """When a person needs a look, and why: a word, then the rule, where a rule says it.

    Parameters
    ----------
    plan : Plan
        The present version.
    book : Evidence
        The evidence book, row ``progress.silent_days``.
    today : date
        The day.
    decision : Decision, optional
        What is advised, after a diary was handed over.
    last : date, optional
        Last day with an entry.
    """
    if not plan.exercises:
        return today, NOT_NOW
    if decision is not None:
        for line in decision.lines:
            if line.outcome == "stop and call":
                return today, f"{STOP} {line.reasons[0].rule}"
        if calls := [one for one in decision.calls if one.rule != "call.silent"]:
            return today, f"{CALL} {calls[0].rule}"
        for line in decision.lines:
            if line.outcome == "down":
                return today, f"{DOWN} {line.reasons[0].rule}"
    heard = max(last or plan.starts, plan.starts)
    silent = heard + timedelta(days=book.value("progress.silent_days"))
    return min((plan.review, REVIEW), (silent, SILENT))


def decided_for(records: Sequence[Record], version: int) -> Decided | None:
    """The decision that led to a version of the plan; None when it was made without one.

    Parameters
    ----------
    records : sequence of Record
        What is known of the person.
    version : int
        Version of the plan [1].
    """
    for record in records:
        if record.kind == "decision" and record.facts["plan_version"] == version:
            return read_as(Decided, record.body, f"decision {record.version}")
    return None


def told_new(decided: Decided | None, words: Words, plan: Plan) -> tuple[str, ...]:
    """What is new on the sheet, in the patient's words; nothing without a decision.

    Parameters
    ----------
    decided : Decided or None
        The decision and its answers.
    words : Words
        The patient's language.
    plan : Plan
        The version that it led to.
    """
    from rungwise.handout import changed_lines

    if decided is None:
        return ()
    answers = {(family, side): answer for family, side, answer in decided.answers}
    return changed_lines(decided.decision, answers, words, plan)


def newest_targets(found: PersonFile) -> Record | None:
    """The record of the values to be reached; None when none was ever kept."""
    kept = [r for r in found.records if r.kind == "note" and r.facts["sort"] == TARGETS]
    return kept[-1] if kept else None


def targets_in(record: Record | None, book: Evidence) -> Mapping[str, Target]:
    """The values to be reached of a record, by measure.

    Raises
    ------
    InputError
        The record cannot be read with this book.
    """
    return read_targets(record.body.split(), book) if record else {}


def _targets(way: OnTheWay) -> Mapping[str, Target]:
    return targets_in(newest_targets(way.found), way.book)


def _advise(way: OnTheWay, today: date) -> tuple[dict[Side, Foot], Decision]:
    opened, exam = way.opened, way.found.exam
    assert opened is not None
    assert exam is not None
    feet = feet_now(exam, way.book)
    made = decide(opened.plan, opened.course, feet, way.book, today, opened.starts, opened.since)
    return feet, made


def _digest(way: OnTheWay, decision: Decision) -> str:
    """What the advice was computed from, and its answers: another of it is another advice."""
    found = way.found
    told = [(line.exercise.family, line.exercise.side, line.outcome) for line in decision.lines]
    seen = (found.plan_version, found.exams_written, len(way.logs), decision.on, decision.edition)
    return hashlib.sha256(repr((seen, told)).encode()).hexdigest()


def _versions(found: PersonFile, book: Evidence) -> dict[int, int]:
    """Version of the plan as it went home -> version of its record."""
    return {
        read_plan_code(str(r.facts["code"]), book.joint).version: r.version
        for r in found.records
        if r.kind == "plan" and r.facts["code"]
    }
