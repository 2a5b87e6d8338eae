"""The command line: read arguments, call the clinic, print. No clinical branch stands here."""

from __future__ import annotations

import argparse
import dataclasses
import gc
import io
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, date, datetime, time
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from rungwise.core.errors import Fault, InputError, RungwiseError

if TYPE_CHECKING:
    from rungwise.core.evidence import Evidence
    from rungwise.core.progress import Decision
    from rungwise.core.terms import Exam, Plan, Screening
    from rungwise.diary import Taken

__all__ = ["main"]

DONE, BAD_INPUT, NOT_ALL, NONE, STOPPED = 0, 3, 10, 11, 130
#: Longer texts are no file names.
MAX_NAME = 200
FILE_OR_FOLDER = "One .html file holds one plan in one language; a folder holds none."
FIRST_YEAR, LAST_YEAR, MOST_JOBS, MOST_DAYS = 2000, 2200, 64, 1000
LAST_PORT = 65535
EPILOG = """\
exit codes: 0 done; 2 wrong command line; 3 bad input, for which nothing is written;
10 done, but one foot has no programme or only its unloaded parts, a class leaves a rung out, or a
patient must be called; 11 done, and no programme or no class; 130 stopped by Ctrl-C.
For licensed physical therapists, who decide. Not for emergencies. Not cleared or approved by any
authority; regulatory status not assessed. No trial has tested programmes made by this software."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a letter that the terminal lacks is no failure
            stream.reconfigure(errors="backslashreplace")
    args = _parser().parse_args(argv)
    try:
        _check_here()
        code: int = args.run(args)
        sys.stdout.flush()
        return code
    except RungwiseError as error:
        print(f"rungwise: {error}", file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print("rungwise: stopped; what was being written is not there", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        _let_go()
        return DONE
    except OSError as error:
        _let_go()
        print(f"rungwise: cannot write: {error.strerror or error}", file=sys.stderr)
        return BAD_INPUT


def _let_go() -> None:
    """Send what is still to be printed nowhere, so that closing does not fail again."""
    sys.stdout = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")


def _check_here() -> None:
    """Refuse to work where there is no output, or in a folder that is gone."""
    if sys.stdout is None:
        _let_go()
    try:
        Path.cwd()
    except OSError:
        fault = Fault("folder", "one that is gone", "a folder that is there", "Change to another.")
        raise InputError("command line", (fault,)) from None


def _day(text: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError("write a day such as 2026-03-05") from None
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise argparse.ArgumentTypeError(f"years {FIRST_YEAR} to {LAST_YEAR}")
    return day


def _count(text: str) -> int:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= MOST_DAYS:
        return int(text)
    raise argparse.ArgumentTypeError(f"1 to {MOST_DAYS}")


def _week(text: str) -> int | date:
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 2 else _day(text)


def _jobs(text: str) -> int:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= MOST_JOBS:
        return int(text)
    raise argparse.ArgumentTypeError(f"1 to {MOST_JOBS}")


def _port(text: str) -> int:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= LAST_PORT:
        return int(text)
    raise argparse.ArgumentTypeError(f"1 to {LAST_PORT}")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="rungwise",
        description="From one examination of the big-toe joint to a safe home programme.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def command(
        name: str, run: Callable[[argparse.Namespace], int], help_text: str, into: Any = commands
    ) -> argparse.ArgumentParser:
        made: argparse.ArgumentParser = into.add_parser(
            name, help=help_text, description=help_text, epilog=EPILOG
        )
        made.formatter_class = argparse.RawDescriptionHelpFormatter
        made.set_defaults(run=run)
        made.add_argument("--json", action="store_true", help="print JSON instead of a table")
        made.add_argument(
            "--overrides", type=Path, metavar="FILE", help="the clinic's own values (TOML)"
        )
        made.add_argument(
            "--today",
            type=_day,
            default=None,
            metavar="DAY",
            help="act as on this day",
        )
        return made

    demo = command("demo", _demo, "run the whole job on invented people")
    demo.add_argument("--out", type=Path, default=Path("demo"), help="folder to write (demo)")
    demo.add_argument("--replace", action="store_true", help="replace an earlier demo")
    _sheet_options(demo)

    exam = commands.add_parser("exam", help="write a blank examination, or check one")
    parts = exam.add_subparsers(required=True, metavar="COMMAND")
    new = command("new", _exam_new, "write a commented blank", parts)
    new.add_argument("--out", type=Path, help="file to write; by default it is printed")
    check = command("check", _exam_check, "list every fault of an examination", parts)
    check.add_argument("exam", type=Path, help="examination (TOML)")
    command("schema", _exam_schema, "print the JSON Schema of an examination", parts)

    for name, run, help_text in (
        ("screen", _screen, "screen an examination: refer, hold, review, careful, go"),
        ("grade", _grade, "grade both joints, with both components and the uncertainty"),
        ("ladder", _ladder, "list every rung for this person's feet"),
    ):
        made = command(name, run, help_text)
        made.add_argument("exam", type=Path, help="examination (TOML)")
        if name == "ladder":
            made.add_argument("--family", help="one family only")
            made.add_argument("--side", choices=("right", "left"), help="one foot only")

    plan = command("plan", _plan, "make the programme and its sheets")
    plan.add_argument("exam", type=Path, nargs="+", help="examinations (TOML), or folders of them")
    plan.add_argument("--out", type=Path, required=True, help="folder to write")
    plan.add_argument(
        "--pins", type=Path, metavar="FILE", help="the therapist's own choices (TOML)"
    )
    plan.add_argument("--insist", action="store_true", help="keep more than four families")
    plan.add_argument(
        "--replace", action="store_true", help="replace an earlier plan in that folder"
    )
    plan.add_argument("--phone", action="store_true", help="the page for the phone, too")
    plan.add_argument("--no-sheets", action="store_true", help="compute only; print, write nothing")
    plan.add_argument("--jobs", type=_jobs, default=0, help="processes for many examinations")
    _sheet_options(plan)

    code = command("code", _code_of, "print the plan code of a plan, and what it says")
    code.add_argument("plan", type=Path, help="folder written by: rungwise plan")

    phone = command("phone", _phone, "make the page for the phone: one file, or for a web host")
    phone.add_argument("plan", type=Path, nargs="?", help="folder written by: rungwise plan")
    phone.add_argument(
        "--out",
        type=Path,
        required=True,
        metavar="FILE.html|DIR",
        help="one file with this plan in it, or a folder for a web host, without any plan",
    )
    phone.add_argument("--replace", action="store_true", help="replace an earlier page")
    phone.add_argument(
        "--lang",
        action="append",
        default=[],
        help="language (file: the person's own; folder: every one); may be given again",
    )

    diary = commands.add_parser("diary", help="take in what was done at home, and show it")
    ways = diary.add_subparsers(required=True, metavar="COMMAND")
    read = command("read", _diary_read, "take in a log code from the phone page", ways)
    read.add_argument("code", help="the code, or a file that holds it")
    add = command("add", _diary_add, "type in the paper diary", ways)
    add.add_argument(
        "entries",
        nargs="*",
        metavar="LINE=…",
        help="with --week 2=2..x.p6. (boxes of a printed row), with --on 2=part:pain/7/3+sharp",
    )
    add.add_argument(
        "--week", type=_week, metavar="N|DAY", help="rows of the printed diary, from this week on"
    )
    add.add_argument("--on", type=_day, metavar="DAY", help="one day, with more to tell")
    add.add_argument("--grid", type=Path, help="many days as CSV instead: day,line,done,…")
    show = command("show", _diary_show, "show the diary", ways)
    for one in (read, add, show):
        one.add_argument("--plan", type=Path, required=True, help="folder of the plan")

    decide = command("decide", _decide, "hear back: what comes next for each exercise, and why")
    decide.add_argument(
        "plan", type=Path, nargs="+", help="folders of plans, or a folder that holds them"
    )
    decide.add_argument("--exam", type=Path, metavar="FILE", help="a newer examination (TOML)")
    decide.add_argument("--out", type=Path, metavar="FILE", help="file to answer in")

    renew = command("renew", _renew, "make the next version of a plan from your answers")
    renew.add_argument("plan", type=Path, help="folder of the plan")
    renew.add_argument("--answers", type=Path, required=True, metavar="FILE", help="answers (TOML)")
    renew.add_argument("--exam", type=Path, metavar="FILE", help="a newer examination (TOML)")
    _sheet_options(renew)

    note = command("note", _note, "write a note for the record, blanks shown as blanks")
    note.add_argument("plan", type=Path, help="folder of the plan")
    note.add_argument(
        "--kind",
        required=True,
        choices=("evaluation", "visit", "progress", "discharge", "letter"),
        help="which note",
    )
    note.add_argument(
        "--format", choices=("text", "markdown", "docx", "pdf"), default="text", help="form (text)"
    )
    note.add_argument("--exam", type=Path, metavar="FILE", help="a newer examination (TOML)")
    note.add_argument("--minutes", type=Path, metavar="FILE", help="minutes by service (TOML)")
    note.add_argument("--by", default="", help="who signs")
    note.add_argument("--out", type=Path, metavar="FILE", help="file to write; else it is printed")
    note.add_argument("--replace", action="store_true", help="replace an earlier file")
    note.add_argument("--keep", type=Path, metavar="FILE", help="keep this edited text instead")
    note.add_argument("--paper", choices=("a4", "us-letter"), default="a4", help="paper (a4)")

    change = command(
        "change", _change, "what has changed since the first examination, and by how much"
    )
    change.add_argument("plan", type=Path, help="folder of the plan")
    change.add_argument(
        "--exam",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="a further examination of the same person (TOML); may be given again",
    )
    change.add_argument(
        "--phase", type=_day, metavar="DAY", help="first day of a change of treatment"
    )
    change.add_argument(
        "--target",
        action="append",
        default=[],
        metavar="MEASURE=VALUE/DAY",
        help="a value to be reached by a day; may be given again",
    )
    change.add_argument("--why", action="store_true", help="every reason, not only of what moved")
    change.add_argument("--out", type=Path, metavar="DIR", help="folder for text, JSON and charts")
    change.add_argument("--replace", action="store_true", help="replace an earlier one there")

    own = command("own-error", _own_error, "the clinic's own error, from two readings of 10 feet")
    own.add_argument("pairs", type=Path, help="CSV: foot,first,second,days_apart")
    own.add_argument(
        "--row",
        default="rom.sem.nonweightbearing_passive.goniometer.same_rater",
        help="row of the book for which it stands (goniometer, passive, one person)",
    )
    own.add_argument("--who", default="", help="who decides; for --out")
    own.add_argument("--estimate", action="store_true", help="take it, not its cautious end")
    own.add_argument("--out", type=Path, metavar="FILE", help="file for --overrides (TOML)")

    score = command("score", _score, "score a questionnaire, and judge its change")
    score.add_argument("form", nargs="?", help="which form; none lists them all")
    score.add_argument("items", nargs="*", metavar="ITEM", help="points; - is not answered")
    score.add_argument("--score", type=float, help="a score that you have counted, without items")
    score.add_argument("--before", type=float, metavar="SCORE", help="the earlier score")

    units = command("units", _units, "US timed minutes to units, both ways; not billing advice")
    units.add_argument(
        "--timed",
        action="append",
        required=True,
        metavar="NAME=MINUTES",
        help="a timed service by your own name; may be given again",
    )
    units.add_argument(
        "--untimed", action="append", default=[], metavar="NAME", help="one that is not timed"
    )

    advise = command("advise", _advise, "when to measure again, and how often")
    advise.add_argument("kind", nargs="?", help="one way of reading; none lists them all")
    advise.add_argument("--before", type=_count, metavar="N", help="days already read before")

    group = command("class", _class, "make what a class needs, without a patient")
    group.add_argument(
        "rung", nargs="*", metavar="RUNG[=DOSE]", help="family:notch/notch; none lists them all"
    )
    group.add_argument("--minutes", type=float, help="time given; by default what it takes")
    group.add_argument("--people", type=int, default=8, help="how many take part (8)")
    group.add_argument("--out", type=Path, default=Path("class"), help="folder to write (class)")
    group.add_argument("--replace", action="store_true", help="replace an earlier class there")
    group.add_argument("--lang", default="en", help="language of the sheet (en)")
    group.add_argument("--paper", choices=("a4", "us-letter"), default="a4", help="paper (a4)")

    opened = command(
        "open", _pages, "open the clinic's pages in the browser, on this computer only"
    )
    opened.add_argument("--data", type=Path, metavar="DIR", help="folder of the records")
    opened.add_argument("--port", type=_port, default=0, metavar="N", help="port (a free one)")
    opened.add_argument("--no-browser", action="store_true", help="do not open the browser")

    book = command("book", _book, "print a row of the evidence book, its source and its uses")
    book.add_argument("key", nargs="?", help="key of a row, or the beginning of keys")
    return parser


def _sheet_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--lang", help="language of the patient's sheets (the person's own)")
    parser.add_argument("--paper", choices=("a4", "us-letter"), default="a4", help="paper (a4)")
    parser.add_argument("--large", action="store_true", help="large print")


# ------------------------------------------------------------------ reading


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > 1_000_000:
            fault = Fault(str(path), "more than 1 MB", "a TOML file", "Is it the right file?")
            raise InputError("file", (fault,))
        return path.read_text("utf-8")
    except UnicodeDecodeError:
        fault = Fault(str(path), "bytes that are not UTF-8", "UTF-8 text", "Save it as UTF-8.")
        raise InputError("file", (fault,)) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        fault = Fault(str(path), why, "a file that can be read", "Check the path.")
        raise InputError("file", (fault,)) from None


def _open_book(args: argparse.Namespace) -> Evidence:
    from rungwise.clinic import open_book

    return open_book(None if args.overrides is None else _read(args.overrides))


def _open(args: argparse.Namespace) -> tuple[Exam, Evidence, date]:
    from rungwise.clinic import read_exam

    book = _open_book(args)
    today = args.today or date.today()
    return read_exam(_read(args.exam), book, today), book, today


def _stamp(day: date) -> datetime:
    """The time that sheets of a day carry."""
    return datetime.combine(day, time(), UTC)


def _print(args: argparse.Namespace, value: object, text: Callable[[], str]) -> None:
    from rungwise.plain import to_json

    sys.stdout.write(to_json(value) if args.json else text())


# ------------------------------------------------------------------ commands


def _exam_new(args: argparse.Namespace) -> int:
    from rungwise.clinic import blank_exam

    text = blank_exam(_open_book(args), args.today or date.today())
    if args.out is None:
        sys.stdout.write(text)
        return DONE
    _write_new(args.out, text)
    print(f"Wrote {args.out}. Fill it in, then: rungwise exam check {args.out}")
    return DONE


def _exam_check(args: argparse.Namespace) -> int:
    from rungwise.core.terms import SIDES

    exam, book, _ = _open(args)
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

    _print(args, {"faults": [], "not_asked": missing}, text)
    return DONE


def _exam_schema(args: argparse.Namespace) -> int:
    from rungwise.clinic import exam_schema
    from rungwise.plain import to_json

    sys.stdout.write(to_json(exam_schema(_open_book(args))))
    return DONE


def _screen(args: argparse.Namespace) -> int:
    from rungwise.clinic import examine
    from rungwise.report import screen_report

    exam, book, today = _open(args)
    screening, _ = examine(exam, book, today)
    _print(args, screening, lambda: screen_report(screening, book))
    return _code(screening)


def _code(screening: Screening) -> int:
    stopped = [s.outcome in ("refer", "hold") for s in (screening.right, screening.left)]
    limited = [s.outcome == "review" for s in (screening.right, screening.left)]
    return NONE if all(stopped) else NOT_ALL if any(stopped) or any(limited) else DONE


def _grade(args: argparse.Namespace) -> int:
    from rungwise.clinic import examine
    from rungwise.report import grade_report

    exam, book, today = _open(args)
    grades = list(examine(exam, book, today)[1].values())
    _print(args, grades, lambda: "Grade\n" + "".join(grade_report(g) for g in grades))
    return DONE


def _ladder(args: argparse.Namespace) -> int:
    from rungwise.clinic import ladders_of
    from rungwise.report import ladder_report

    exam, book, _ = _open(args)
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

    _print(args, found, text)
    return DONE


def _book(args: argparse.Namespace) -> int:
    from rungwise.clinic import uses_of
    from rungwise.report import row_report, table

    book = _open_book(args)
    key = args.key or ""
    if key in book.rows:
        row = book.rows[key]
        used = uses_of(key, book)
        value = {"row": row, "source": book.sources[row.source], "used_by": used}
        _print(args, value, lambda: row_report(row, book, used))
        return DONE
    rows = [row for name, row in sorted(book.rows.items()) if name.startswith(key)]
    if not rows:
        fault = Fault("key", key, "a key of the book", "List them with: rungwise book")
        raise InputError("command line", (fault,))
    cells = [["key", "value", "basis", "source"]]
    cells += [[row.key, str(row), row.basis, row.source] for row in rows]
    _print(args, rows, lambda: table(cells) + f"\nedition {book.edition}\n")
    return DONE


def _class(args: argparse.Namespace) -> int:
    """A class from the rungs named; without one, every rung and whether it may be done there."""
    from rungwise.clinic import class_sheets, class_ways, group_class, hand_out
    from rungwise.report import table

    book = _open_book(args)
    if not args.rung:
        ways = class_ways(book)
        cells = [("rung", "in a class"), *((n, "; ".join(r.rule for r in w)) for n, w in ways)]
        _print(args, [{"rung": n, "barred": w} for n, w in ways], lambda: table(cells))
        return DONE
    made = group_class(args.rung, book, args.people, args.minutes)
    day = args.today or date.today()
    stamp = _stamp(day)
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

    _print(args, made, text)
    return NONE if not made.exercises else NOT_ALL if made.left_out else DONE


def _code_of(args: argparse.Namespace) -> int:
    from rungwise.clinic import open_plan, write_plan_code
    from rungwise.report import home_report

    home = open_plan(args.plan)[0]
    told = {**vars(home), "number": home.number.hex(), "key": home.key.hex()}
    code = write_plan_code(home)
    _print(args, {"code": code, "plan": told}, lambda: f"{code}\n\n{home_report(home)}")
    return DONE


def _phone(args: argparse.Namespace) -> int:
    """One file for a patient; or a folder for a web host and what stands behind its address."""
    from rungwise.clinic import phone_file, phone_link, phone_site, write_file

    book, langs = _open_book(args), args.lang
    if args.out.suffix.lower() == ".html":
        if args.plan is None or len(langs) > 1:
            given = "no plan" if args.plan is None else ", ".join(langs)
            allowed = "a plan's folder, and one language at most"
            fault = Fault("plan" if args.plan is None else "lang", given, allowed, FILE_OR_FOLDER)
            raise InputError("command line", (fault,))
        made = phone_file(args.plan, book, *langs)
        path = write_file(args.out, made, args.replace)
        _print(args, {"written": [str(path)], "link": None}, lambda: f"Wrote {path}\n")
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

    _print(args, {"written": [*map(str, written)], "link": link}, text)
    return DONE


def _diary_read(args: argparse.Namespace) -> int:
    from rungwise.clinic import add_log_code

    path = Path(args.code)
    text = _read(path) if len(args.code) < MAX_NAME and path.is_file() else args.code
    return _taken(args, add_log_code(args.plan, text, args.today or date.today()))


def _diary_add(args: argparse.Namespace) -> int:
    from rungwise.clinic import add_paper, open_plan, read_entries, read_grid, read_week

    plans, version = open_plan(args.plan), None
    ways = [way for way in (args.on, args.week, args.grid) if way is not None]
    if len(ways) != 1 or (args.grid is None) != bool(args.entries):
        allowed = "--week N with rows, --on DAY with entries, or --grid FILE"
        fault = Fault("entries", "none or several", allowed, "Such as --on 2026-03-05 1=all/3/2")
        raise InputError("command line", (fault,))
    if args.grid is not None:
        sessions = read_grid(_read(args.grid), *plans)
    elif args.week is not None:
        version, sessions = read_week(args.entries, args.week, *plans)
    else:
        sessions = (read_entries(args.entries, args.on, *plans),)
    day, newest = args.today or date.today(), plans[0].version
    return _taken(args, add_paper(args.plan, sessions, day, version, newest))


def _taken(args: argparse.Namespace, taken: Taken) -> int:
    from rungwise.report import taken_report

    _print(args, taken, lambda: taken_report(taken))
    if not taken.locked:
        told = "this file system knows no locks; let one person at a time write to the diary"
        print(f"rungwise: {told}", file=sys.stderr)
    return NOT_ALL if taken.calls else DONE


def _diary_show(args: argparse.Namespace) -> int:
    from rungwise.clinic import open_plan, shown_days
    from rungwise.report import diary_report, home_report

    shown = shown_days(args.plan)
    home = open_plan(args.plan)[0]
    _print(args, shown, lambda: home_report(home) + "\n" + diary_report(shown))
    return DONE


def _decide(args: argparse.Namespace) -> int:
    """Advice for one plan; for several, who needs a look today and why."""
    from rungwise.clinic import blank_answers, decide_now
    from rungwise.report import decision_report

    folders = [*_plan_folders(args.plan)]
    if len(folders) != 1 or args.plan[0] != folders[0]:
        if args.exam is not None or args.out is not None:
            fault = Fault("plan", f"{len(folders)} plans", "one", "--exam and --out are for one.")
            raise InputError("command line", (fault,))
        return _decide_many(folders, args)
    book, today = _open_book(args), args.today or date.today()
    opened, _, made = decide_now(folders[0], book, today, _newer(args, book, today))
    if args.out is not None:
        _write_new(args.out, blank_answers(made, len(opened.plans)))
    told = "" if args.out is None else f"\nWrote {args.out}. Answer it, then: rungwise renew\n"
    _print(args, made, lambda: decision_report(made, opened.plan.edition) + told)
    return _decision_code(made)


def _plan_folders(given: Sequence[Path]) -> Iterator[Path]:
    for path in given:
        inside = [] if (path / "plan.json").exists() or not path.is_dir() else path.iterdir()
        found = sorted(p for p in inside if (p / "plan-code.txt").exists())
        yield from found or [path]


def _newer(args: argparse.Namespace, book: Evidence, today: date) -> Exam | None:
    from rungwise.clinic import read_exam

    return None if args.exam is None else read_exam(_read(args.exam), book, today)


def _decision_code(made: Decision) -> int:
    stopped = [line.outcome == "stop and call" for line in made.lines]
    return NONE if all(stopped) else NOT_ALL if made.calls else DONE


def _decide_many(folders: Sequence[Path], args: argparse.Namespace) -> int:
    """One line for each plan, those that need a call first; a faulty folder is told."""
    from rungwise.clinic import decide_now
    from rungwise.plain import to_json
    from rungwise.report import caseload_report

    book, today = _open_book(args), args.today or date.today()
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


def _renew(args: argparse.Namespace) -> int:
    from rungwise.clinic import renew_plan
    from rungwise.report import plan_report

    book, today = _open_book(args), args.today or date.today()
    plan, made, written = renew_plan(
        args.plan,
        book,
        today,
        _read(args.answers),
        _stamp(today),
        _newer(args, book, today),
        args.lang,
        args.paper,
        args.large,
    )
    listed = "".join(f"  {file}\n" for file in written if file.suffix != ".svg")
    _print(args, plan, lambda: plan_report(plan, book) + f"\nWrote\n{listed}")
    return _decision_code(made)


def _note(args: argparse.Namespace) -> int:
    from rungwise.clinic import keep_edited, note_of, write_file

    today = args.today or date.today()
    if args.keep is not None:
        version = keep_edited(args.plan, args.kind, today, _read(args.keep), args.by)
        _print(args, {"version": version}, lambda: f"Kept as version {version}.\n")
        return DONE
    if args.out is None and args.format in ("docx", "pdf"):
        fault = Fault("out", "nothing", "a file", f"Name one for {args.format}.")
        raise InputError("command line", (fault,))
    book = _open_book(args)
    made = note_of(
        args.plan,
        args.kind,
        book,
        args.format,
        today,
        _stamp(today),
        _newer(args, book, today),
        None if args.minutes is None else _read(args.minutes),
        args.by,
        args.paper,
    )
    if args.out is not None:
        path = write_file(args.out, made, args.replace)
        _print(args, {"written": str(path)}, lambda: f"Wrote {path}\n")
        return DONE
    text = made.decode()
    _print(args, {"note": text}, lambda: text)
    return DONE


def _change(args: argparse.Namespace) -> int:
    """What has changed; with a folder named, its charts too."""
    from rungwise.clinic import change_files, changes_now, read_exam, told_change

    book, today = _open_book(args), args.today or date.today()
    exams: dict[str, Exam] = {}
    faults: list[Fault] = []
    for path in args.exam:
        try:
            exams[str(path)] = read_exam(_read(path), book, today)
        except InputError as error:
            faults += [dataclasses.replace(f, field=f"{path}: {f.field}") for f in error.faults]
    if faults:
        raise InputError("examinations", tuple(faults))
    found = changes_now(args.plan, book, today, exams, args.phase, args.target)
    written = [] if args.out is None else change_files(found, args.out, args.replace)
    listed = "".join(f"  {path}\n" for path in written)
    _print(
        args, found, lambda: told_change(found, args.why) + (f"\nWrote\n{listed}" if listed else "")
    )
    return DONE


def _own_error(args: argparse.Namespace) -> int:
    from rungwise.clinic import own_error_now

    book, today = _open_book(args), args.today or date.today()
    text = _read(args.pairs)
    facts, told = own_error_now(text, args.row, book, today, args.who.strip(), args.estimate)
    if args.out is not None:
        if facts["overrides"] is None:
            fault = Fault("out", str(args.out), "an error that may be used", str(facts["refused"]))
            raise InputError("clinic's own error", (fault,))
        _write_new(args.out, str(facts["overrides"]))
        told += f"Wrote {args.out}. Use it with: --overrides {args.out}\n"
    _print(args, facts, lambda: told)
    return DONE


def _score(args: argparse.Namespace) -> int:
    from rungwise.clinic import score_now, told_forms

    book = _open_book(args)
    if args.form is None:
        facts, told = told_forms(book)
    else:
        facts, told = score_now(args.form, args.items, book, args.score, args.before)
    _print(args, facts, lambda: told)
    return DONE


def _units(args: argparse.Namespace) -> int:
    from rungwise.clinic import units_now

    facts, told = units_now(args.timed, args.untimed, _open_book(args))
    _print(args, facts, lambda: told)
    return DONE


def _advise(args: argparse.Namespace) -> int:
    from rungwise.clinic import measure_again

    facts, told = measure_again(args.kind, _open_book(args), args.before)
    _print(args, facts, lambda: told)
    return DONE


def _pages(args: argparse.Namespace) -> int:
    from rungwise.web.serve import serve

    serve(args.data, args.port, not args.no_browser)
    return DONE


def _write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet."""
    from rungwise.clinic import write_file

    write_file(path, text.encode(), can_replace=False)


