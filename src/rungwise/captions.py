"""What is said in a class, as captions with exact times: WebVTT that any video player shows.

Each cue is one thing to say aloud. Cues follow each other without overlap; every movement has its
own, at the second at which the running order has it.

Sources
-------
WebVTT: The Web Video Text Tracks Format, W3C (https://www.w3.org/TR/webvtt1/), section 4.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.group import GroupClass
from rungwise.core.terms import Exercise, Moment
from rungwise.handout.group import ClassWords, pain_limits
from rungwise.words import Words

__all__ = ["Cue", "cues_of", "to_vtt"]

MS = 1000


@dataclass(frozen=True)
class Cue:
    """One thing to say.

    Parameters
    ----------
    start_s, end_s : float
        From when to when after the beginning of the class [s].
    text : str
        What is said; plain text, one line.
    """

    start_s: float
    end_s: float
    text: str


def cues_of(group: GroupClass, book: Evidence, words: Words) -> tuple[Cue, ...]:
    """Everything said in a class, in order.

    Parameters
    ----------
    group : GroupClass
        The class, with at least one exercise.
    book : Evidence
        The book that the class was made with.
    words : Words
        The language.
    """
    return tuple(_Speaker(group, book, words).cues())


def to_vtt(cues: Sequence[Cue], title: str = "") -> str:
    """Write cues as a WebVTT file, times to the millisecond.

    Parameters
    ----------
    cues : sequence of Cue
        In order, none beginning before the one before has ended.
    title : str
        Said in the file's first line.

    Raises
    ------
    InputError
        A cue that is empty, has no length, or overlaps the one before.

    Examples
    --------
    >>> print(to_vtt([Cue(0.0, 1.5, "Up & down")], "Class"), end="")
    WEBVTT Class
    <BLANKLINE>
    1
    00:00:00.000 --> 00:00:01.500
    Up &amp; down
    """
    faults = tuple(_faults(cues))
    if faults:
        raise InputError("captions", faults)
    head = f"WEBVTT {_one_line(title)}".rstrip()
    blocks = [
        f"{number}\n{_clock(cue.start_s)} --> {_clock(cue.end_s)}\n{_escaped(cue.text)}"
        for number, cue in enumerate(cues, 1)
    ]
    return "\n\n".join((head, *blocks)) + "\n"


def _faults(cues: Sequence[Cue]) -> Iterator[Fault]:
    for number, cue in enumerate(cues, 1):
        field = f"cue {number}"
        if not _one_line(cue.text):
            yield Fault(field, "no text", "something to say", "Leave the cue out.")
        if not 0 <= _ms(cue.start_s) < _ms(cue.end_s):
            given = f"{cue.start_s:g} to {cue.end_s:g} s"
            yield Fault(field, given, "an end after its start", "Correct its times.")
    for number, (one, two) in enumerate(pairwise(cues), 2):
        if _ms(two.start_s) < _ms(one.end_s):
            given = f"starts at {two.start_s:g} s"
            yield Fault(f"cue {number}", given, f"from {one.end_s:g} s on", "Sort the cues.")


def _ms(seconds: float) -> int:
    return round(seconds * MS)


def _clock(seconds: float) -> str:
    rest, ms = divmod(_ms(seconds), MS)
    minutes, s = divmod(rest, 60)
    hours, m = divmod(minutes, 60)
    return f"{hours:02d}:{m:02d}:{s:02d}.{ms:03d}"


def _one_line(text: str) -> str:
    """Text without line ends, which would end the cue, and without what marks a line of times."""
    return " ".join(text.replace("\0", "\ufffd").split()).replace("-->", "\u2192")


def _escaped(text: str) -> str:
    text = _one_line(text)
    for letter, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;")):
        text = text.replace(letter, name)
    return text


# ------------------------------------------------------------------ what is said when


class _Speaker:
    """Says a class in the words of one language."""

    def __init__(self, group: GroupClass, book: Evidence, words: Words) -> None:
        self.group = group
        self.words = words
        self.pain = pain_limits(book)
        self.told = ClassWords(group, words, book)

    def cues(self) -> Iterator[Cue]:
        group, words = self.group, self.words
        yield from _spread(0.0, group.opening_s, tuple(self._opening()))
        moments = group.moments
        for index, moment in enumerate(moments):
            if moment.kind == "do":
                yield from self._set(moment)
            else:
                texts = tuple(self._gap(moments, index))
                yield from _spread(moment.start_s, moment.seconds, texts)
        end = group.seconds - group.closing_s
        yield from _spread(end, group.closing_s, words.lines("class.cue.closing"))

    def _opening(self) -> Iterator[str]:
        words = self.words
        yield words.say("class.cue.welcome")
        yield words.say("class.not_yet_first")
        yield from self.told.not_yet()
        yield words.say("class.cue.stop_first")
        yield from words.lines("stop.lines", **self.pain)
        yield from words.lines("class.cautions", **self.pain)

    def _gap(self, moments: Sequence[Moment], index: int) -> Iterator[str]:
        """What is said before the next set: rest, place, things, and how the exercise is done."""
        words, told, moment = self.words, self.told, moments[index]
        after = next(m for m in moments[index:] if m.kind == "do")
        before = next((m for m in reversed(moments[:index]) if m.kind == "do"), None)
        if before and (before.family, before.place) == (after.family, after.place):
            if after.side and after.side != before.side:
                yield words.say("class.cue.swap", foot=words.say(f"foot.{after.side}"))
            else:
                yield words.say("class.cue.again", n=after.set_no)
            return
        block = (str(after.family), after.place)
        if moment.kind == "rest":
            yield words.say("class.gap.rest")
            yield from told.put_away(block)
        elif moment.kind == "change":
            yield words.say(f"class.gap.{after.place}")
        else:
            if before is None:
                yield words.say(f"class.gap.{after.place}")
            yield from told.lay_out(block) or (words.say("class.gap.ready"),)
        if moments[index + 1] is after:
            yield told.next(block)
            yield from told.lines(block)

    def _set(self, moment: Moment) -> Iterator[Cue]:
        """Each phase of each repetition; the foot is named with the first."""
        lines = self.group.lines(str(moment.family), moment.place)
        exercise = next(e for e in lines if e.both or e.side == moment.side)
        dose, clock = exercise.dose, moment.start_s
        for number in range(1, dose.reps + 1):
            said = False
            for phase, seconds in self._phases(exercise):
                if seconds <= 0:
                    continue
                text = self._phase(exercise, phase, seconds)
                if not said:
                    text = self.words.say("class.cue.rep", n=number, what=text)
                    if number == 1:
                        foot = "both" if exercise.both else exercise.side
                        named = self.words.say(f"feet.{foot}")
                        text = self.words.say("class.cue.first", foot=named, rep=text)
                said = True
                yield Cue(clock, clock + seconds, text)
                clock += seconds

    @staticmethod
    def _phases(exercise: Exercise) -> tuple[tuple[str, float], ...]:
        dose = exercise.dose
        return ("lift", dose.lift_s), ("hold", dose.hold_s), ("lower", dose.lower_s)

    def _phase(self, exercise: Exercise, phase: str, seconds: float) -> str:
        key = f"class.cue.{exercise.family}.{phase}"
        return self.words.say(key, seconds=self.words.seconds(seconds))


def _spread(start_s: float, seconds: float, texts: Sequence[str]) -> Iterator[Cue]:
    """Share a time among texts by their length, to whole milliseconds, without a gap."""
    total = sum(map(len, texts))
    done, begin = 0, _ms(start_s)
    for text in texts:
        done += len(text)
        end = _ms(start_s) + _ms(seconds) * done // total
        yield Cue(begin / MS, end / MS, text)
        begin = end
