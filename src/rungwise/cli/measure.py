"""Commands of the measuring aids: photographs, recordings of stance and repetitions, the page."""

from __future__ import annotations

import argparse
from pathlib import Path

from rungwise.cli.shared import DONE, NONE, NOT_ALL, book_for, put, read_bytes

__all__ = ["column_option", "page", "photo", "photo_options", "reps", "stance"]

MOST = 20_000_000
SIDE_MOST, LONGEST_MM = 100_000, 5_000
Place = tuple[float, float]


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


def page(args: argparse.Namespace) -> int:
    """Write the page that measures with a phone; returns the exit code."""
    from rungwise.clinic import capture_file, write_file

    path = write_file(args.out, capture_file(book_for(args), args.lang), args.replace)
    put(args, {"written": [str(path)]}, lambda: f"Wrote {path}\n")
    return DONE


def photo(args: argparse.Namespace) -> int:
    """Measure the bend of the big toe on photographs; returns the exit code."""
    from rungwise.clinic import Clicked, photo_now, write_file

    def clicked(marks: list[tuple[str, Place]], corners: list[Place] | None) -> Clicked | None:
        return Clicked(dict(marks), tuple(corners or ())) if marks or corners else None

    files = [(path.name, read_bytes(path, MOST)) for path in args.file]
    flat = None if args.flat is None else (args.flat.name, read_bytes(args.flat, MOST))
    facts, told, pictures = photo_now(
        files,
        args.side,
        book_for(args),
        clicked(args.mark, args.corners),
        flat,
        clicked(args.flat_mark, None),
        args.focal,
        args.heel_to_mtp_mm,
        args.overlay is not None,
    )
    if args.overlay is not None:
        for number, picture in enumerate(pictures, 1):
            name = args.overlay
            if len(pictures) > 1:
                name = name.with_name(f"{name.stem}-{number}.png")
            write_file(name, picture, can_replace=False)
    put(args, facts, lambda: told)
    if facts["together"] is None:
        return NONE
    return NOT_ALL if "not measured" in told else DONE


def photo_options(parser: argparse.ArgumentParser) -> None:
    """Add the photographs, and where marks and corners were clicked on them."""
    parser.add_argument("file", type=Path, nargs="+", help="photographs of one position")
    parser.add_argument(
        "--side", choices=("right", "left"), required=True, help="which foot, from its inner side"
    )
    parser.add_argument(
        "--mark",
        type=_mark,
        action="append",
        default=[],
        metavar="NAME=X,Y",
        help="a mark in pixels in place of coloured dots: heel, shaft_back, shaft_front, joint, "
        "phalanx, tip; may be given again",
    )
    parser.add_argument(
        "--corners",
        type=_place,
        nargs=4,
        metavar="X,Y",
        help="corners of the card in pixels, where its sides would meet, going round",
    )
    parser.add_argument(
        "--flat", type=Path, metavar="FILE", help="photograph of flat standing: count from it"
    )
    parser.add_argument(
        "--flat-mark",
        type=_mark,
        action="append",
        default=[],
        metavar="NAME=X,Y",
        help="a mark on that photograph",
    )
    parser.add_argument(
        "--focal",
        type=_above_zero,
        metavar="MM",
        help="focal length for 35 mm film, where the picture does not say it",
    )
    parser.add_argument(
        "--heel-to-mtp-mm",
        type=_above_zero,
        metavar="MM",
        help="heel to joint as measured: a check of the card's plane",
    )
    parser.add_argument(
        "--overlay", type=Path, metavar="PNG", help="write the picture with what was measured"
    )


def _place(text: str) -> Place:
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError("write a place in pixels such as 1204,988") from None
    if not (0 <= x < SIDE_MOST and 0 <= y < SIDE_MOST):
        raise argparse.ArgumentTypeError("a place in pixels from the upper left corner")
    return x, y


def _mark(text: str) -> tuple[str, Place]:
    name, sign, at = text.partition("=")
    if not sign or not name.isidentifier():
        raise argparse.ArgumentTypeError("write a mark such as joint=1204,988")
    return name, _place(at)


def _above_zero(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < LONGEST_MM:
        raise argparse.ArgumentTypeError(f"millimetres, above 0 and below {LONGEST_MM}")
    return value


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