def _plan(args: argparse.Namespace) -> int:
    paths = list(_exam_paths(args.exam))
    if len(paths) == 1 and not args.exam[0].is_dir():
        result = _plan_one(paths[0], args.out, args)
        sys.stdout.write(result.text)
        return result.code
    return _plan_many(paths, args)


def _exam_paths(given: Sequence[Path]) -> Iterator[Path]:
    for path in given:
        if path.is_dir():
            yield from sorted(path.glob("*.toml"))
        else:
            yield path


class _Result(NamedTuple):
    """What one examination came to, light enough to come back from another process."""

    code: int
    line: tuple[str, ...]
    text: str = ""


def _plan_one(path: Path, out: Path, args: argparse.Namespace, told: bool = True) -> _Result:
    """Plan one examination and write its sheets; ``told`` asks for what is printed, too."""
    from rungwise.clinic import hand_over, make_plan, read_exam, read_pins
    from rungwise.plain import to_json
    from rungwise.report import plan_report

    book = _kept_book(args.overrides)
    today = args.today or date.today()
    exam = read_exam(_read(path), book, today)
    pins = read_pins(_read(args.pins), book) if args.pins else ()
    plan = make_plan(exam, book, today, pins, args.insist)
    written: list[Path] = []
    if not args.no_sheets:
        stamp = _stamp(today)
        style = (args.lang, args.paper, args.large)
        written = hand_over(plan, book, out, stamp, *style, args.replace, args.phone)
    code, line = _plan_code(plan), _plan_line(plan, path)
    if not told:
        return _Result(code, line)
    if args.json:
        return _Result(code, line, to_json(plan))
    listed = "".join(f"  {file}\n" for file in written if file.suffix != ".svg")
    return _Result(code, line, plan_report(plan, book) + (f"\nWrote\n{listed}" if listed else ""))


