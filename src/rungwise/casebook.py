"""What a therapist does with the clinic's records: load, let the core answer, append.

Every verb is one transaction on the records and is audited there. The clinic's own book (its
overrides are a setting) is used throughout. Nothing is computed here that the core computes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from secrets import token_bytes

from rungwise.casebook_course import (
    Advice,
    CourseVerbs,
    OnTheWay,
    decided_for,
    next_look,
    told_new,
)
from rungwise.casebook_door import RECORDS, Door, clinic_names, home_folder
from rungwise.casebook_drawn import Drawn, drawing_of, first_drawing, qr_of
from rungwise.casebook_read import sent, standing_exams
from rungwise.clinic import (
    examine,
    ladders_of,
    make_plan,
    open_book,
    read_exam,
    read_pins,
    write_plan_code,
)
from rungwise.core.change import Change
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.followed import Entry
from rungwise.core.forecast import Forecast, NotYet
from rungwise.core.note import KINDS as note_kinds  # noqa: N811 - a name of its own here
from rungwise.core.prescribe import less_painful
from rungwise.core.renew import Answer
from rungwise.core.terms import SIDES, Exam, Exercise, Grade, Pin, Plan, Reason, Screening, Side
from rungwise.course import Decided
from rungwise.diary import Call, Shown, Taken
from rungwise.home import HomePlan, home_plan
from rungwise.kept import edition_in, read_plan
from rungwise.measures.chart import change_chart, change_told
from rungwise.measures.diary_chart import diary_chart, diary_ratings
from rungwise.measures.values import Changes, DiaryPain, Followed
from rungwise.paper import read_sheet
from rungwise.plain import to_json
from rungwise.plan_code import read_plan_code
from rungwise.records import (
    LOCAL,
    CaseRow,
    ConflictError,
    DamagedError,
    FullError,
    NotAllowedError,
    Page,
    Record,
    RecordsError,
    Saved,
    SignInError,
    UnknownError,
    Who,
    Work,
    WrongKeyError,
)
from rungwise.records.engine import is_protected, is_server
from rungwise.records.passwords import is_short

__all__ = [
    "LOCAL",
    "PER_PAGE",
    "RECORDS",
    "Advice",
    "Answer",
    "Call",
    "CaseRow",
    "Casebook",
    "Change",
    "Changes",
    "ConflictError",
    "DamagedError",
    "DiaryPain",
    "Drawn",
    "Entry",
    "Followed",
    "Forecast",
    "FullError",
    "HomePlan",
    "Look",
    "NotAllowedError",
    "NotYet",
    "OnTheWay",
    "Page",
    "PersonFile",
    "Record",
    "RecordsError",
    "Shown",
    "SignInError",
    "Taken",
    "UnknownError",
    "Who",
    "WrongKeyError",
    "change_chart",
    "change_told",
    "clinic_names",
    "decided_for",
    "diary_chart",
    "diary_ratings",
    "drawing_of",
    "home_folder",
    "is_protected",
    "is_server",
    "is_short",
    "note_kinds",
    "pins_of",
    "qr_of",
    "read_pins",
    "read_sheet",
    "standing_exams",
]

PER_PAGE = 50
OVERRIDES = "overrides"
#: Rows of the book whose numbers stand in a plan's code and on its sheet.
PAIN_LIMITS = ("pain.safe_max", "pain.acceptable_max")
#: Why a person needs a look; the words stand with those of the pages.
NO_PROGRAMME, EXAMINED = "no_programme", "examined"


@dataclass(frozen=True)
class PersonFile:
    """What is known of a person, as the pages need it.

    Parameters
    ----------
    id : str
        The person's random id.
    label : str
        The clinic's label.
    archived : bool
        Whether put away.
    exam : Exam or None
        The latest examination by its day; correcting an older one does not change which it is.
    exam_version : int
        Its number, 0 = none [1].
    exam_text : str
        As it was entered.
    plan : Plan or None
        The latest plan.
    plan_version : int
        Its number, 0 = none [1].
    plan_code : str
        Its code for the phone; empty when there is no exercise.
    plan_exam_version : int
        Examination that it was made from [1].
    records : tuple of Record
        Everything, in the order of writing.
    """

    id: str
    label: str
    archived: bool
    exam: Exam | None
    exam_version: int
    exam_text: str
    plan: Plan | None
    plan_version: int
    plan_code: str
    plan_exam_version: int
    records: tuple[Record, ...]

    @property
    def birth_year(self) -> int | None:
        """Year of birth from the latest examination; None before the first [a]."""
        return None if self.exam is None else self.exam.person.birth_year

    @property
    def number(self) -> str:
        """Short number of the record, to tell two people of one label apart."""
        return self.id[:6].upper()

    def ahead_of(self, today: date) -> date | None:
        """A day that is to come, on which something was written all the same; None for none.

        Then a clock is wrong, now or at that time. A day's difference is that of time zones.
        """
        days = [date.fromisoformat(record.made_utc[:10]) for record in self.records]
        return max((day for day in days if day > today + timedelta(days=1)), default=None)

    @property
    def exams_written(self) -> int:
        """Number of the examination that was written last, 0 = none [1]."""
        newest = self.latest("exam")
        return newest.version if newest else 0

    def latest(self, kind: str) -> Record | None:
        """The newest record of a kind; None when there is none."""
        found = [record for record in self.records if record.kind == kind]
        return max(found, key=lambda record: record.version) if found else None


@dataclass(frozen=True)
class Look:
    """What an examination comes to, before it is saved.

    Parameters
    ----------
    screening : Screening
        The screen.
    grades : mapping of Side to Grade
        Grade of each foot.
    bend_deg : mapping of Side to float
        Bend that may be used, from flat standing [deg].
    stop_mm : mapping of Side to float or None
        Highest heel stop that fits the foot [mm]; None when there is none.
    notes : mapping of Side to tuple of Reason
        What was assumed of each foot, and from which readings the bend comes.
    families : tuple of str
        What a programme would hold.
    left_out : tuple of Reason
        Why it would not hold the others.
    drawing : Drawn or None
        Its first exercise that bends the joint.
    """

    screening: Screening
    grades: Mapping[Side, Grade]
    bend_deg: Mapping[Side, float]
    stop_mm: Mapping[Side, float | None]
    notes: Mapping[Side, tuple[Reason, ...]]
    families: tuple[str, ...]
    left_out: tuple[Reason, ...]
    drawing: Drawn | None


class Casebook(Door, CourseVerbs):
    """The records of one clinic, locked or open, and every verb on them.

    Parameters
    ----------
    place : Path or str
        File of the records, or the URL of a server.
    n : int
        Work of scrypt for new keys, a power of two [1].
    clock : callable
        What time it is.
    """

    # -------------------------------------------------------------- people

    def book(self, who: Who) -> Evidence:
        """The book with the clinic's own values."""
        with self.store.work(who) as work:
            return self._book(work)

    def setting(self, who: Who, name: str) -> str:
        """Text of a setting; empty when it was never set."""
        with self.store.work(who) as work:
            found = work.setting(name)
        return found.body if found else ""

    def remember(self, who: Who, name: str, text: str) -> None:
        """Change a setting, unless it says the same already."""
        with self.store.work(who) as work:
            found = work.setting(name)
            if (found.body if found else "") != text:
                work.set_setting(name, text)

    def people(
        self,
        who: Who,
        search: str = "",
        only: str = "",
        start: int = 0,
        count: int = PER_PAGE,
    ) -> Page:
        """One page of the caseload: ``only`` is due, quiet, archived or nothing."""
        asked: dict[str, object] = {"start": start, "count": count}
        if only == "due":
            asked["due_by"] = self.today()
        elif only == "quiet":
            asked["quiet_since"] = self.today()
        elif only == "archived":
            asked["archived"] = True
        with self.store.work(who) as work:
            return work.people(search, **asked)

    def new_person(self, who: Who, label: str, again: bool = False, once: str | None = None) -> str:
        """Add a person; returns the id.

        Parameters
        ----------
        who : Who
            Who works.
        label : str
            The clinic's label.
        again : bool
            Whether it is right that somebody has this label already.
        once : str or None
            Token of the form.

        Raises
        ------
        InputError
            A label that cannot be, or that somebody has.
        """
        with self.store.work(who) as work:
            found = work.people(label.strip(), archived=None).rows if label.strip() else ()
            same = [row for row in found if row.label.casefold() == label.strip().casefold()]
            person = work.add_person(label, once and sent(once, label.strip()))
            if same and not again and person not in {row.person_id for row in same}:
                fault = Fault("label", label.strip(), "a label that is free", "Open that person.")
                raise InputError("person", (fault,))  # and the addition is undone
            return person

    def person(self, who: Who, person: str) -> PersonFile:
        """All that is known of a person; audited as a read."""
        with self.store.work(who) as work:
            return self._file(work, person)

    def archive(self, who: Who, person: str, away: bool) -> None:
        """Put a person away, or take the person out again."""
        with self.store.work(who) as work:
            work.archive(person, away)

    # -------------------------------------------------------------- examination

    def save_exam(
        self,
        who: Who,
        person: str,
        text: str,
        expected: int,
        once: str | None = None,
        corrects: int | None = None,
    ) -> Saved:
        """Check an examination and save it as it was entered.

        Parameters
        ----------
        who : Who
            Who works.
        person : str
            Whose.
        text : str
            TOML.
        expected : int
            Version that the writer had seen, 0 = none [1].
        once : str or None
            Token of the form.
        corrects : int or None
            Version that it corrects [1].

        Raises
        ------
        InputError
            Names every fault.
        ConflictError
            Somebody saved a newer one.
        """
        with self.store.work(who) as work:
            return self.add_exam(work, person, text, expected, once, corrects)

    def add_exam(
        self,
        work: Work,
        person: str,
        text: str,
        expected: int,
        once: str | None = None,
        corrects: int | None = None,
    ) -> Saved:
        """The same within other work, so that all of it is written or nothing."""
        from rungwise.handout.checks import exam_faults

        book, today = self._book(work), self.today()
        exam = read_exam(text, book, today)
        if faults := tuple(exam_faults(exam)):  # what is saved here can be handed out
            raise InputError("examination", faults)
        key = once and sent(once, person, text)
        saved = work.add_exam(person, text, exam.on, expected, corrects, key)
        if saved.fresh:
            known = work.history(person, "exam", "plan")
            followed = any(record.kind == "plan" for record in known)
            if standing_exams(known)[-1].version == saved.version:  # an older one asks nothing
                work.set_look(person, today, EXAMINED if followed else NO_PROGRAMME)
        return saved

    def look(self, text: str, book: Evidence) -> Look:
        """What an examination comes to; nothing is saved."""
        today = self.today()
        exam = read_exam(text, book, today)
        screening, grades = examine(exam, book, today)
        ladders = ladders_of(exam, book)
        plan = make_plan(exam, book, today)
        stops: dict[Side, float | None] = {}
        for side in SIDES:
            heights = (
                [
                    height
                    for rung in ladders[side].rungs("heel_raise")
                    if not (fitted := ladders[side].at("heel_raise", rung.places)).problems
                    and (height := fitted.pose.sizes_mm.get("heel_height_mm", 0.0)) > 0
                ]
                if "heel_raise" in book.families
                else []
            )
            stops[side] = max(heights, default=None)
        return Look(
            screening,
            grades,
            {side: plan.bodies[side].bend_available_deg for side in SIDES},
            stops,
            {side: plan.bodies[side].notes for side in SIDES},
            tuple(dict.fromkeys(e.family for e in plan.exercises)),
            tuple(dict.fromkeys(no.reason for no in plan.refused)),
            first_drawing(plan),
        )

    # -------------------------------------------------------------- programme

    def draft(self, found: PersonFile, book: Evidence, pins: Sequence[Pin] = ()) -> Plan:
        """The programme that the latest examination gives, not kept yet.

        Raises
        ------
        InputError
            There is no examination; a pin that cannot be followed.
        """
        if found.exam is None:
            fault = Fault("examination", "nothing", "an examination", "Examine first.")
            raise InputError("programme", (fault,))
        return make_plan(found.exam, book, self.today(), pins)

    def keep_plan(
        self, who: Who, person: str, pins_text: str, expected: int, once: str | None = None
    ) -> Saved:
        """Make the programme from the latest examination and keep it as the next version.

        Raises
        ------
        InputError
            As :meth:`draft`.
        ConflictError
            Somebody kept a newer one.
        """
        with self.store.work(who) as work:
            found, book = self._file(work, person), self._book(work)
            pins = read_pins(pins_text, book) if pins_text.strip() else ()
            plan = self.draft(found, book, pins)
            key = once and sent(once, person, pins_text)
            saved = self._keep(work, found, plan, book, expected, key)
            if saved.fresh:
                work.set_look(person, *next_look(plan, book, self.today()))
            return saved

    def _keep(
        self,
        work: Work,
        found: PersonFile,
        plan: Plan,
        book: Evidence,
        expected: int | None,
        once: str | None,
    ) -> Saved:
        """Append a plan with its code; the number and key of the one before stay."""
        earlier = _home_before(found, book)
        number, key, version = token_bytes(8), token_bytes(16), 1
        if earlier is not None:
            number, key, version = earlier.number, earlier.key, earlier.version + 1
        code = ""
        if plan.exercises:
            first = less_painful(plan.exam, plan.grades)
            home = home_plan(plan, book, number, key, version, first)
            code = write_plan_code(home, book.joint)
        return work.add_plan(
            found.id,
            to_json(plan),
            code=code,
            number=number,
            exam_version=found.exam_version,
            starts=plan.starts,
            review=plan.review,
            ends=plan.ends,
            expected_version=expected,
            once=once,
        )

    def ruled_out(self, found: PersonFile, book: Evidence) -> tuple[Exercise, ...]:
        """Exercises of the kept programme that a later examination's screen rules out."""
        plan, exam = found.plan, found.exam
        if plan is None or exam is None or found.plan_exam_version == found.exam_version:
            return ()
        screening = examine(exam, book, self.today())[0]

        def out(e: Exercise, side: Side) -> bool:
            forbids = screening.of(side).forbids
            return bool(forbids & ({"home"} | set(e.fitted.rung.tags)))

        return tuple(
            e for e in plan.exercises if any(out(e, s) for s in (SIDES if e.both else (e.side,)))
        )

    def sheet(
        self, who: Who, person: str, version: int, paper: str = "a4", large: bool = False
    ) -> bytes:
        """The patient's sheet of a kept plan as PDF: the programme, or why there is none now."""
        from rungwise.handout import build_handout, build_notice, to_pdf
        from rungwise.words import load_words

        record, book, decided = self._plan_record(who, person, version)
        plan = read_plan(record.body)
        words = load_words(plan.exam.person.language)
        stamp = datetime.fromisoformat(record.made_utc)
        if not plan.exercises:
            return to_pdf(build_notice(plan, book, words), paper, large, stamp)
        new = told_new(decided, words, plan)
        handout = build_handout(plan, book, words, record.facts["code"], new)
        return to_pdf(handout, paper, large, stamp)

    def phone_file(self, who: Who, person: str, version: int) -> bytes:
        """The page for the patient's phone of a kept plan, as one file.

        Raises
        ------
        InputError
            There is no exercise in it.
        """
        from rungwise.handout import build_handout
        from rungwise.phone import page_data, single_file
        from rungwise.words import load_words

        record, book, decided = self._plan_record(who, person, version)
        plan, code = read_plan(record.body), str(record.facts["code"])
        home = read_plan_code(code, book.joint)
        words = load_words(plan.exam.person.language)
        sheet = build_handout(plan, book, words, code, told_new(decided, words, plan))
        return single_file(page_data(sheet, plan, home, code, book, words)).encode()

    def _plan_record(
        self, who: Who, person: str, version: int
    ) -> tuple[Record, Evidence, Decided | None]:
        """A kept plan, the book with the numbers it was made with, and what was decided for it."""
        with self.store.work(who) as work:
            records = work.history(person, "plan", "decision")
            plans = {record.version: record for record in records if record.kind == "plan"}
            if version not in plans:
                raise UnknownError(f"There is no plan {version} of this person.")
            book = self._book_of(work, plans[version])
            return plans[version], book, decided_for(records, version)

    # -------------------------------------------------------------- inside

    def _book(self, work: Work) -> Evidence:
        return self._book_with(work.setting(OVERRIDES))

    def _book_of(self, work: Work, plan: Record) -> Evidence:
        """The book for printing a kept plan anew: never other numbers than those handed over.

        It has the clinic's own values of that time. When the program's book is another one since
        then, it has the limits of pain that went home in the plan's code: beside the plan itself,
        a sheet says no other number.
        """
        made = [own for own in work.setting_history(OVERRIDES) if own.seq < plan.seq]
        book, edition = self._book_with(made[-1] if made else None), edition_in(plan.body)
        if book.edition == edition:
            return book
        told = dict(book.rows)
        if code := str(plan.facts["code"]):
            home = read_plan_code(code, book.joint)
            for key, value in zip(PAIN_LIMITS, (home.pain_safe, home.pain_most), strict=True):
                told[key] = replace(told[key], value=float(value))
        return replace(book, rows=told, edition=edition)

    def _book_with(self, record: Record | None) -> Evidence:
        version = record.version if record else 0
        if version not in self._books:
            self._books[version] = open_book(record.body if record and record.body else None)
        return self._books[version]

    def _file(self, work: Work, person: str) -> PersonFile:
        records = work.history(person)
        newest = {record.kind: record for record in records}
        exam, plan = next(reversed(standing_exams(records)), None), newest.get("plan")
        state = newest.get("state")
        return PersonFile(
            id=person,
            label=newest["label"].body,
            archived=state is not None and state.body == "archived",
            exam=self.reading.exam(exam, self._book(work)) if exam else None,
            exam_version=exam.version if exam else 0,
            exam_text=exam.body if exam else "",
            plan=self.reading.plan(plan) if plan else None,
            plan_version=plan.version if plan else 0,
            plan_code=str(plan.facts["code"]) if plan else "",
            plan_exam_version=int(plan.facts["exam_version"]) if plan else 0,
            records=records,
        )


def pins_of(record: Record) -> tuple[Pin, ...]:
    """The therapist's own choices of a kept plan."""
    return tuple(one.pin for one in read_plan(record.body).exercises if one.pin is not None)


def _home_before(found: PersonFile, book: Evidence) -> HomePlan | None:
    codes = [r.facts["code"] for r in found.records if r.kind == "plan" and r.facts["code"]]
    return read_plan_code(codes[-1], book.joint) if codes else None
