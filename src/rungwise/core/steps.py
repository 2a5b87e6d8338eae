"""One step harder or easier: which single demand changes, and to what.

Harder: the dose rises first; then the dials are turned in the family's own order, one notch, and
the dose starts again lower. Easier: the last dial in that order is turned back, then the dose.
A notch must be allowed for every foot that works; what is not known does not allow it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rungwise.core.evidence import Evidence, Family, Notch
from rungwise.core.ladder import rung_at
from rungwise.core.start import Foot, dose_words, over_band, over_minutes
from rungwise.core.terms import Reason, Refusal, Rung

__all__ = ["Step", "barred_now", "easier", "harder"]

Places = tuple[int, ...]


@dataclass(frozen=True)
class Step:
    """A setting of an exercise and what made it.

    Parameters
    ----------
    places : tuple of int
        Index of each dial, 0 = easiest [1].
    dose_step : int
        Step of the dose list, 1 = first [1].
    turned : str
        The dial that was turned, or ``dose``.
    says : Reason
        What changes.
    """

    places: Places
    dose_step: int
    turned: str
    says: Reason


def barred_now(rung: Rung, feet: Sequence[Foot], book: Evidence) -> Reason | None:
    """Why a rung may not be done by these feet as they are now, or None.

    Parameters
    ----------
    rung : Rung
        Which rung.
    feet : sequence of Foot
        The feet that do it.
    book : Evidence
        The evidence book.
    """
    family = book.families[rung.family]
    for foot in feet:
        why = foot.forbidden(rung.tags, rung.name) or foot.unmet(family.allow_if, rung.name)
        for dial, place in zip(family.dials, rung.places, strict=True):
            notch = dial.notches[place]
            why = why or foot.unmet(notch.allow_if, f"{family.key} {dial.key} {notch.key}")
        problems = foot.ladder.at(rung.family, rung.places).problems
        if why is None and problems:
            told = {"what": rung.name, "why": book.reason(problems[0]).says}
            why = book.reason("plan.not_possible", **told)
        if why is not None:
            return why
    return None


def harder(
    family: Family,
    places: Places,
    dose_step: int,
    feet: Sequence[Foot],
    dose_only: bool,
    dose_to: int | None = None,
) -> tuple[Step | None, tuple[Refusal, ...]]:
    """The one step harder that is open, and what was refused before it.

    Parameters
    ----------
    family : Family
        Which family.
    places : tuple of int
        Where it stands [1].
    dose_step : int
        Its step of the dose list [1].
    feet : sequence of Foot
        The feet that do it, one or both.
    dose_only : bool
        Whether only repetitions or seconds may rise.
    dose_to : int, optional
        Dose step from which a dial is turned [1]; by default the family's own.

    Returns
    -------
    Step or None
        None when nothing harder is open.
    tuple of Refusal
        The next settings that were looked at, and why they wait.
    """
    book, rise = feet[0].book, family.rise
    if dose_step < (rise.dose_to if dose_to is None else dose_to):
        return _more(family, places, dose_step, book), ()
    refused: list[Refusal] = []
    if dose_only:
        return None, ()
    for key in rise.order:
        index = next(i for i, dial in enumerate(family.dials) if dial.key == key)
        turned = _turned(family, places, index, feet, dose_step, refused)
        if turned is not None:
            after = min(rise.dose_after, dose_step)
            return _dialled(family, places, turned, index, after, "step_dial", book), (*refused,)
        if refused and refused[-1].reason.rule == "progress.dose_first":
            break
    return _more(family, places, dose_step, book), tuple(refused)


def easier(family: Family, places: Places, dose_step: int, feet: Sequence[Foot]) -> Step | None:
    """The one step easier, or None when there is none.

    Parameters
    ----------
    family : Family
        Which family.
    places : tuple of int
        Where it stands [1].
    dose_step : int
        Its step of the dose list [1].
    feet : sequence of Foot
        The feet that do it, one or both.
    """
    book = feet[0].book
    for key in reversed(family.rise.order):
        index = next(i for i, dial in enumerate(family.dials) if dial.key == key)
        for place in range(places[index] - 1, -1, -1):
            turned = (*places[:index], place, *places[index + 1 :])
            found = _held_back(family, places, turned, 0)
            rung, before = rung_at(family, found), rung_at(family, places)
            if rung.settings != before.settings and _may_stay(rung, feet):
                return _dialled(family, places, found, index, dose_step, "step_back", book)
    if dose_step == 1:
        return None
    was, now = (dose_words(family.doses[i].dose) for i in (dose_step - 1, dose_step - 2))
    says = book.reason("progress.step_back", what="the dose", before=was, after=now, dose=now)
    return Step(places, dose_step - 1, "dose", says)


def _held_back(family: Family, before: Places, after: Places, most: int) -> Places:
    """The places with each dial that was not turned at most so many notches above what it was.

    A notch may set what another dial sets, too, such as a hand on the counter: when it goes, the
    other dial does not leap to where it stood.
    """
    old, places = rung_at(family, before).settings, list(after)
    for index, dial in enumerate(family.dials):
        own = dial.notches[after[index]].settings
        if after[index] != before[index] or all(old[key] == own[key] for key in own):
            continue
        for place in range(after[index]):
            if all(old[key] == value for key, value in dial.notches[place].settings.items()):
                places[index] = min(after[index], place + most)
                break
    return tuple(places)


def _may_stay(rung: Rung, feet: Sequence[Foot]) -> bool:
    """Whether a rung can be set up, with what is at home, and is allowed to these feet."""
    family = feet[0].book.families[rung.family]
    needs = family.needs.union(*(notch.needs for notch in _notches(family, rung)))
    lacking = any(foot.lacks(needs, rung.name) for foot in feet)
    return not lacking and barred_now(rung, feet, feet[0].book) is None


def _notches(family: Family, rung: Rung) -> Iterator[Notch]:
    for dial, place in zip(family.dials, rung.places, strict=True):
        yield dial.notches[place]


def _more(family: Family, places: Places, dose_step: int, book: Evidence) -> Step | None:
    """The next step of the dose list, if there is one."""
    if dose_step >= len(family.doses):
        return None
    before, after = (family.doses[i].dose for i in (dose_step - 1, dose_step))
    told = {"before": dose_words(before), "after": dose_words(after)}
    return Step(places, dose_step + 1, "dose", book.reason("progress.step_dose", **told))


def _dialled(
    family: Family,
    places: Places,
    turned: Places,
    index: int,
    dose_step: int,
    rule: str,
    book: Evidence,
) -> Step:
    dial = family.dials[index]
    told = {
        "what": f"{family.key} {dial.key}",
        "before": dial.notches[places[index]].key,
        "after": dial.notches[turned[index]].key,
        "dose": dose_words(family.doses[dose_step - 1].dose),
    }
    if rule == "step_dial":
        told["raises"] = dial.raises
        told["also"] = _also(rung_at(family, places), rung_at(family, turned))
    return Step(turned, dose_step, dial.key, book.reason(f"progress.{rule}", **told))


def _also(before: Rung, after: Rung) -> str:
    """What else a harder setting brings, in words: it is now done standing, or on one leg."""
    new = after.tags - before.tags
    said = ["is now done standing"] if "standing" in new else []
    said += ["is now done on one leg"] if "one_leg" in new else []
    return ", and it " + " and ".join(said) if said else ""


def _turned(
    family: Family,
    places: Places,
    index: int,
    feet: Sequence[Foot],
    dose_step: int,
    refused: list[Refusal],
) -> Places | None:
    """The places with one dial at its next possible notch, or None.

    A notch that cannot be set up, or whose kit is not at home, is passed over; a gate never is.
    """
    dial, before = family.dials[index], rung_at(family, places)
    for place in range(places[index] + 1, len(dial.notches)):
        notch = dial.notches[place]
        turned = (*places[:index], place, *places[index + 1 :])
        found = _held_back(family, before.places, turned, 1)
        rung, what = rung_at(family, found), f"{family.key} {dial.key} {notch.key}"
        why = _waits(notch, what, family, feet, dose_step) or _forbidden(rung, before, what, feet)
        passable = why is None and not notch.allow_if
        why = why or next((w for foot in feet if (w := foot.lacks(notch.needs, what))), None)
        why = why or barred_now(rung, feet, feet[0].book)
        if why is None:
            return found
        refused.append(Refusal(f"{dial.key}:{notch.key}", feet[0].side, why))
        if not passable:
            return None
    return None


def _waits(
    notch: Notch, what: str, family: Family, feet: Sequence[Foot], dose_step: int
) -> Reason | None:
    if dose_step >= notch.after_dose:
        return None
    words = dose_words(family.doses[notch.after_dose - 1].dose)
    return feet[0].book.reason("progress.dose_first", what=what, dose=words)


def _forbidden(rung: Rung, before: Rung, what: str, feet: Sequence[Foot]) -> Reason | None:
    """Why a harder rung is not open to these feet, its kit and set-up apart."""
    for foot in feet:
        why = (
            foot.forbidden(rung.tags, what)
            or over_band(rung, foot, what, top=True)
            or over_minutes(rung, foot, what)
        )
        if why is None and foot.ladder.tier(rung) - foot.ladder.tier(before) > 1:
            why = foot.book.reason("progress.two_tiers", what=what)
        if why is not None:
            return why
    return None