_BOOKS: dict[Path | None, Any] = {}


def _kept_book(overrides: Path | None) -> Evidence:
    """The book, read once a process."""
    if overrides not in _BOOKS:
        _BOOKS[overrides] = _open_book(argparse.Namespace(overrides=overrides))
    book: Evidence = _BOOKS[overrides]
    return book


def _plan_code(plan: Plan) -> int:
    return NONE if not plan.exercises else _code(plan.screening)


def _plan_line(plan: Plan, path: Path) -> tuple[str, ...]:
    from rungwise.core.terms import SIDES

    grades = " ".join(
        str(plan.grades[s].value if plan.grades[s].value is not None else "-") for s in SIDES
    )
    outcomes = " ".join(plan.screening.of(side).outcome for side in SIDES)
    families = dict.fromkeys(e.family.replace("_", " ") for e in plan.exercises)
    minutes = "-" if plan.session is None else f"{plan.session.seconds / 60:.0f}"
    return (path.stem, outcomes, grades, ", ".join(families) or "none", minutes)


HEADING = ("examination", "screen right left", "grade right left", "exercises", "minutes")


def _plan_many(paths: Sequence[Path], args: argparse.Namespace) -> int:
    """Plan many examinations side by side; a faulty one is told and the others go on."""
    from rungwise.plain import to_json
    from rungwise.report import table

    if not paths:
        fault = Fault("exam", "no file", "at least one .toml file", "Check the folder.")
        raise InputError("command line", (fault,))
    stems = [path.stem.casefold() for path in paths]
    twice = sorted({stem for stem in stems if stems.count(stem) > 1})
    if twice:
        fault = Fault("exam", ", ".join(twice), "different file names", "Rename one of each.")
        raise InputError("command line", (fault,))
    work = partial(_try_one, args=args)
    jobs = args.jobs or min(len(paths), _cores())
    rows: list[tuple[str, ...]] = []
    faults: list[str] = []
    codes: list[int] = []
    with _Progress(len(paths)) as progress:
        for path, (result, error) in zip(paths, _mapped(work, paths, jobs), strict=True):
            progress.step()
            if result is None:
                faults.append(f"{path}: {error}")
            else:
                rows.append(result.line)
                codes.append(result.code)
    if args.json:
        named = [dict(zip(HEADING, row, strict=True)) for row in rows]
        sys.stdout.write(to_json({"plans": named, "faults": faults}))
    elif rows:
        sys.stdout.write(table([HEADING, *rows]))
    for fault_text in faults:
        print(f"rungwise: {fault_text}", file=sys.stderr)
    return BAD_INPUT if faults else NOT_ALL if any(codes) else DONE


