"""The command line: read arguments, call the clinic, print. No clinical branch stands here."""

from __future__ import annotations

import argparse
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
    from rungwise.core.terms import Exam, Plan, Screening

__all__ = ["main"]

DONE, BAD_INPUT, NOT_ALL, NONE = 0, 3, 10, 11
#: Longer texts are no file names.
MAX_NAME = 200
FIRST_YEAR, LAST_YEAR, MOST_JOBS = 2000, 2200, 64
EPILOG = """\
exit codes: 0 done; 2 wrong command line; 3 bad input, for which nothing is written;
10 done, but one foot has no programme or only its unloaded parts; 11 done, and no programme.
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


def _jobs(text: str) -> int:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= MOST_JOBS:
        return int(text)
    raise argparse.ArgumentTypeError(f"1 to {MOST_JOBS}")


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

    diary = commands.add_parser("diary", help="take in what was done at home, and show it")
    ways = diary.add_subparsers(required=True, metavar="COMMAND")
    read = command("read", _diary_read, "take in a log code from the phone page", ways)
    read.add_argument("code", help="the code, or a file that holds it")
    add = command("add", _diary_add, "type in the paper diary", ways)
    add.add_argument("entries", nargs="*", metavar="LINE=DONE[:WHY][/DURING[/MORNING]]")
    add.add_argument("--on", type=_day, metavar="DAY", help="the day of the entries")
    add.add_argument("--grid", type=Path, help="many days as CSV instead: day,line,done,…")
    show = command("show", _diary_show, "show the diary", ways)
    for one in (read, add, show):
        one.add_argument("--plan", type=Path, required=True, help="folder of the plan")

    group = command("class", _class, "make the sheet and captions of a class, without a patient")
    group.add_argument(
        "rung", nargs="*", metavar="RUNG[=DOSE]", help="family:notch/notch; none lists them all"
    )
    group.add_argument("--minutes", type=float, help="time given; by default what it takes")
    group.add_argument("--people", type=int, default=8, help="how many take part (8)")
    group.add_argument("--out", type=Path, default=Path("class"), help="folder to write (class)")
    group.add_argument("--lang", default="en", help="language of the sheet (en)")
    group.add_argument("--paper", choices=("a4", "us-letter"), default="a4", help="paper (a4)")

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
    try:
        with args.out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        remedy = error.strerror or str(error)
        fault = Fault("out", str(args.out), "a file that is not there yet", remedy)
        raise InputError("output", (fault,)) from None
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
    from rungwise.clinic import class_sheets, class_ways, group_class, write_folder
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
        written = write_folder(args.out, class_sheets(made, book, stamp, args.lang, args.paper))

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


def _diary_read(args: argparse.Namespace) -> int:
    from rungwise.clinic import add_log_code

    path = Path(args.code)
    text = _read(path) if len(args.code) < MAX_NAME and path.is_file() else args.code
    log = add_log_code(args.plan, text, args.today or date.today())
    days = [session.on for session in log.sessions]
    value = {"part": log.part, "days": days}
    _print(args, value, lambda: f"Taken in: part {log.part}, {len(days)} days.\n")
    return DONE


def _diary_add(args: argparse.Namespace) -> int:
    from rungwise.clinic import add_paper, open_plan, read_entries, read_grid

    plan = open_plan(args.plan)[0]
    if (args.grid is None) == (not args.entries) or (args.entries and args.on is None):
        allowed = "entries with --on DAY, or --grid FILE"
        fault = Fault("entries", "neither or both", allowed, "Such as --on 2026-03-05 1=all/3/2")
        raise InputError("command line", (fault,))
    if args.grid is not None:
        sessions = read_grid(_read(args.grid), plan)
    else:
        sessions = (read_entries(args.entries, args.on, plan),)
    log = add_paper(args.plan, sessions, args.today or date.today())
    days = [session.on for session in log.sessions]
    _print(args, {"part": log.part, "days": days}, lambda: f"Taken in: {len(days)} day(s).\n")
    return DONE


def _diary_show(args: argparse.Namespace) -> int:
    from rungwise.clinic import open_plan, shown_days
    from rungwise.report import diary_report, home_report

    shown = shown_days(args.plan)
    home = open_plan(args.plan)[0]
    _print(args, shown, lambda: home_report(home) + "\n" + diary_report(shown))
    return DONE


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
