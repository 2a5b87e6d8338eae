"""Commands that make plans: one, many side by side, and the demo."""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, date, datetime
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from rungwise.cli.shared import (
    BAD_INPUT,
    DONE,
    NONE,
    NOT_ALL,
    book_for,
    read_text,
    screen_code,
    stamp_of,
)
from rungwise.core.errors import Fault, InputError, RungwiseError

if TYPE_CHECKING:
    from rungwise.core.evidence import Evidence
    from rungwise.core.terms import Plan

__all__ = ["demo", "plan"]


HEADING = ("examination", "screen right left", "grade right left", "exercises", "minutes")


def plan(args: argparse.Namespace) -> int:
    """Make plans and their sheets; returns the exit code."""
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
    exam = read_exam(read_text(path), book, today)
    pins = read_pins(read_text(args.pins), book) if args.pins else ()
    plan = make_plan(exam, book, today, pins, args.insist)
    written: list[Path] = []
    if not args.no_sheets:
        stamp = stamp_of(today)
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
        _BOOKS[overrides] = book_for(argparse.Namespace(overrides=overrides))
    book: Evidence = _BOOKS[overrides]
    return book


def _plan_code(plan: Plan) -> int:
    return NONE if not plan.exercises else screen_code(plan.screening)


def _plan_line(plan: Plan, path: Path) -> tuple[str, ...]:
    from rungwise.core.terms import SIDES

    grades = " ".join(
        str(plan.grades[s].value if plan.grades[s].value is not None else "-") for s in SIDES
    )
    outcomes = " ".join(plan.screening.of(side).outcome for side in SIDES)
    families = dict.fromkeys(e.family.replace("_", " ") for e in plan.exercises)
    minutes = "-" if plan.session is None else f"{plan.session.seconds / 60:.0f}"
    return (path.stem, outcomes, grades, ", ".join(families) or "none", minutes)


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


def demo(args: argparse.Namespace) -> int:
    """Every demo person: examination, plan, sheets; then the table and what to open."""
    from rungwise.clinic import demo_exams, make_plan, read_exam, sheets, write_folder
    from rungwise.plain import to_json
    from rungwise.report import table

    book = book_for(args)
    rows: list[tuple[str, ...]] = []
    content: dict[str, bytes] = {}
    for name, text in demo_exams().items():
        exam = read_exam(text, book)
        plan = make_plan(exam, book, exam.on)
        stamp = stamp_of(exam.on)
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
