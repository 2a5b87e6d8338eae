"""Commands of the measuring aids: stance and repetitions from a recording."""

from __future__ import annotations

import argparse
from pathlib import Path

from rungwise.cli.shared import DONE, book_for, put, read_bytes

__all__ = ["column_option", "reps", "stance"]

MOST = 20_000_000


def stance(args: argparse.Namespace) -> int:
    """Describe a trial of quiet stance; returns the exit code."""
    from rungwise.clinic import stance_now

    facts, told = stance_now(
        read_bytes(args.file, MOST),
        args.column,
        book_for(args),
        args.of,
        args.as_authors,
        args.surface,
        args.eyes,
        args.ap,
        args.thickness_mm,
    )
    put(args, facts, lambda: told)
    return DONE


def reps(args: argparse.Namespace) -> int:
    """Count heel raises or any repeated movement; returns the exit code."""
    from rungwise.clinic import reps_now

    data = read_bytes(args.file, MOST)
    facts, told = reps_now(data, args.column, book_for(args), args.any_movement)
    put(args, facts, lambda: told)
    return DONE


def column_option(parser: argparse.ArgumentParser) -> None:
    """Add the file of a recording and the option that names its columns."""
    parser.add_argument("file", type=Path, help="recording (CSV)")
    parser.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="ROLE=COLUMN[unit]",
        help="which column is which, where their names are not ours; may be given again",
    )
