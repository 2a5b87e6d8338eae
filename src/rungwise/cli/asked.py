"""Commands that answer a question without a patient's folder."""

from __future__ import annotations

import argparse
from datetime import date
from typing import TYPE_CHECKING

from rungwise.cli.shared import DONE, book_for, put, read_text, write_new
from rungwise.core.errors import Fault, InputError

if TYPE_CHECKING:
    pass

__all__ = ["advise", "own_error", "pages", "score", "units"]


def own_error(args: argparse.Namespace) -> int:
    """The clinic's own error from pairs of readings; returns the exit code."""
    from rungwise.clinic import own_error_now

    book, today = book_for(args), args.today or date.today()
    text = read_text(args.pairs)
    facts, told = own_error_now(text, args.row, book, today, args.who.strip(), args.estimate)
    if args.out is not None:
        if facts["overrides"] is None:
            fault = Fault("out", str(args.out), "an error that may be used", str(facts["refused"]))
            raise InputError("clinic's own error", (fault,))
        write_new(args.out, str(facts["overrides"]))
        told += f"Wrote {args.out}. Use it with: --overrides {args.out}\n"
    put(args, facts, lambda: told)
    return DONE


def score(args: argparse.Namespace) -> int:
    """Score a questionnaire, or list them; returns the exit code."""
    from rungwise.clinic import score_now, told_forms

    book = book_for(args)
    if args.form is None:
        facts, told = told_forms(book)
    else:
        facts, told = score_now(args.form, args.items, book, args.score, args.before)
    put(args, facts, lambda: told)
    return DONE


def units(args: argparse.Namespace) -> int:
    """Units of timed minutes; returns the exit code."""
    from rungwise.clinic import units_now

    facts, told = units_now(args.timed, args.untimed, book_for(args))
    put(args, facts, lambda: told)
    return DONE


def advise(args: argparse.Namespace) -> int:
    """When to measure again; returns the exit code."""
    from rungwise.clinic import measure_again

    facts, told = measure_again(args.kind, book_for(args), args.before)
    put(args, facts, lambda: told)
    return DONE


def pages(args: argparse.Namespace) -> int:
    """Serve the clinic's pages until they are stopped; returns the exit code."""
    from rungwise.web.serve import Service, serve

    serve(
        Service(
            folder=args.data,
            port=args.port,
            browser=not args.no_browser,
            names=tuple(args.serve_as),
            address=args.address,
            certificate=args.certificate,
            certificate_key=args.certificate_key,
            behind_proxy=args.behind_proxy,
            records=args.records,
            passphrase_file=args.passphrase_file,
        )
    )
    return DONE
