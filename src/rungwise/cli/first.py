"""Commands on one examination: write it, check it, screen, grade, ladder; and the book."""

from __future__ import annotations

import argparse
import sys
from datetime import date
from typing import TYPE_CHECKING

from rungwise.cli.shared import DONE, book_for, opened, put, screen_code, write_new
from rungwise.core.errors import Fault, InputError

if TYPE_CHECKING:
    pass

__all__ = ["book", "exam_check", "exam_new", "exam_schema", "grade", "ladder", "screen"]


def exam_new(args: argparse.Namespace) -> int:
    """Write a blank examination; returns the exit code."""
    from rungwise.clinic import blank_exam

    text = blank_exam(book_for(args), args.today or date.today())
    if args.out is None:
        sys.stdout.write(text)
        return DONE
    write_new(args.out, text)
    print(f"Wrote {args.out}. Fill it in, then: rungwise exam check {args.out}")
    return DONE


def exam_check(args: argparse.Namespace) -> int:
    """List every fault of an examination; returns the exit code."""
    from rungwise.core.terms import SIDES

    exam, book, _ = opened(args)
    missing = [key for key in book.items if key not in exam.answers]

    def text() -> str:
        found = sum(1 for m in exam.measured if m.side is not None)
        lines = [f"{args.exam}: no fault. {found} findings of the feet, {len(exam.answers)} of "]
        lines[0] += f"{len(book.items)} screening items answered."
        if missing:
            lines.append(f"Not asked yet: {', '.join(missing)}. There is no programme before.")
        for side in SIDES:
            absent = [
                m.key
                for m in book.measures.values()
                if m.per == "foot" and not exam.readings(m.key, side)
            ]
            if absent:
                lines.append(f"{side} foot, not examined: {', '.join(absent)}")
        return "\n".join(lines) + "\n"

    put(args, {"faults": [], "not_asked": missing}, text)
    return DONE


def exam_schema(args: argparse.Namespace) -> int:
    """Print the JSON Schema of an examination; returns the exit code."""
    from rungwise.clinic import exam_schema
    from rungwise.plain import to_json

    sys.stdout.write(to_json(exam_schema(book_for(args))))
    return DONE


def screen(args: argparse.Namespace) -> int:
    """Screen an examination; returns the exit code."""
    from rungwise.clinic import examine
    from rungwise.report import screen_report

    exam, book, today = opened(args)
    screening, _ = examine(exam, book, today)
    put(args, screening, lambda: screen_report(screening, book))
    return screen_code(screening)


def grade(args: argparse.Namespace) -> int:
    """Grade both joints; returns the exit code."""
    from rungwise.clinic import examine
    from rungwise.report import grade_report

    exam, book, today = opened(args)
    grades = list(examine(exam, book, today)[1].values())
    put(args, grades, lambda: "Grade\n" + "".join(grade_report(g) for g in grades))
    return DONE


def ladder(args: argparse.Namespace) -> int:
    """List every rung for a person's feet; returns the exit code."""
    from rungwise.clinic import ladders_of
    from rungwise.report import ladder_report

    exam, book, _ = opened(args)
    if args.family is not None and args.family not in book.families:
        allowed = ", ".join(book.families)
        fault = Fault("family", args.family, allowed, "Name one of them, or none for all.")
        raise InputError("command line", (fault,))
    families = [args.family] if args.family else list(book.priority)
    ladders = {s: x for s, x in ladders_of(exam, book).items() if args.side in (None, s)}
    found = {
        side: {f: [ladder.at(f, r.places) for r in ladder.rungs(f)] for f in families}
        for side, ladder in ladders.items()
    }

    def text() -> str:
        return "\n".join(
            f"{side} foot, {family.replace('_', ' ')}\n{ladder_report(ladder, family)}"
            for side, ladder in ladders.items()
            for family in families
        )

    put(args, found, text)
    return DONE


def book(args: argparse.Namespace) -> int:
    """Print rows of the book; returns the exit code."""
    from rungwise.clinic import uses_of
    from rungwise.report import row_report, table

    book = book_for(args)
    key = args.key or ""
    if key in book.rows:
        row = book.rows[key]
        used = uses_of(key, book)
        value = {"row": row, "source": book.sources[row.source], "used_by": used}
        put(args, value, lambda: row_report(row, book, used))
        return DONE
    rows = [row for name, row in sorted(book.rows.items()) if name.startswith(key)]
    if not rows:
        fault = Fault("key", key, "a key of the book", "List them with: rungwise book")
        raise InputError("command line", (fault,))
    cells = [["key", "value", "basis", "source"]]
    cells += [[row.key, str(row), row.basis, row.source] for row in rows]
    put(args, rows, lambda: table(cells) + f"\nedition {book.edition}\n")
    return DONE
