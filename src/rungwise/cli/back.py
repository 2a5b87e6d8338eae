"""Commands on the way back: decide, renew, note, change."""

from __future__ import annotations

import argparse
import dataclasses
import sys
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rungwise.cli.shared import (
    BAD_INPUT,
    DONE,
    NONE,
    NOT_ALL,
    book_for,
    put,
    read_text,
    stamp_of,
    write_new,
)
from rungwise.core.errors import Fault, InputError, RungwiseError

if TYPE_CHECKING:
    from rungwise.core.evidence import Evidence
    from rungwise.core.progress import Decision
    from rungwise.core.terms import Exam

__all__ = ["change", "decide", "note", "renew"]


def decide(args: argparse.Namespace) -> int:
    """Advice for one plan; for several, who needs a look today and why."""
    from rungwise.clinic import blank_answers, decide_now
    from rungwise.report import decision_report

    folders = [*_plan_folders(args.plan)]
    if len(folders) != 1 or args.plan[0] != folders[0]:
        if args.exam is not None or args.out is not None:
            fault = Fault("plan", f"{len(folders)} plans", "one", "--exam and --out are for one.")
            raise InputError("command line", (fault,))
        return _decide_many(folders, args)
    book, today = book_for(args), args.today or date.today()
    opened, _, made = decide_now(folders[0], book, today, _newer(args, book, today))
    if args.out is not None:
        write_new(args.out, blank_answers(made, len(opened.plans)))
    told = "" if args.out is None else f"\nWrote {args.out}. Answer it, then: rungwise renew\n"
    put(args, made, lambda: decision_report(made, opened.plan.edition) + told)
    return _decision_code(made)


def _plan_folders(given: Sequence[Path]) -> Iterator[Path]:
    for path in given:
        inside = [] if (path / "plan.json").exists() or not path.is_dir() else path.iterdir()
        found = sorted(p for p in inside if (p / "plan-code.txt").exists())
        yield from found or [path]


def _newer(args: argparse.Namespace, book: Evidence, today: date) -> Exam | None:
    from rungwise.clinic import read_exam

    return None if args.exam is None else read_exam(read_text(args.exam), book, today)


def _decision_code(made: Decision) -> int:
    stopped = [line.outcome == "stop and call" for line in made.lines]
    return NONE if all(stopped) else NOT_ALL if made.calls else DONE


def _decide_many(folders: Sequence[Path], args: argparse.Namespace) -> int:
    """One line for each plan, those that need a call first; a faulty folder is told."""
    from rungwise.clinic import decide_now
    from rungwise.plain import to_json
    from rungwise.report import caseload_report

    book, today = book_for(args), args.today or date.today()
    made: dict[str, Decision] = {}
    editions: dict[str, str] = {}
    faults: list[str] = []
    for folder in folders:
        try:
            opened, _, made[str(folder)] = decide_now(folder, book, today)
            editions[str(folder)] = opened.plan.edition
        except RungwiseError as error:
            faults.append(f"{folder}: {error}")
    if args.json:
        sys.stdout.write(to_json({"plans": made, "faults": faults}))
    else:
        sys.stdout.write(caseload_report(made, editions))
    for fault_text in faults:
        print(f"rungwise: {fault_text}", file=sys.stderr)
    return BAD_INPUT if faults else NOT_ALL if any(d.calls for d in made.values()) else DONE


def renew(args: argparse.Namespace) -> int:
    """Make the next version of a plan; returns the exit code."""
    from rungwise.clinic import renew_plan
    from rungwise.report import plan_report

    book, today = book_for(args), args.today or date.today()
    plan, made, written = renew_plan(
        args.plan,
        book,
        today,
        read_text(args.answers),
        stamp_of(today),
        _newer(args, book, today),
        args.lang,
        args.paper,
        args.large,
    )
    listed = "".join(f"  {file}\n" for file in written if file.suffix != ".svg")
    put(args, plan, lambda: plan_report(plan, book) + f"\nWrote\n{listed}")
    return _decision_code(made)


def note(args: argparse.Namespace) -> int:
    """Write a note, or keep an edited one; returns the exit code."""
    from rungwise.clinic import keep_edited, note_of, write_file

    today = args.today or date.today()
    if args.keep is not None:
        version = keep_edited(args.plan, args.kind, today, read_text(args.keep), args.by)
        put(args, {"version": version}, lambda: f"Kept as version {version}.\n")
        return DONE
    if args.out is None and args.format in ("docx", "pdf"):
        fault = Fault("out", "nothing", "a file", f"Name one for {args.format}.")
        raise InputError("command line", (fault,))
    book = book_for(args)
    made = note_of(
        args.plan,
        args.kind,
        book,
        args.format,
        today,
        stamp_of(today),
        _newer(args, book, today),
        None if args.minutes is None else read_text(args.minutes),
        args.by,
        args.paper,
        args.lang,
    )
    if args.out is not None:
        path = write_file(args.out, made, args.replace)
        put(args, {"written": str(path)}, lambda: f"Wrote {path}\n")
        return DONE
    text = made.decode()
    put(args, {"note": text}, lambda: text)
    return DONE


def change(args: argparse.Namespace) -> int:
    """What has changed; with a folder named, its charts too."""
    from rungwise.clinic import change_files, changes_now, read_exam, told_change

    book, today = book_for(args), args.today or date.today()
    exams: dict[str, Exam] = {}
    faults: list[Fault] = []
    for path in args.exam:
        try:
            exams[str(path)] = read_exam(read_text(path), book, today)
        except InputError as error:
            faults += [dataclasses.replace(f, field=f"{path}: {f.field}") for f in error.faults]
    if faults:
        raise InputError("examinations", tuple(faults))
    found = changes_now(args.plan, book, today, exams, args.phase, args.target)
    written = [] if args.out is None else change_files(found, args.out, args.replace)
    listed = "".join(f"  {path}\n" for path in written)
    put(
        args, found, lambda: told_change(found, args.why) + (f"\nWrote\n{listed}" if listed else "")
    )
    return DONE
