"""The command line: read arguments, call the clinic, print. No clinical branch stands here."""

from __future__ import annotations

import io
import sys
from collections.abc import Sequence
from pathlib import Path

from rungwise.cli.parser import build_parser
from rungwise.cli.shared import BAD_INPUT, DONE, STOPPED
from rungwise.core.errors import Fault, InputError, RungwiseError

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a letter that the terminal lacks is no failure
            stream.reconfigure(errors="backslashreplace")
    args = build_parser().parse_args(argv)
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
