"""Commands for home: the code, the page for the phone, the diary, a class."""

from __future__ import annotations

import argparse
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rungwise.cli.shared import DONE, NONE, NOT_ALL, book_for, put, read_text, stamp_of
from rungwise.core.errors import Fault, InputError

if TYPE_CHECKING:
    from rungwise.diary import Taken

__all__ = ["class_for", "code", "diary_add", "diary_read", "diary_show", "phone"]


MAX_NAME = 200


FILE_OR_FOLDER = "One .html file holds one plan in one language; a folder holds none."


def code(args: argparse.Namespace) -> int:
    """Print a plan's code and what it says; returns the exit code."""
    from rungwise.clinic import open_plan, write_plan_code
    from rungwise.report import home_report

    home = open_plan(args.plan)[0]
    told = {**vars(home), "number": home.number.hex(), "key": home.key.hex()}
    code = write_plan_code(home)
    put(args, {"code": code, "plan": told}, lambda: f"{code}\n\n{home_report(home)}")
    return DONE


def phone(args: argparse.Namespace) -> int:
    """One file for a patient; or a folder for a web host and what stands behind its address."""
    from rungwise.clinic import phone_file, phone_link, phone_site, write_file

    book, langs = book_for(args), args.lang
    if args.out.suffix.lower() == ".html":
        if args.plan is None or len(langs) > 1:
            given = "no plan" if args.plan is None else ", ".join(langs)
            allowed = "a plan's folder, and one language at most"
            fault = Fault("plan" if args.plan is None else "lang", given, allowed, FILE_OR_FOLDER)
            raise InputError("command line", (fault,))
        made = phone_file(args.plan, book, *langs)
        path = write_file(args.out, made, args.replace)
        put(args, {"written": [str(path)], "link": None}, lambda: f"Wrote {path}\n")
        return DONE
    link = None if args.plan is None else phone_link(args.plan, book, langs)
    written = phone_site(book, args.out, langs, args.replace)

    def text() -> str:
        lines = ["Wrote", *(f"  {path}" for path in written)]
        if link is not None:
            own = link.startswith("https:")
            where = "" if own else ": the folder's address on your web host, then"
            lines += [f"For this patient alone{where}", link]
        return "\n".join(lines) + "\n"

    put(args, {"written": [*map(str, written)], "link": link}, text)
    return DONE


def diary_read(args: argparse.Namespace) -> int:
    """Take in a log code; returns the exit code."""
    from rungwise.clinic import add_log_code

    path = Path(args.code)
    text = read_text(path) if len(args.code) < MAX_NAME and path.is_file() else args.code
    return _taken(args, add_log_code(args.plan, text, args.today or date.today()))


def diary_add(args: argparse.Namespace) -> int:
    """Take in a paper diary; returns the exit code."""
    from rungwise.clinic import add_paper, open_plan, read_entries, read_grid, read_week

    plans, version = open_plan(args.plan), None
    ways = [way for way in (args.on, args.week, args.grid) if way is not None]
    if len(ways) != 1 or (args.grid is None) != bool(args.entries):
        allowed = "--week N with rows, --on DAY with entries, or --grid FILE"
        fault = Fault("entries", "none or several", allowed, "Such as --on 2026-03-05 1=all/3/2")
        raise InputError("command line", (fault,))
    if args.grid is not None:
        sessions = read_grid(read_text(args.grid), *plans)
    elif args.week is not None:
        version, sessions = read_week(args.entries, args.week, *plans)
    else:
        sessions = (read_entries(args.entries, args.on, *plans),)
    day, newest = args.today or date.today(), plans[0].version
    return _taken(args, add_paper(args.plan, sessions, day, version, newest))


def _taken(args: argparse.Namespace, taken: Taken) -> int:
    from rungwise.report import taken_report

    put(args, taken, lambda: taken_report(taken))
    if not taken.locked:
        told = "this file system knows no locks; let one person at a time write to the diary"
        print(f"rungwise: {told}", file=sys.stderr)
    return NOT_ALL if taken.calls else DONE


def diary_show(args: argparse.Namespace) -> int:
    """Show the diary; returns the exit code."""
    from rungwise.clinic import open_plan, shown_days
    from rungwise.report import diary_report, home_report

    shown = shown_days(args.plan)
    home = open_plan(args.plan)[0]
    put(args, shown, lambda: home_report(home) + "\n" + diary_report(shown))
    return DONE


def class_for(args: argparse.Namespace) -> int:
    """A class from the rungs named; without one, every rung and whether it may be done there."""
    from rungwise.clinic import class_sheets, class_ways, group_class, hand_out
    from rungwise.report import table

    book = book_for(args)
    if not args.rung:
        ways = class_ways(book)
        cells = [("rung", "in a class"), *((n, "; ".join(r.rule for r in w)) for n, w in ways)]
        put(args, [{"rung": n, "barred": w} for n, w in ways], lambda: table(cells))
        return DONE
    made = group_class(args.rung, book, args.people, args.minutes)
    day = args.today or date.today()
    stamp = stamp_of(day)
    written: list[Path] = []
    if made.exercises:
        sheets = class_sheets(made, book, stamp, args.lang, args.paper)
        written = hand_out(args.out, sheets, args.replace)

    def text() -> str:
        lines: list[str] = []
        for left in made.left_out:
            lines += [f"Left out: {left.what}", *(f"  {reason.says}" for reason in left.reasons)]
        if not made.exercises:
            return "\n".join((*lines, "Nothing is left for a class.")) + "\n"
        lines += [f"Look before: {note.says}" for note in made.notes]
        lines += [f"{made.seconds / 60:.1f} minutes for {made.people} people. Wrote"]
        return "\n".join((*lines, *(f"  {path}" for path in written))) + "\n"

    put(args, made, text)
    return NONE if not made.exercises else NOT_ALL if made.left_out else DONE
