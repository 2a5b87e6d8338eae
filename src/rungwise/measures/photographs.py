"""What photographs of the big toe came to, as text: the answer first, then how it was made."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import ceil, floor

from rungwise.core.bend import photograph_error
from rungwise.core.evidence import Evidence
from rungwise.core.photo import PhotoReading
from rungwise.core.photo_checks import Refused
from rungwise.core.photo_many import Combined
from rungwise.core.terms import Side
from rungwise.report import table

__all__ = ["bend_words", "exam_lines", "photograph_report"]

ZEROS = {"metatarsal_shaft": "the metatarsal's shaft", "flat_standing": "flat standing"}
UNKNOWN = "?"


def bend_words(bend_deg: float) -> str:
    """A bend [deg] in whole degrees, with its way as a word."""
    whole = round(bend_deg)
    return "0°" if whole == 0 else f"{abs(whole)}° {'up' if whole > 0 else 'down'}"


def photograph_report(
    found: Combined | PhotoReading | None,
    each: Sequence[tuple[str, PhotoReading | Refused]],
    side: Side,
    book: Evidence,
    aid: str,
) -> str:
    """The bend by one or several photographs.

    Parameters
    ----------
    found : Combined or PhotoReading or None
        All together; None when none could be measured.
    each : sequence of (str, PhotoReading or Refused)
        Each file and what it came to.
    side : {"right", "left"}
        Which foot.
    book : Evidence
        The evidence book.
    aid : str
        What is said of measuring aids.
    """
    if found is None:
        head = [f"Bend of the big toe, {side} foot: not measured."]
    else:
        zero, bend = ZEROS[found.zero], bend_words(found.bend_deg)
        head = [
            f"Bend of the big toe, {side} foot: {bend}, counted from {zero}",
            f"Interval {_interval(found)}, standard error {found.sd_deg:.1f}°",
        ]
    lines = [*head, aid, "", *_each(each)]
    if found is None:
        return "\n".join(lines) + "\n"
    between = book.row("rom.position.photograph").value
    whole = photograph_error(found.sd_deg, book).value
    lines += [
        *(reason.says for reason in found.reasons),
        f"Assumed beside that, from one day to another: {between:g}°; together {whole:.1f}°.",
        "",
        "For the examination, once you have checked it (aid says so):",
        "",
        exam_lines(found),
    ]
    return "\n".join(lines)


def exam_lines(found: Combined | PhotoReading) -> str:
    """A reading as an examination takes it; how the toe was held, and the word, are left open."""
    bend = round(found.bend_deg)
    hint = "  # of the downward bend: mtp_plantarflexion_deg, without the minus" if bend < 0 else ""
    return "\n".join(
        (
            f"[[{found.side}.mtp_dorsiflexion_deg]]",
            f"value = {bend}{hint}",
            f'method = "{UNKNOWN}"',
            'instrument = "photograph"',
            f'zero = "{found.zero}"',
            f"sem = {max(found.sd_deg, 0.1):.1f}",
            f'aid = "{UNKNOWN}"',
            "",
        )
    )


def _interval(one: Combined | PhotoReading) -> str:
    return f"{floor(one.low_deg)}° to {ceil(one.high_deg)}°"


def _each(each: Sequence[tuple[str, PhotoReading | Refused]]) -> Iterator[str]:
    rows: list[tuple[str, ...]] = [("", "bend", "interval", "view", "largest cause of error")]
    refusals, lengths = [], []
    for name, one in each:
        if isinstance(one, Refused):
            refusals.append(f"{name}: not measured. {one.reason.says}")
            continue
        largest = max(one.parts_deg, key=lambda cause: one.parts_deg[cause])
        rows.append((name, bend_words(one.bend_deg), _interval(one), one.quality, largest))
        lengths += [
            f"{name}: {length.name.replace('_', ' ')} {length.mm:.0f} mm "
            f"({length.low_mm:.0f} to {length.high_mm:.0f})"
            for length in one.lengths
        ]
    if len(rows) > 1:
        yield table(rows)
    yield from (*refusals, *lengths)
