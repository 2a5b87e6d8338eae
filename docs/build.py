"""Write the generated pages: docs/terms.md, docs/safety.md and the vectors of docs/plan-code.md.

Run it as ``python docs/build.py``; a test checks that the pages are what it writes.
"""

from __future__ import annotations

import csv
import inspect
import io
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import date
from pathlib import Path

from rungwise.book import load_book
from rungwise.core import terms
from rungwise.core.evidence import Evidence, printed
from rungwise.core.terms import Dose
from rungwise.plan_code import (
    HomeCaution,
    HomeEntry,
    HomeFinding,
    HomeLine,
    HomeLog,
    HomePlan,
    HomeSession,
    write_log_code,
    write_plan_code,
)

DOCS = Path(__file__).parent
HEAD = "<!-- written by docs/build.py; do not edit -->\n\n"


def terms_page(book: Evidence) -> str:
    """The words of rungwise: findings, screen, families and values."""
    return HEAD + "\n".join(_terms(book)) + "\n"


def _terms(book: Evidence) -> Iterator[str]:
    yield "# Words\n"
    yield "Our own words: a **rung** is one setting of every dial of an exercise; the **ladder**"
    yield "is all rungs for one foot; the **book** holds every number with its source.\n"
    yield f"Evidence book edition `{book.edition}`.\n"
    yield "## Findings of an examination\n"
    yield "| field | whose | allowed | how |\n|---|---|---|---|"
    for spec in book.measures.values():
        if spec.kind == "choice":
            allowed = ", ".join(spec.choices)
        elif spec.kind == "yesno":
            allowed = "true, false"
        else:
            allowed = f"{spec.low:g} to {printed(spec.high or 0, spec.unit)}"
        if spec.methods:
            allowed += f"; zero: {', '.join(spec.zeros)}"
        yield f"| `{spec.key}` | {spec.per} | {allowed} | {spec.help} |"
    yield "\n## The screen\n"
    yield "| item | level if positive | ask | basis |\n|---|---|---|---|"
    for item in book.items.values():
        yield f"| `{item.key}` ({item.code}) | {item.level} | {item.ask} | {item.basis} |"
    yield "\n## Exercise families\n"
    for family in (book.families[key] for key in book.priority):
        wish = " (optional)" if family.optional else ""
        needs = ", ".join(sorted(family.needs)) or "nothing"
        yield f"### {family.key}{wish}\n"
        yield f"Needs: {needs}. Kind: {', '.join(sorted(family.tags))}.\n"
        for dial in family.dials:
            notches = " → ".join(notch.key for notch in dial.notches)
            yield f"* dial `{dial.key}`, raises {dial.raises}: {notches}"
        for row in family.doses:
            d = row.dose
            yield (
                f"* dose `{row.key}`: {d.sets} × {d.reps}, hold {d.hold_s:g} s, up {d.lift_s:g} s, "
                f"down {d.lower_s:g} s, {d.days_per_week} days a week ({row.basis})"
            )
        yield ""
    yield "## Values\n"
    for name in sorted(terms.__all__):
        value = getattr(terms, name)
        if is_dataclass(value):
            first = (inspect.getdoc(value) or "").splitlines()[0]
            yield f"* **{name}**: {first} Fields: {', '.join(f.name for f in fields(value))}."


def safety_page() -> str:
    """The hazards with their controls and the tests of each."""
    text = (DOCS / "hazards.csv").read_text("utf-8")
    lines = [
        "# Hazards, controls, tests\n",
        "From `docs/hazards.csv`. Severity 1 to 5. A row marked *later* belongs to a part",
        "that does not exist yet.\n",
        "| id | hazard | harm | severity | control | tests |",
        "|---|---|---|---|---|---|",
    ]
    for row in csv.DictReader(io.StringIO(text)):
        tests = "<br>".join(f"`{t.strip()}`" for t in row["verification"].split(";") if t.strip())
        lines.append(
            f"| {row['id']} | {row['hazard']} | {row['harm']} | {row['severity']} | "
            f"{row['control']} | {tests or row['status']} |"
        )
    return HEAD + "\n".join(lines) + "\n"


def vectors() -> str:
    """Test vectors of the plan code, for the end of docs/plan-code.md."""
    dose = Dose(1, 5, 5.0, 1.0, 2.0, 30.0, 5)
    line = HomeLine(
        "toe_press",
        "left",
        False,
        ("half", "light", "seated"),
        {"cloth_thickness_mm": 7, "touch_mm": 45},
        dose,
    )
    both = replace(line, family="heel_raise", both=True, notches=("seated", "half"), sizes={})
    starts, review, ends = date(2026, 3, 2), date(2026, 3, 16), date(2026, 3, 29)
    number, key = bytes(range(8)), bytes(range(16))
    dates = (starts, review, ends)
    plan = HomePlan(number, key, 1, "en", "0123456789ab", *dates, 2, 5, "left", (line, both))
    told = replace(
        plan,
        cautions=(
            HomeCaution("numb", "left"),
            HomeCaution("unsteady", None),
            HomeCaution("bruise", None),
        ),
        findings=(
            HomeFinding("broken_skin", "urgent", "right"),
            HomeFinding("falls", "review", None),
        ),
        unfinished=("right",),
        phone="+15550100",
        emergency="112",
    )
    entry = HomeEntry(0, "all", sets=1, reps=5, before=1, during=2)
    late = HomeEntry(1, "none", "no_time", morning=3)
    sessions = (HomeSession(starts, (entry, late)),)
    shown = [
        ("plan", write_plan_code(plan)),
        ("the same plan with all that may follow its lines", write_plan_code(told)),
        ("log", write_log_code(HomeLog(number, 1, 1, sessions), plan)),
    ]
    lines = [f"{what}:\n\n```\n{code}\n```\n" for what, code in shown]
    return (
        "Plan number 00…07, key 00…0f, version 1, `en`, edition 0123456789ab, 2026-03-02 to\n"
        "2026-03-29, review 2026-03-16, pain 2 and 5, left foot first. Toe press left: cloth\n"
        "half, force light, seated, cloth 7 mm, touch 45 mm. Heel raise of both feet: seated,\n"
        "half. Each 1 × 5, hold 5 s, lift 1 s, lower 2 s, rest 30 s, 5 days. The log: on\n"
        "2026-03-02 the press was done (1 set, 5 repetitions, pain 1 before, 2 during), the\n"
        "raise was not (no time, pain 3 next morning). All that may follow: the right foot is not\n"
        "examined; left foot: it does not feel; the person: unsteady, bruises; right foot: broken\n"
        "skin, urgent; the person: falls, review; telephone +15550100, emergency 112.\n\n"
        + "\n".join(lines)
    )


def plan_code_page() -> str:
    """docs/plan-code.md with its test vectors made anew."""
    text = (DOCS / "plan-code.md").read_text("utf-8")
    head, mark, _ = text.partition("Made by `docs/build.py`; a test reads them back.\n")
    return head + mark + "\n" + vectors()


def main() -> None:
    """Write the pages."""
    (DOCS / "plan-code.md").write_text(plan_code_page(), "utf-8")
    (DOCS / "terms.md").write_text(terms_page(load_book()), "utf-8")
    (DOCS / "safety.md").write_text(safety_page(), "utf-8")


if __name__ == "__main__":
    main()
