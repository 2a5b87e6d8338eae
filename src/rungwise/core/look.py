"""One exercise looked at: the facts that the rules see, and what each rule says in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np

from rungwise.core.evidence import Evidence, printed
from rungwise.core.followed import Entry, FootDays, Work
from rungwise.core.judge import DOSE, SAME, Bools, Facts, Floats, Limits, rules_of, strictest
from rungwise.core.ladder import rung_at
from rungwise.core.start import Foot, dose_words, over_band, start_of
from rungwise.core.steps import Step, barred_now
from rungwise.core.terms import SIDES, Exercise, Reason

__all__ = ["Look", "pains_of"]

#: Rules by which the screen itself speaks, not a limit that something easier would keep.
SCREEN_RULES = (
    "plan.screen_stops",
    "plan.emergency_first",
    "plan.forbidden",
    "plan.not_graded",
)


@dataclass(frozen=True)
class Look:
    """All that is looked at for one exercise.

    Parameters
    ----------
    exercise : Exercise
        As it is now.
    feet : tuple of Foot
        The feet that do it, the limiting one first, as last examined.
    recent : sequence of Entry
        Its entries since the last decision, in order; late ones among them.
    signs : sequence of Entry
        Entries of any exercise since then that mark a new warning sign: it stops all of them.
    alarms : sequence of Entry
        Entries of the foot's other exercises since then with sharp pain or pain above the limit.
    worse : sequence of str
        Feet whose joint the newest examination found worse.
    work : Work
        What was done.
    days : FootDays
        Pain of the foot, day by day.
    book : Evidence
        The evidence book.
    limits : Limits
        The rows that the rules compare with.
    age : int
        Age of the screen [d].
    old, holds : bool
        Whether the screen is too old, or not complete.
    """

    exercise: Exercise
    feet: tuple[Foot, ...]
    recent: Sequence[Entry]
    signs: Sequence[Entry]
    alarms: Sequence[Entry]
    worse: Sequence[str]
    work: Work
    days: FootDays
    book: Evidence
    limits: Limits
    age: int
    old: bool
    holds: bool

    @cached_property
    def code(self) -> int:
        """Place of the answer in ``ANSWERS`` [1]."""
        return int(strictest(self._rules, 1)[0])

    @property
    def only_gap(self) -> bool:
        """Whether nothing but a pause lowers it."""
        lowering = [name for name, ceiling, holds in self._rules if holds[0] and ceiling < SAME]
        return set(lowering) <= {"gap", "gap_long"}

    @cached_property
    def _rules(self) -> list[tuple[str, int, Bools]]:
        return list(rules_of(self.facts, self.limits))

    def reasons(self) -> list[Reason]:
        """Every rule that holds, in words, the gravest first."""
        highest = max(self.code, SAME)
        rules = sorted(self._rules, key=lambda rule: rule[1])
        return [
            self.book.reason(f"progress.{name}", **self.values.get(name, {}))
            for name, ceiling, holds in rules
            if holds[0] and ceiling <= highest
        ]

    @cached_property
    def facts(self) -> Facts:
        """The same as arrays of one."""
        n = self.limits.sessions
        last = [e for e in self.work.sessions if e.counts_up][-n:]
        pad = n - len(last)
        counted = [*([None] * pad), *last]
        dose = self.exercise.dose

        def pains(name: str) -> Floats:
            values = [None if e is None else getattr(e, name) for e in counted]
            return np.array([[np.nan if v is None else v for v in values]], dtype=float)

        whole = [
            e is not None
            and e.done == "all"
            and (e.sets or dose.sets, e.reps or dose.reps) >= (dose.sets, dose.reps)
            for e in counted
        ]
        highs = [e.during for e in self.recent if e.during is not None]
        sure = [e for e in self.recent if e.counts_up]
        looked = [*(e for e in self.recent if not e.counts_up), *sure[-n:]]
        barred = self.barred
        return Facts(
            during=pains("during"),
            morning=pains("morning"),
            whole=np.array([whole]),
            count=_one(len(self.work.sessions)),
            highest=_one(max(highs, default=None)),
            red_days=_one(self.red_days()),
            sharp=_yes(any(e.sharp for e in self.recent)),
            warning=_yes(bool(self.signs)),
            usual=_one(self.days.usual),
            usual_now=_one(self.usual_now),
            this_week=_one(self.days.this_week),
            last_week=_one(self.days.last_week),
            flares=_one(self.days.flares),
            days=_one(self.work.days),
            per_week=_one(self.work.last_week),
            adherence_pct=_one(self.work.adherence_pct),
            volume_pct=_one(self.work.volume_pct),
            gap_days=_one(self.work.gap_days),
            form_failed=_yes(any(e.form is False for e in looked)),
            screen_old=_yes(self.old),
            screen_holds=_yes(self.holds),
            held_back=_yes(any("progress" in f.screening.of(f.side).forbids for f in self.feet)),
            ruled_out=_yes(barred is not None and barred.rule in SCREEN_RULES),
            no_fit=_yes(barred is not None and barred.rule not in SCREEN_RULES),
            feels=_yes(all(_feels(foot) for foot in self.feet)),
            foot_alarm=_yes(bool(self.alarms)),
            worse_joint=_yes(bool(self.worse)),
            unrated=_yes(any(e.during is None for e in self.recent if e.done != "none")),
        )

    @property
    def usual_now(self) -> float | None:
        """The higher of pain as usual and what the newest examination found, 0-10 [1]."""
        found = [foot.exam.number("pain_usual_nprs", foot.side) for foot in self.feet]
        known = [pain for pain in (self.days.usual, *found) if pain is not None]
        return max(known) if len(known) == len(found) + 1 else None

    def red_days(self) -> int:
        """Days from the first to the last of the latest sessions that were all too painful [d]."""
        red: list[date] = []
        for entry in reversed([e for e in self.recent if e.during is not None]):
            if entry.during is not None and entry.during > self.limits.acceptable:
                red.append(entry.on)
            elif entry.counts_up:  # what is late or outside breaks no run
                break
        return (red[0] - red[-1]).days if red else 0

    @cached_property
    def barred(self) -> Reason | None:
        """Why the present rung may not be done now, or None; a pin stands above what is no ban."""
        rung = self.exercise.fitted.rung
        for foot in self.feet:
            screen = foot.screening.of(foot.side)
            if screen.outcome == "refer":
                return self.book.reason("plan.screen_stops", side=foot.side, outcome="refer")
            if _emergency(foot):
                return self.book.reason("plan.emergency_first", side=foot.side)
            if screen.outcome == "hold":
                continue
            why = foot.forbidden(rung.tags, rung.name)
            if why is not None and not (self.exercise.pin and why.rule == "plan.grade_forbids"):
                return why
        if self.exercise.pin is not None or self.holds:
            return None
        why = barred_now(rung, self.feet, self.book)
        over = (over_band(rung, foot, rung.name, top=True) for foot in self.feet)
        return why or next((w for w in over if w is not None), None)

    def start(self) -> Step | None:
        """The start as it would be now, if it is easier than what is done now."""
        e, family = self.exercise, self.book.families[self.exercise.family]
        found = [start_of(family, foot, 1) for foot in self.feet]
        starts = [one for one in found if isinstance(one, Exercise)]
        if len(starts) < len(found):
            return None
        pairs = zip(*(s.fitted.rung.places for s in starts), e.fitted.rung.places, strict=True)
        places = tuple(min(pair) for pair in pairs)
        if (places, 1) == (e.fitted.rung.places, e.dose_step):
            return None
        if barred_now(rung_at(family, places), self.feet, self.book) is not None:
            return None
        name = rung_at(family, places).name
        dose = dose_words(family.doses[0].dose)
        return Step(
            places, 1, "start", self.book.reason("progress.step_start", after=name, dose=dose)
        )

    def risen(self) -> Reason:
        """Why it may rise."""
        last = self.work.sessions[-self.limits.sessions :]
        during = max(e.during for e in last if e.during is not None)
        if self.code == DOSE:
            return self.book.reason("progress.sore_but_usual", during=during)
        share = round(self.work.adherence_pct or 0)
        return self.book.reason("progress.calm", during=during, share=share)

    @cached_property
    def values(self) -> dict[str, dict[str, object]]:
        """What the sentence of each rule that has blanks is filled with."""
        limits, work, days = self.limits, self.work, self.days
        last = work.sessions[-limits.sessions :]
        usual = "not known" if days.usual is None else printed(days.usual, "1")
        weeks: dict[str, object] = {"before": _mean(days.last_week), "now": _mean(days.this_week)}
        high = [e for e in self.recent if e.during is not None and e.during > limits.acceptable]
        missing = [w for w in ("during", "morning") if any(getattr(e, w) is None for e in last)]
        whys = dict.fromkeys(e.why_not for e in last if e.why_not)
        barred = self.barred
        return {
            "warning": {"days": _days(self.signs)},
            "sharp": {"days": _days([e for e in self.recent if e.sharp])},
            "red_long": {"limit": int(limits.acceptable)},
            "ruled_out": {"why": barred.says if barred else ""},
            "no_fit": {"why": barred.says if barred else ""},
            "foot_alarm": {"days": _days(self.alarms)},
            "worse_joint": {"sides": [*self.worse]},
            "gap_long": {"days": work.gap_days},
            "gap": {"days": work.gap_days},
            "high": {"pain": max((e.during or 0 for e in high), default=0), "days": _days(high)},
            "mornings": {"pains": pains_of(last, "morning"), "usual": usual},
            "week_rise": weeks,
            "flares": {"count": days.flares},
            "too_few": {"found": len(work.sessions)},
            "not_rated": {"what": " and ".join(missing) or "of some"},
            "not_all": {
                "why": f" ({', '.join(w.replace('_', ' ') for w in whys)})" if whys else ""
            },
            "morning_not_usual": {"pains": pains_of(last, "morning"), "usual": usual},
            "too_soon": {"days": work.days},
            "too_seldom": {"count": work.last_week},
            "adherence": {
                "share": "not known" if work.adherence_pct is None else round(work.adherence_pct)
            },
            "overdone": {"share": round(work.volume_pct)},
            "week_painful": weeks,
            "usual_high": {
                "usual": "not known" if self.usual_now is None else printed(self.usual_now, "1")
            },
            "screen_old": {"days": self.age},
            "held_back": {
                "flags": sorted(
                    {
                        flag.item
                        for foot in self.feet
                        for flag in foot.screening.of(foot.side).flags
                        if "progress" in flag.forbids
                    }
                )
            },
            "not_calm": {"pains": pains_of(last, "during")},
        }


def _emergency(foot: Foot) -> bool:
    """Whether either foot is an emergency, which comes first for both."""
    return any(f.level == "emergency" for side in SIDES for f in foot.screening.of(side).flags)


def _feels(foot: Foot) -> bool:
    """Whether pain means something: sensation tested, never found lost, no flag about it."""
    readings = [m.value for m in foot.exam.readings("sensation", foot.side)]
    flagged = any("numb" in flag.item for flag in foot.screening.of(foot.side).flags)
    return bool(readings) and all(value == "normal" for value in readings) and not flagged


def _one(value: float | None) -> Floats:
    return np.array([np.nan if value is None else float(value)])


def _yes(value: bool) -> Bools:
    return np.array([bool(value)])


def _mean(value: float | None) -> str:
    return "not known" if value is None else f"{value:.1f}"


def pains_of(entries: Sequence[Entry], name: str) -> str:
    """Pains one after the other; a dash for one that is missing."""
    values = [getattr(e, name) for e in entries]
    return ", ".join("–" if v is None else str(v) for v in values) or "not rated"


def _days(entries: Sequence[Entry]) -> str:
    return ", ".join(dict.fromkeys(e.on.isoformat() for e in entries))