def _mapped(
    work: Callable[[Path], tuple[_Result | None, str]], paths: Sequence[Path], jobs: int
) -> Iterator[tuple[_Result | None, str]]:
    if jobs <= 1:
        yield from map(work, paths)
        return
    # Started afresh, alike on every system: a fork beside running threads may hang.
    with ProcessPoolExecutor(jobs, get_context("spawn"), _settle) as pool:
        yield from pool.map(work, paths, chunksize=max(1, min(16, len(paths) // (4 * jobs))))


def _settle() -> None:
    """What is loaded once stays out of the collector's way."""
    gc.collect()
    gc.freeze()


def _try_one(path: Path, args: argparse.Namespace) -> tuple[_Result | None, str]:
    try:
        return _plan_one(path, args.out / path.stem, args, told=False), ""
    except RungwiseError as error:
        return None, str(error)


def _cores() -> int:
    return os.cpu_count() or 1


class _Progress:
    """A line that counts, on a terminal only, once a second has passed."""

    def __init__(self, total: int) -> None:
        self.total, self.done = total, 0
        self.began = self.shown = datetime.now(UTC)
        self.live = sys.stderr.isatty()

    def __enter__(self) -> _Progress:
        return self

    def step(self) -> None:
        self.done += 1
        now = datetime.now(UTC)
        if (now - self.began).total_seconds() > 1 and (now - self.shown).total_seconds() > 0.2:
            self.shown = now
            end, start = ("", "\r") if self.live else ("\n", "")
            if self.live or self.done == self.total or self.done % 100 == 0:
                print(f"{start}{self.done} of {self.total}", end=end, file=sys.stderr, flush=True)

    def __exit__(self, *_: object) -> None:
        if self.live and self.shown != self.began:
            print(file=sys.stderr)


def _demo(args: argparse.Namespace) -> int:
    """Every demo person: examination, plan, sheets; then the table and what to open."""
    from rungwise.clinic import demo_exams, make_plan, read_exam, sheets, write_folder
    from rungwise.plain import to_json
    from rungwise.report import table

    book = _open_book(args)
    rows: list[tuple[str, ...]] = []
    content: dict[str, bytes] = {}
    for name, text in demo_exams().items():
        exam = read_exam(text, book)
        plan = make_plan(exam, book, exam.on)
        stamp = _stamp(exam.on)
        content[f"{name}/examination.toml"] = text.encode()
        for file, data in sheets(
            plan, book, stamp, args.lang, args.paper, args.large, phone=True
        ).items():
            content[f"{name}/{file}"] = data
        rows.append(_plan_line(plan, Path(name)))
    named = [dict(zip(HEADING, row, strict=True)) for row in rows]
    content["plans.json"] = to_json(named).encode()
    written = write_folder(args.out, content, args.replace)
    if args.json:
        sys.stdout.write(to_json(named))
        return DONE
    sys.stdout.write(table([HEADING, *rows]))
    for heading, name in (
        ("Invented people. Open first:", "programme.pdf"),
        ("For those without a programme:", "not-now.pdf"),
        ("Why each line stands there, or why there is none:", "reasons.txt"),
    ):
        print(f"\n{heading}")
        for path in written:
            if path.name == name:
                print(f"  {path}")
    return DONE
