"""The words of the command line, and which command each one runs."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rungwise.cli import asked, back, first, home, measure, planning

if TYPE_CHECKING:
    pass

__all__ = ["build_parser"]


FIRST_YEAR, LAST_YEAR, MOST_JOBS, MOST_DAYS = 2000, 2200, 64, 1000


LAST_PORT = 65535


EPILOG = """\
exit codes: 0 done; 2 wrong command line; 3 bad input, for which nothing is written;
10 done, but one foot has no programme or only its unloaded parts, a class leaves a rung out, or a
patient must be called; 11 done, and no programme or no class; 130 stopped by Ctrl-C.
For licensed physical therapists, who decide. Not for emergencies. Not cleared or approved by any
authority; regulatory status not assessed. No trial has tested programmes made by this software."""


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


def build_parser() -> argparse.ArgumentParser:
    """The parser of the command line."""
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

    demo = command("demo", planning.demo, "run the whole job on invented people")
    demo.add_argument("--out", type=Path, default=Path("demo"), help="folder to write (demo)")
    demo.add_argument("--replace", action="store_true", help="replace an earlier demo")
    _sheet_options(demo)

    exam = commands.add_parser("exam", help="write a blank examination, or check one")
    parts = exam.add_subparsers(required=True, metavar="COMMAND")
    new = command("new", first.exam_new, "write a commented blank", parts)
    new.add_argument("--out", type=Path, help="file to write; by default it is printed")
    check = command("check", first.exam_check, "list every fault of an examination", parts)
    check.add_argument("exam", type=Path, help="examination (TOML)")
    command("schema", first.exam_schema, "print the JSON Schema of an examination", parts)

    for name, run, help_text in (
        ("screen", first.screen, "screen an examination: refer, hold, review, careful, go"),
        ("grade", first.grade, "grade both joints, with both components and the uncertainty"),
        ("ladder", first.ladder, "list every rung for this person's feet"),
    ):
        made = command(name, run, help_text)
        made.add_argument("exam", type=Path, help="examination (TOML)")
        if name == "ladder":
            made.add_argument("--family", help="one family only")
            made.add_argument("--side", choices=("right", "left"), help="one foot only")

    plan = command("plan", planning.plan, "make the programme and its sheets")
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

    code = command("code", home.code, "print the plan code of a plan, and what it says")
    code.add_argument("plan", type=Path, help="folder written by: rungwise plan")

    phone = command("phone", home.phone, "make the page for the phone: one file, or for a web host")
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
    read = command("read", home.diary_read, "take in a log code from the phone page", ways)
    read.add_argument("code", help="the code, or a file that holds it")
    add = command("add", home.diary_add, "type in the paper diary", ways)
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
    show = command("show", home.diary_show, "show the diary", ways)
    for one in (read, add, show):
        one.add_argument("--plan", type=Path, required=True, help="folder of the plan")

    decide = command("decide", back.decide, "hear back: what comes next for each exercise, and why")
    decide.add_argument(
        "plan", type=Path, nargs="+", help="folders of plans, or a folder that holds them"
    )
    decide.add_argument("--exam", type=Path, metavar="FILE", help="a newer examination (TOML)")
    decide.add_argument("--out", type=Path, metavar="FILE", help="file to answer in")

    renew = command("renew", back.renew, "make the next version of a plan from your answers")
    renew.add_argument("plan", type=Path, help="folder of the plan")
    renew.add_argument("--answers", type=Path, required=True, metavar="FILE", help="answers (TOML)")
    renew.add_argument("--exam", type=Path, metavar="FILE", help="a newer examination (TOML)")
    _sheet_options(renew)

    note = command("note", back.note, "write a note for the record, blanks shown as blanks")
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
    note.add_argument("--lang", choices=("en", "es"), default="en", help="language (en)")

    change = command(
        "change", back.change, "what has changed since the first examination, and by how much"
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
        help="a value to be reached by a day (= or >= or <=); may be given again",
    )
    change.add_argument("--why", action="store_true", help="every reason, not only of what moved")
    change.add_argument("--out", type=Path, metavar="DIR", help="folder for text, JSON and charts")
    change.add_argument("--replace", action="store_true", help="replace an earlier one there")

    own = command(
        "own-error", asked.own_error, "the clinic's own error, from two readings of 10 feet"
    )
    own.add_argument("pairs", type=Path, help="CSV: foot,first,second,days_apart")
    own.add_argument(
        "--row",
        default="rom.sem.nonweightbearing_passive.goniometer.same_rater",
        help="row of the book for which it stands (goniometer, passive, one person)",
    )
    own.add_argument("--who", default="", help="who decides; for --out")
    own.add_argument("--estimate", action="store_true", help="take it, not its cautious end")
    own.add_argument("--out", type=Path, metavar="FILE", help="file for --overrides (TOML)")

    score = command("score", asked.score, "score a questionnaire, and judge its change")
    score.add_argument("form", nargs="?", help="which form; none lists them all")
    score.add_argument("items", nargs="*", metavar="ITEM", help="points; - is not answered")
    score.add_argument("--score", type=float, help="a score that you have counted, without items")
    score.add_argument("--before", type=float, metavar="SCORE", help="the earlier score")

    units = command(
        "units", asked.units, "US timed minutes to units, both ways; not billing advice"
    )
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

    advise = command("advise", asked.advise, "when to measure again, and how often")
    advise.add_argument("kind", nargs="?", help="one way of reading; none lists them all")
    advise.add_argument("--before", type=_count, metavar="N", help="days already read before")

    aids = commands.add_parser("measure", help="measuring aids: photographs, stance, repetitions")
    seen = aids.add_subparsers(required=True, metavar="COMMAND")
    pictured = command("photo", measure.photo, "the bend of the big toe from photographs", seen)
    measure.photo_options(pictured)
    stood = command("stance", measure.stance, "describe a trial of quiet stance", seen)
    measure.column_option(stood)
    stood.add_argument(
        "--of",
        choices=("pressure", "plate", "acceleration"),
        default="pressure",
        help="what was recorded (pressure)",
    )
    stood.add_argument("--surface", choices=("firm", "foam"), default="", help="what was stood on")
    stood.add_argument("--eyes", choices=("open", "closed"), default="", help="eyes")
    stood.add_argument("--ap", choices=("x", "y"), default="", help="plate: axis from heel to toe")
    stood.add_argument(
        "--thickness-mm", type=float, default=0.0, metavar="MM", help="plate: up to the surface (0)"
    )
    stood.add_argument(
        "--as-authors",
        action="store_true",
        help="as Santos and Duarte 2016, nothing filtered",
    )
    counted = command("reps", measure.reps, "count and time heel raises", seen)
    measure.column_option(counted)
    counted.add_argument(
        "--any-movement", action="store_true", help="any repeated movement, by its rhythm"
    )
    captured = command("page", measure.page, "make the page that measures with a phone", seen)
    captured.add_argument(
        "--out", type=Path, required=True, metavar="FILE.html", help="file to write"
    )
    captured.add_argument("--lang", default="en", help="language of the page (en)")
    captured.add_argument("--replace", action="store_true", help="replace an earlier page")

    group = command("class", home.class_for, "make what a class needs, without a patient")
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
        "open", asked.pages, "open the clinic's pages: on this computer, or for several machines"
    )
    opened.add_argument("--data", type=Path, metavar="DIR", help="folder of the records")
    opened.add_argument("--port", type=_port, default=0, metavar="N", help="port (a free one)")
    opened.add_argument("--no-browser", action="store_true", help="do not open the browser")
    several = opened.add_argument_group(
        "several machines", "everybody signs in by name then; see docs/clinic.md"
    )
    several.add_argument(
        "--serve-as", action="append", default=[], metavar="NAME", help="name that browsers ask for"
    )
    several.add_argument(
        "--address", default="127.0.0.1", metavar="IP", help="address to serve at (127.0.0.1)"
    )
    several.add_argument(
        "--certificate", type=Path, metavar="FILE", help="certificate for HTTPS, with its chain"
    )
    several.add_argument(
        "--certificate-key", type=Path, metavar="FILE", help="key of the certificate"
    )
    several.add_argument(
        "--behind-proxy", action="store_true", help="a proxy on this computer ends HTTPS"
    )
    several.add_argument(
        "--records",
        default="",
        metavar="URL",
        help="PostgreSQL database, or a file that holds its URL (RUNGWISE_RECORDS)",
    )
    several.add_argument(
        "--passphrase-file", type=Path, metavar="FILE", help="start without asking for it"
    )

    book = command("book", first.book, "print a row of the evidence book, its source and its uses")
    book.add_argument("key", nargs="?", help="key of a row, or the beginning of keys")
    return parser


def _sheet_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--lang", help="language of the patient's sheets (the person's own)")
    parser.add_argument("--paper", choices=("a4", "us-letter"), default="a4", help="paper (a4)")
    parser.add_argument("--large", action="store_true", help="large print")
