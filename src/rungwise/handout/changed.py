"""What is new on a sheet, and why, in the patient's words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from rungwise.core.progress import Decision, Line
from rungwise.core.renew import Answer
from rungwise.core.terms import Exercise, Plan, Reason, Side
from rungwise.words import Words

__all__ = ["changed_lines"]

#: What the patient hears about each rule that can be the first reason: rule -> key of the words.
WHY = {
    "calm": ("calm",),
    "sore": ("sore_but_usual",),
    "no_harder": ("not_calm",),
    "pain": ("high", "usual_high"),
    "week": ("week_rise", "flares", "week_painful"),
    "other": ("foot_alarm",),
    "one": ("work_rise",),
    "morning": ("mornings", "morning_not_usual"),
    "gap": ("gap", "gap_long", "again_here"),
    "diary": (
        "too_few",
        "not_rated",
        "unrated",
        "week_unknown",
        "usual_unknown",
        "adherence_unknown",
    ),
    "part": ("not_all", "too_seldom", "adherence"),
    "soon": ("too_soon",),
    "much": ("overdone",),
    "form": ("form",),
    "time": ("no_minutes",),
    "top": ("at_the_top", "dose_top"),
    "look": (
        "screen_old",
        "screen_holds",
        "held_back",
        "no_feeling",
        "ruled_out",
        "no_fit",
        "worse_joint",
    ),
    "sign": ("warning", "sharp", "red_long", "nothing_easier"),
}
_WHY = {f"progress.{rule}": why for why, rules in WHY.items() for rule in rules}
#: Sentences that say what is new.
NEW = ("more", "harder", "easier", "again", "own")
MINUTE = 60


def changed_lines(
    decision: Decision, answers: Mapping[tuple[str, Side], Answer], words: Words, after: Plan
) -> tuple[str, ...]:
    """One line for each exercise: what changes, to which setting and numbers, and why.

    Parameters
    ----------
    decision : Decision
        What was advised.
    answers : mapping of (str, Side) to Answer
        What the therapist said to it.
    words : Words
        The patient's language.
    after : Plan
        The version that it led to.

    Raises
    ------
    EvidenceError
        When a text is missing.
    """
    return tuple(
        _line(line, answers[line.exercise.family, line.exercise.side], words, after)
        for line in decision.lines
    )


def _line(line: Line, answer: Answer, words: Words, after: Plan) -> str:
    e = line.exercise
    said, why = _said(line), next(_whys(line.reasons), "look")
    if answer.kind == "keep":
        said, why = "same", "chosen"
    elif answer.kind == "change":
        said, why = "own", "chosen"
    told = {
        "exercise": words.say(f"exercise.{e.family}.title"),
        "foot": words.say("changed.both" if e.both else f"foot.{e.side}"),
        "why": words.say(f"changed.why.{why}"),
    }
    if said in NEW:
        what = words.say("join.comma").join(_new(e, _next(e, after), words))
        return words.say(f"changed.{said if what else 'steps'}", **told, **_given(what))
    return words.say(f"changed.{said}", **told)


def _given(what: str) -> dict[str, str]:
    return {"what": what} if what else {}


def _said(line: Line) -> str:
    """Which sentence the change is told with."""
    if line.step is None or line.outcome in ("same", "stop and call"):
        return "stop" if line.outcome == "stop and call" else "same"
    if line.step.turned == "start":
        return "again"
    if line.outcome == "down":
        return "easier"
    return "more" if line.step.turned == "dose" else "harder"


def _whys(reasons: tuple[Reason, ...]) -> Iterator[str]:
    for reason in reasons:
        if reason.rule in _WHY:
            yield _WHY[reason.rule]


# ------------------------------------------------------------------ what is new


def _next(e: Exercise, after: Plan) -> Exercise:
    """The exercise as it goes on; itself where it does not."""
    mine = [one for one in after.exercises if one.family == e.family]
    return next((one for one in mine if one.both or one.side == e.side), e)


def _new(before: Exercise, after: Exercise, words: Words) -> Iterator[str]:
    """The setting as the sheet prints it, if it is another, and each number with what it was."""
    settings = [_setting(one, words) for one in (before, after)]
    if settings[0] != settings[1]:
        yield settings[1]
    old, new = (float(one.fitted.rung.settings.get("minutes", 0)) for one in (before, after))
    if old != new:
        yield words.say(
            "changed.now",
            now=words.minutes(MINUTE * new),
            before=words.number(old),
        )
    was, now = before.dose, after.dose
    if was.hold_s != now.hold_s:
        stands = "{stand}" in " ".join(words.texts[f"exercise.{after.family}.dose"])
        yield words.say(
            "changed.stand" if stands else "changed.hold",
            now=words.seconds(now.hold_s),
            before=_seconds(was.hold_s, now.hold_s, words),
        )
    if was.sets != now.sets:
        yield words.count("changed.sets", now.sets, before=was.sets)
    if was.reps != now.reps:
        key = "changed.reps" if now.sets > 1 else "changed.times"
        yield words.count(key, now.reps, before=was.reps)
    if was.days_per_week != now.days_per_week:
        yield words.count("changed.days", now.days_per_week, before=was.days_per_week)


def _setting(e: Exercise, words: Words) -> str:
    return words.say("join.comma").join(words.of_rung(e.fitted.rung, "names", "name", both=e.both))


def _seconds(was: float, now: float, words: Words) -> str:
    """A number of seconds alone where the other one is in seconds, too."""
    alike = max(was, now) < MINUTE
    return words.number(round(was)) if alike else words.seconds(was)
