"""Go through every state that the rules of progress can be in, and check what must hold.

Run it as ``python proof/prove.py`` (``make prove``): it prints the states visited and the
violations, and writes ``docs/proof.md``. ``--reduced`` takes fewer levels and kinds of feet, as the
tests of every day do. The exit code is 1 when anything is violated.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from proof.course import (  # noqa: E402
    prove_diaries,
    prove_renewal,
    prove_screens,
    prove_usual,
    prove_weeks,
)
from proof.ladders import Count, prove_steps  # noqa: E402
from proof.oracle import STRICTER, compare  # noqa: E402
from proof.rules import Found, grids, prove_rules  # noqa: E402
from rungwise.book import load_book  # noqa: E402
from tests.factory import make_exam  # noqa: E402

__all__ = ["Part", "main", "parts", "prove"]

PAGE = ROOT / "docs" / "proof.md"
#: The plain rules are slow; the reduced proof takes each so-manieth state only.
EVERY = 13


@dataclass(frozen=True)
class Part:
    """One part of the proof: what was gone through, what came out, how long it took [s]."""

    name: str
    states: int
    found: list[Found]
    seconds: float
    examples: dict[str, str]
    alone: dict[str, int]


def parts(reduced: bool) -> list[tuple[str, str]]:
    """The parts, the longest first, each as (kind, which).

    Parameters
    ----------
    reduced : bool
        As for :func:`prove`.
    """
    families = sorted(load_book().families, key=lambda name: name not in ("balance", "heel_raise"))
    return [
        *(("steps", name) for name in families[:2]),
        *(("rules", str(i)) for i in range(len(grids(reduced)))),
        ("oracle", ""),
        *(("steps", name) for name in families[2:]),
        ("course", ""),
    ]


def prove(kind: str, which: str, reduced: bool) -> Part:
    """Prove one part.

    Parameters
    ----------
    kind, which : str
        As :func:`parts` lists them.
    reduced : bool
        Whether fewer levels and kinds of feet are enough.
    """
    began, book, exam = time.perf_counter(), load_book(), make_exam()
    count, alone = Count(), dict[str, int]()
    if kind == "rules":
        grid = grids(reduced)[int(which)]
        name, states, found = f"rules: {grid.name}", grid.size, prove_rules(book, grid)
    elif kind == "oracle":
        found, alone = compare(book, EVERY if reduced else 1)
        name, states = "the rules written twice", found[0].states
    else:
        if kind == "steps":
            count = prove_steps(exam, book, reduced, [which])
        else:
            prove_diaries(exam, book, reduced, count)
            prove_usual(exam, book, count)
            prove_weeks(exam, book, count)
            prove_screens(exam, book, count)
            prove_renewal(exam, book, reduced, count)
        name = f"steps: {which.replace('_', ' ')}" if which else "diary, screen and next version"
        states, found = count.states, count.results(name)
    return Part(name, states, found, time.perf_counter() - began, count.examples, alone)


def _told(job: tuple[str, str, bool]) -> Part:
    return prove(*job)


def together(found: Sequence[Part]) -> list[Found]:
    """Each property once, over all parts.

    Parameters
    ----------
    found : sequence of Part
        Every part.
    """
    rows: dict[str, list[int]] = {}
    for one in (f for part in found for f in part.found):
        row = rows.setdefault(one.says, [0, 0])
        row[0] += one.states
        row[1] += one.violations
    return [Found(says, "", n, bad) for says, (n, bad) in rows.items()]


def page(found: Sequence[Part], seconds: float, reduced: bool) -> Iterator[str]:
    """The page, line by line.

    Parameters
    ----------
    found : sequence of Part
        Every part.
    seconds : float
        Time in all [s].
    reduced : bool
        Whether it was the reduced run.
    """
    states = sum(part.states for part in found)
    bad = sum(one.violations for one in together(found))
    fewer = "The reduced run, with fewer levels, rungs and kinds of feet than the full one"
    which = fewer if reduced else "The full run"
    yield HEAD.format(states=states, bad=bad, minutes=seconds / 60, which=which)
    yield "| gone through | states | time |\n|---|---|---|\n"
    for part in found:
        yield f"| {part.name} | {part.states:,} | {part.seconds:.0f} s |\n"
    yield "\n## What holds\n\n| property | looks | violations |\n|---|---|---|\n"
    for one in together(found):
        yield f"| {one.says} | {one.states:,} | {one.violations} |\n"
    yield STRICT
    alone = next(part.alone for part in found if part.alone)
    for name, (answer, why) in STRICTER.items():
        yield f"| {name} | {answer} | {why} | {alone[name]:,} |\n"
    yield LIMITS


HEAD = """\
<!-- written by proof/prove.py; do not edit -->

# What the rules of progress can never do

Written by `make prove`, which goes through all states, not through samples: every level at and on
both sides of every limit, every rung of every exercise, and what is not known. All of it runs
through the code that decides in the clinic. {which}: **{states:,} states, {bad} violations**, in
{minutes:.1f} minutes. A reduced run is among the tests.

"""
STRICT = """
## Where it is stricter than the text

The rules were written a second time, in plain Python, from the text of the evidence notes (pain
during, next morning and from week to week as restated from NEMEX; missed sessions and one change a
week from common practice). The program is never bolder. Where it is stricter, it is so on purpose;
the last column counts the states in which this rule alone makes it so.

| stricter rule | answer at most | the text | states |
|---|---|---|---|
"""
LIMITS = """
## What is not claimed

- *More pain never gives a bolder answer* holds at given pain as usual. Pain as usual is the lower
  of the examination's and the median of the week's ratings before exercise: a rating before it can
  lower it and so hold back; no rating lifts it above the examination's.
- A mean can fall, and a flare be missed, when a day is not rated. The last three sessions must all
  be rated, on pain during and next morning; an earlier one since the last decision, on pain during.
- A week before that was less sore lowers sooner: from 1 to 3 is a rise, from 3 to 3 is none. The
  week before counts as pain as usual at most.
- A notch whose kit is not at home, or that does not fit the joint, is passed over, so a person
  without a weight goes from the seat to the counter at once. A gate is never passed over, and the
  load rises by one tier at most.
- The therapist's own choice may go beyond all of it but the screen, and then says so.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run it; returns the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--reduced", action="store_true", help="fewer levels and kinds of feet")
    parser.add_argument("--write", action="store_true", help="write the page of a reduced run, too")
    parser.add_argument("--jobs", type=int, default=2, help="processes (2)")
    args = parser.parse_args(argv)
    began, found = time.perf_counter(), []
    jobs = [(kind, which, args.reduced) for kind, which in parts(args.reduced)]
    with ProcessPoolExecutor(args.jobs, get_context("spawn")) as pool:
        for part in pool.map(_told, jobs):
            found.append(part)
            bad = sum(one.violations for one in part.found)
            sys.stdout.write(
                f"{part.name}: {part.states:,} states, {bad} violations, {part.seconds:.0f} s\n"
            )
            for says, example in part.examples.items():
                sys.stdout.write(f"  broken: {says}: {example}\n")
            sys.stdout.flush()
    seconds = time.perf_counter() - began
    broken = [one for one in together(found) if one.violations]
    for one in broken:
        sys.stdout.write(f"broken in {one.violations:,} of {one.states:,}: {one.says}\n")
    states = sum(part.states for part in found)
    total = sum(one.violations for one in broken)
    sys.stdout.write(f"{states:,} states, {total:,} violations, {seconds:.0f} s\n")
    if args.write or not args.reduced:
        PAGE.write_text("".join(page(found, seconds, args.reduced)), "utf-8")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
