"""What the therapist reads: plain-text tables, and the reasons behind a plan, quoted from it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from textwrap import fill
from typing import TYPE_CHECKING

from rungwise.core.evidence import Evidence, Row
from rungwise.core.ladder import Ladder
from rungwise.core.terms import (
    SIDES,
    Dose,
    Exercise,
    Fitted,
    Grade,
    Plan,
    Reason,
    Rung,
    Screening,
    SideScreen,
)

if TYPE_CHECKING:
    from rungwise.core.progress import Decision, Line
    from rungwise.diary import Shown, Taken
    from rungwise.plan_code import HomePlan

__all__ = [
    "CAUTIONS",
    "caseload_report",
    "decision_report",
    "diary_report",
    "dose_words",
    "grade_report",
    "home_report",
    "ladder_report",
    "plan_report",
    "row_report",
    "screen_report",
    "table",
    "taken_report",
]

WIDTH = 88
CAUTIONS = (
    "For licensed physical therapists, who decide; local law comes first. Not cleared or approved "
    "by any authority; its regulatory status has not been assessed. Not for emergencies. No trial "
    "has tested programmes made by this software."
)
OUTCOMES = {
    "refer": "REFER: no programme",
    "hold": "HOLD: no programme yet",
    "review": "REVIEW FIRST: unloaded parts at most",
    "careful": "GO, with limits",
    "go": "GO",
}


def table(rows: Sequence[Sequence[str]]) -> str:
    """Lay out rows in columns, the first row as heading.

    Parameters
    ----------
    rows : sequence of sequence of str
        Cells; every row as long as the first.
    """
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ["  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip() for r in rows]
    return "\n".join([lines[0], "  ".join("-" * w for w in widths), *lines[1:]]) + "\n"


def _because(reason: Reason, mark: str = "because") -> str:
    return _item(f"{mark}: {_cited(reason)}")


def _cited(reason: Reason) -> str:
    told = f"{reason.says} [{reason.rule} v{reason.version}; {reason.basis}"
    return f"{told}; {', '.join(reason.sources)}]"


def _item(text: str, indent: int = 4) -> str:
    pad = " " * indent
    return fill(text, WIDTH, initial_indent=pad, subsequent_indent=pad + "  ") + "\n"


def screen_report(screening: Screening, book: Evidence) -> str:
    """The screen, foot by foot: outcome, what is positive, what to do, what was not asked."""
    parts = [f"Screen of {screening.on}\n"]
    parts += [_side_screen(screening.of(side)) for side in SIDES]
    for score in screening.scores:
        span = f"{score.low:g}" if score.low == score.high else f"{score.low:g} to {score.high:g}"
        parts.append(_item(f"{score.name}: {span}. {score.says}", 2))
        if score.unknown:
            parts.append(_item(f"not known: {', '.join(score.unknown).replace('_', ' ')}"))
    if screening.not_asked:
        parts.append("  not asked:\n")
        parts += [_item(f"{key}: {book.items[key].ask}") for key in screening.not_asked]
    return "".join(parts)


def _side_screen(side: SideScreen) -> str:
    parts = [f"  {side.side} foot: {OUTCOMES[side.outcome]}\n"]
    for flag in side.flags:
        parts.append(_item(f"{flag.level.upper()} {flag.item.replace('_', ' ')}: {flag.do}"))
        parts.append(_because(flag.reason).replace("    because", "      because", 1))
        if flag.forbids:
            parts.append(_item(f"rules out: {', '.join(sorted(flag.forbids))}", 6))
    parts += [_because(reason) for reason in side.reasons]
    return "".join(parts)


def grade_report(grade: Grade) -> str:
    """The grade of one foot with both components, its uncertainty and its reasons."""
    value = "not graded" if grade.value is None else f"grade {grade.value}"
    parts = [f"  {grade.side} foot: {value}"]
    if grade.bend_deg is not None:
        parts.append(f", {grade.bend_deg:.0f}° of dorsiflexion (error ±{grade.sem_deg or 0:.0f}°)")
    parts.append("\n")
    shown = (("by degrees", grade.by_degrees), ("by loss", grade.by_loss))
    both = ", ".join(f"{name} {'-' if v is None else v}" for name, v in shown)
    loss = "" if grade.loss_pct is None else f", {grade.loss_pct:.1f} % lost"
    film = "no radiograph" if grade.radiograph is None else f"radiograph {grade.radiograph}"
    parts.append(_item(f"{both}{loss}, {film}"))
    if grade.probability:
        chances = ", ".join(f"{i}: {100 * p:.0f} %" for i, p in enumerate(grade.probability))
        parts.append(_item(f"probability of each grade, from the reading's error: {chances}"))
    if grade.second_best is not None:
        parts.append(_item(f"second best: grade {grade.second_best}"))
    parts += [_because(reason) for reason in grade.reasons]
    parts += [_because(note, "note") for note in grade.notes]
    return "".join(parts)


def dose_words(dose: Dose, rung: Rung | None = None) -> str:
    """A dose in one line; where only days are counted, with the minutes of its rung."""
    days = f"{dose.days_per_week} day{'' if dose.days_per_week == 1 else 's'} a week"
    if not dose.seconds:
        minutes = 0 if rung is None else rung.settings.get("minutes", 0)
        return f"{minutes:g} minutes, {days}" if minutes else days
    rest = f", rest {dose.rest_s:g} s" if dose.sets > 1 else ""
    return (
        f"{dose.sets} x {dose.reps}, hold {dose.hold_s:g} s, up {dose.lift_s:g} s, "
        f"down {dose.lower_s:g} s{rest}, {days}"
    )


def _sizes(fitted: Fitted) -> str:
    shown = {k: v for k, v in fitted.pose.sizes_mm.items() if v > 0}
    return ", ".join(
        f"{k.removesuffix('_mm').replace('_', ' ')} {v:.0f} mm" for k, v in shown.items()
    )


def ladder_report(ladder: Ladder, family: str) -> str:
    """Every rung of a family for one foot: sizes, bend, load tier, or why it is impossible."""
    rows = [["rung", "bend", "of bend available", "load tier", "base", "sizes"]]
    for rung in ladder.rungs(family):
        fitted = ladder.at(family, rung.places)
        d = fitted.demand
        if fitted.problems:
            why = ladder.book.reason(fitted.problems[0]).says
            rows.append([rung.name, "-", "-", "-", "-", f"not possible: {why}"])
            continue
        base = "-" if d.base_width_mm is None else f"{d.base_width_mm:.0f} mm"
        share = f"{100 * d.bend_share:.0f} %" if d.bend_deg else "-"
        rows.append([rung.name, f"{d.bend_deg:.0f}°", share, str(d.tier), base, _sizes(fitted)])
    return table(rows)


def _exercise(exercise: Exercise) -> Iterator[str]:
    rung = exercise.fitted.rung
    who = "both feet" if exercise.both else f"{exercise.side} foot"
    notches = ", ".join(f"{dial} {notch}" for dial, notch in rung.notches).replace("_", " ")
    yield f"  {exercise.family.replace('_', ' ')}, {who}: {notches}\n"
    yield _item(dose_words(exercise.dose, rung))
    if sizes := _sizes(exercise.fitted):
        yield _item(sizes)
    for warning in exercise.warnings:
        yield _because(warning, "WARNING")
    for reason in exercise.reasons:
        yield _because(reason)
    for refusal in exercise.refused:
        yield _because(refusal.reason, "not now")


def plan_report(plan: Plan, book: Evidence) -> str:
    """The whole plan with every reason, for the therapist to question."""
    exam = plan.exam
    parts = [
        f"Programme for {exam.person.label}, examined {exam.on} by {exam.therapist}\n",
        f"Made {plan.on}, from {plan.starts} to {plan.ends}, next look {plan.review}.\n",
        f"Evidence book edition {plan.edition}.\n",
        fill(CAUTIONS, WIDTH) + "\n\n",
        screen_report(plan.screening, book),
        "\nGrade\n",
        *(grade_report(plan.grades[side]) for side in SIDES),
        "\nLengths and capacities\n",
    ]
    for side in SIDES:
        parts.append(f"  {side} foot: may bend {plan.bodies[side].bend_available_deg:.0f}°\n")
        parts += [_because(note) for note in plan.bodies[side].notes]
    parts.append("\nExercises\n" if plan.exercises else "\nNo exercises.\n")
    for exercise in plan.exercises:
        parts += _exercise(exercise)
    if plan.session is not None:
        minutes, seconds = divmod(round(plan.session.seconds), 60)
        order = ", ".join(plan.session.order).replace("_", " ")
        parts.append(
            f"\nA day takes {minutes} min {seconds} s: {order}; "
            f"changes of place: {plan.session.place_changes}.\n"
        )
        parts += [_because(reason, "cut") for reason in plan.session.dropped]
    if plan.refused:
        parts.append("\nConsidered and left out\n")
        parts += [
            _because(no.reason, f"{no.what.replace('_', ' ')}, {no.side}") for no in plan.refused
        ]
    if plan.notes:
        parts.append("\nFor the whole plan\n")
        parts += [_because(note, "note") for note in plan.notes]
    return "".join(parts)


def home_report(home: HomePlan) -> str:
    """What a plan code says: each line with its number in the diary, what to mind, whom to call."""
    rows = [["line", "exercise", "foot", "setting", "dose"]]
    for number, line in enumerate(home.lines, 1):
        foot = "both" if line.both else line.side
        setting = ", ".join(line.notches).replace("_", " ")
        name = line.family.replace("_", " ")
        rows.append([str(number), name, foot, setting, dose_words(line.dose)])
    span = f"version {home.version}, {home.starts} to {home.ends}, next look {home.review}"
    parts = [f"Plan {home.number.hex()}, {span}, language {home.language}\n", table(rows)]
    pain = f"pain: go on up to {home.pain_safe}, stop above {home.pain_most}"
    parts.append(_item(f"{pain}; first foot: {home.first or 'not known'}", 2))
    told = [f"to mind: {one.kind}, {_whose(one.side)}" for one in home.cautions]
    for one in home.findings:
        what = f"{one.level.upper()} {one.item.replace('_', ' ')}"
        told.append(f"found: {what}, {_whose(one.side)}")
    told += [f"not examined, no programme yet: {_whose(side)}" for side in home.unfinished]
    told.append(f"telephone: {home.phone or 'none'}; emergency: {home.emergency or 'none'}")
    return "".join((*parts, *(_item(text, 2) for text in told)))


def _whose(side: str | None) -> str:
    return f"{side} foot" if side else "the person"


def diary_report(shown: Sequence[Shown]) -> str:
    """The diary, day by day; a star marks what came more than once, a plus what lies outside."""
    if not shown:
        return "The diary is empty.\n"
    rows = [["day", "exercise", "foot", "done", "why not", "during", "next morning", "from"]]
    for one in shown:
        entry = one.entry
        marks = "*" * (one.times > 1) + "+" * one.outside
        marks += " sharp" * entry.sharp + " sign" * entry.warning
        pains = ["-" if pain is None else str(pain) for pain in (entry.during, entry.morning)]
        foot = "both" if one.line.both else one.line.side
        name = one.line.family.replace("_", " ")
        why = entry.why_not.replace("_", " ")
        rows.append([str(one.on), name, foot, entry.done + marks, why, *pains, one.source])
    note = ""
    if any(one.times > 1 for one in shown):
        note += "* entered more than once; the higher pain and the smaller amount are shown\n"
    if any(one.outside for one in shown):
        note += "+ outside the plan, or to come when it was entered; never a reason to raise\n"
    return table(rows) + note


def taken_report(taken: Taken) -> str:
    """What was taken into the diary, what of it is set aside, and why to call the patient."""
    parts = [f"Taken in: part {taken.part}, {len(taken.days)} day(s).\n"]
    if taken.outside:
        days = ", ".join(map(str, taken.outside))
        parts.append(f"Outside the plan or to come, kept and marked, never to raise: {days}\n")
    for call in taken.calls:
        what = [f"pain {call.pain}, above {call.most}"] if call.pain is not None else []
        what += ["sharp pain or locking"] * call.sharp + ["a warning sign"] * call.warning
        foot = "both feet" if call.line.both else f"{call.line.side} foot"
        name = call.line.family.replace("_", " ")
        parts.append(f"CALL: {call.on}, {name}, {foot}: {'; '.join(what)}\n")
    return "".join(parts)


def row_report(row: Row, book: Evidence, used_by: Sequence[str]) -> str:
    """A row of the book: value, range, basis, source, and what uses it."""
    source = book.sources[row.source]
    year = f", {source.year}" if source.year else ""
    by = f"{source.authors}: " if source.authors else ""
    lines = [
        f"{row.key} = {row}",
        f"  holds for : {row.applies_to}",
        f"  does      : {row.use}",
        f"  basis     : {row.basis}",
        f"  source    : {by}{source.title}{year} ({source.identifier}); {source.read_how}",
    ]
    if row.where:
        lines.append(f"  where     : {row.where}")
    if row.note:
        lines.append(f"  note      : {row.note}")
    lines.append(f"  used by   : {', '.join(used_by) or 'nothing'}")
    return "\n".join(lines) + "\n"


def decision_report(made: Decision, edition: str | None = None) -> str:
    """The advice for each exercise: answer, what was done, every reason; who must be called.

    Parameters
    ----------
    made : Decision
        The advice.
    edition : str, optional
        Edition of the evidence book that the plan was made with; told when it is another one.
    """
    parts = [f"Advice of {made.on}. You decide: accept, change or keep each line.\n"]
    if edition not in (None, made.edition):
        other = f"The plan was made with edition {edition} of the book; this advice with"
        parts.append(_item(f"{other} edition {made.edition}: numbers may differ.", 0))
    if made.calls:
        parts += ["\nCall the patient\n", *(_item(_cited(r)) for r in made.calls)]
    for line in made.lines:
        parts.append(_line_report(line))
    if not made.fresh:
        parts.append(
            "\n"
            + _item("The screen is not fresh: a next version keeps its end, and nothing rises.", 0)
        )
    if made.notes:
        parts += ["\nHow entries were read\n", *(_because(r, "note") for r in made.notes)]
    parts.append("\n" + fill(CAUTIONS, WIDTH) + "\n")
    return "".join(parts)


def _line_report(line: Line) -> str:
    e, work, days = line.exercise, line.work, line.days
    foot = "both feet" if e.both else f"{e.side} foot"
    rung = e.fitted.rung
    parts = [f"\n{line.outcome.upper()}: {rung.name}, {foot}; {dose_words(e.dose, rung)}\n"]
    share = "-" if work.adherence_pct is None else f"{work.adherence_pct:.0f} %"
    week = ", ".join(f"{share_pct:.0f} %" for share_pct in work.week_pct) or "-"
    usual = "not known" if days.usual is None else f"{days.usual:g}"
    parts.append(
        _item(
            f"{len(work.sessions)} sessions in {work.days} days at this setting, {share} of those "
            f"asked for (by week: {week}); pain as usual {usual}"
        )
    )
    for entry in line.entries:
        pains = "/".join(
            "-" if p is None else str(p) for p in (entry.before, entry.during, entry.morning)
        )
        why = f" ({entry.why_not.replace('_', ' ')})" if entry.why_not else ""
        parts.append(_item(f"{entry.on}: {entry.done}{why}, pain before/during/morning {pains}", 6))
    parts += [_because(reason) for reason in line.reasons]
    parts += [_because(no.reason, f"not {no.what}") for no in line.refused]
    return "".join(parts)


def caseload_report(made: Mapping[str, Decision], editions: Mapping[str, str] | None = None) -> str:
    """Who needs a look today, and why, one line each; those to be called first.

    Parameters
    ----------
    made : mapping of str to Decision
        The advice by plan.
    editions : mapping of str to str, optional
        Edition of the evidence book that each plan was made with; others than that of the advice
        are told.
    """
    ranks = ("stop and call", "down", "up", "same")
    rows: list[tuple[int, Sequence[str]]] = []
    for name, one in made.items():
        count = {word: sum(line.outcome == word for line in one.lines) for word in ranks}
        words = ", ".join(f"{n} {word}" for word, n in count.items() if n)
        why = (
            one.calls[0].says
            if one.calls
            else next(
                (
                    line.reasons[0].says
                    for word in ranks
                    for line in one.lines
                    if line.outcome == word
                ),
                "",
            )
        )
        rank = 0 if one.calls else 1 + next(i for i, word in enumerate(ranks) if count[word])
        rows.append((rank, (name, words, why)))
    rows.sort(key=lambda row: row[0])
    others = [n for n, one in made.items() if (editions or {}).get(n, one.edition) != one.edition]
    note = f"Made with another edition of the book: {', '.join(others)}.\n" if others else ""
    return table([("plan", "advice", "why"), *(row for _, row in rows)]) + note
