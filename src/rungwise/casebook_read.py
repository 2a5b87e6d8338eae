"""What was read from the records lately, so that nothing is read twice within a few clicks.

A record never changes, so what was read from it cannot grow stale. It is kept by its person, kind
and number, never by its text; only so much is kept, and nothing after the records are locked or the
person is erased.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable, Sequence
from threading import Lock
from typing import Any, TypeVar

from rungwise.core.evidence import Evidence
from rungwise.core.terms import Exam, Plan
from rungwise.course import Decided, Head, Past, head_in, past_in
from rungwise.diary import Kept, read_kept
from rungwise.exam_file import read_exam
from rungwise.kept import read_as, read_plan
from rungwise.records import DamagedError, Record

__all__ = ["Reading", "sent", "standing_exams"]

Read = TypeVar("Read")
#: Letters of the texts whose content is kept; in memory that is about eight times as much [byte].
MOST = 4_000_000
#: A part of a record counts as so little of its text.
PART = 20


def sent(once: str, *typed: str) -> str:
    """Token of a form together with what was typed into it, as the records keep it.

    The same form sent twice writes once. Sent again with something else in it, after a step back in
    the browser, it is another form: it is written or refused as such, never dropped in silence.

    Parameters
    ----------
    once : str
        Token of the form, behind the word for its kind and a colon.
    typed : str
        What was typed.
    """
    digest = hashlib.sha256("\0".join((once, *typed)).encode()).hexdigest()
    return f"{once.partition(':')[0][:20]}:{digest}"


def standing_exams(records: Sequence[Record]) -> tuple[Record, ...]:
    """The examinations that stand, by their day and then in the order of writing.

    One that was corrected is left out: what corrects it stands on its own day, so that mending an
    old one, or typing an old one in, never takes the place of the newest.

    Parameters
    ----------
    records : sequence of Record
        What is known of a person, in the order of writing.
    """
    exams = [record for record in records if record.kind == "exam"]
    corrected = {record.corrects for record in exams}
    stand = (record for record in exams if record.version not in corrected)
    return tuple(sorted(stand, key=lambda record: (record.facts["on"], record.version)))


class Reading:
    """Reads records of one casebook, and keeps the latest of what it read.

    Parameters
    ----------
    most : int
        Letters of text whose content is kept at most [1].
    """

    def __init__(self, most: int = MOST) -> None:
        self._most, self._size = most, 0
        self._kept: OrderedDict[tuple[str, ...], tuple[Any, int]] = OrderedDict()
        self._cleared = 0  # what is being read meanwhile is not kept
        self._lock = Lock()

    def exam(self, record: Record, book: Evidence) -> Exam:
        """An examination, as this edition of the book reads it."""
        return self._once(f"exam {book.edition}", record, lambda text: read_exam(text, book))

    def plan(self, record: Record) -> Plan:
        """A plan, whole."""
        return self._once("plan", record, read_plan)

    def head(self, record: Record) -> Head:
        """Of a plan what later versions ask for."""
        return self._once("head", record, head_in, PART)

    def decided(self, record: Record) -> Decided:
        """A decision, whole."""
        where = f"decision {record.version}"
        return self._once("decided", record, lambda text: read_as(Decided, text, where))

    def past(self, record: Record) -> Past:
        """Of a decision what was advised and answered."""
        where = f"decision {record.version}"
        return self._once("past", record, lambda text: past_in(text, where), PART)

    def log(self, record: Record) -> Kept:
        """A hand-over of the diary.

        Raises
        ------
        DamagedError
            It cannot be read.
        """
        try:
            return self._once("log", record, read_kept)
        except (ValueError, KeyError, TypeError):
            raise DamagedError(f"The hand-over {record.version} cannot be read.") from None

    def clear(self) -> None:
        """Forget everything."""
        with self._lock:
            self._cleared += 1
            self._kept.clear()
            self._size = 0

    def forget(self, person: str) -> None:
        """Forget everything of one person."""
        with self._lock:
            self._cleared += 1
            for key in [key for key in self._kept if key[1] == person]:
                self._size -= self._kept.pop(key)[1]

    def _once(self, what: str, record: Record, read: Callable[[str], Read], part: int = 1) -> Read:
        key = (what, record.of, record.kind, str(record.version))
        with self._lock:
            cleared = self._cleared
            if key in self._kept:
                self._kept.move_to_end(key)
                known: Read = self._kept[key][0]
                return known
        found, size = read(record.body), len(record.body) // part
        with self._lock:
            if key not in self._kept and cleared == self._cleared:
                self._kept[key] = found, size
                self._size += size
            while self._size > self._most:
                self._size -= self._kept.popitem(last=False)[1][1]
        return found
