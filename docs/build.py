"""Write the generated pages: docs/terms.md and docs/safety.md.

Run it as ``python docs/build.py``; a test checks that the pages are what it writes.
"""

from __future__ import annotations

import csv
import inspect
import io
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path

from rungwise.book import load_book
from rungwise.core import terms
from rungwise.core.evidence import Evidence, printed

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


def main() -> None:
    """Write both pages."""
    (DOCS / "terms.md").write_text(terms_page(load_book()), "utf-8")
    (DOCS / "safety.md").write_text(safety_page(), "utf-8")


if __name__ == "__main__":
    main()
