"""What the measuring aids found, as text: the answer first, then how it was made."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from statistics import fmean, stdev

from rungwise.core.evidence import Row
from rungwise.core.reps import HeelRaises, Rhythm
from rungwise.core.stance import Described, Stance
from rungwise.core.sway import Sway
from rungwise.report import table

__all__ = ["raises_report", "rhythm_report", "stance_report", "sway_report"]

UNITS = {"mm2": "mm²", "mm2/s": "mm²/s", "m/s2": "m/s²", "m2/s5": "m²/s⁵", "1": ""}
RATIO = """\
Beyond error: the larger over the smaller of two trials must exceed that number. It is from people
without toe arthritis, 60 s each, one session, nothing filtered: between days it is larger."""
LEVELS = """\
Times run from a tenth to nine tenths of the way; a whole smooth movement lasts 1.6 to 2 times as
long. In drawn recordings 95 % of the times were within 0.15 s (by turning) or 0.3 s (by tilt). No
labelled recording of heel raises was to be had: nobody has checked this on feet."""
NO_LENGTH = """\
No centimetres: a phone feels tilt and shaking together. Compare only the same place, the same
way."""
RHYTHM = "On 140 open recordings of shoulder movements 98 % were within 1 of 20."


def stance_report(found: Stance, aid: str) -> str:
    """A trial on a force plate."""
    ways = found.conventions
    lines = [
        f"Stance, {found.lasts_s:.1f} s described, {found.samples} samples at {found.rate_hz:g} Hz",
        aid,
        "",
        _values(found.values),
    ]
    known = any(one.mdc_ratio for one in found.values.values())
    lines.append(RATIO if known else "The error of a change is not known for this way of standing.")
    lines += [
        f"Counted: duration by {ways.duration}, covariance by {ways.covariance}",
        f"Ellipse: {ways.ellipse}, 95 % of further points",
        *_made(found.steps, found.constants),
    ]
    return "\n".join(lines) + "\n"


def sway_report(found: Sway, aid: str) -> str:
    """A trial recorded by a phone or sensor."""
    held = found.held
    at_least = "at least " if held.open_start or held.open_end else ""
    lines = [
        f"Held {at_least}{held.longest_s:.1f} s at the longest; step-outs: {held.step_outs}",
        aid,
        "",
        *(f"  quiet from {a:.1f} to {b:.1f} s" for a, b in held.parts_s),
    ]
    if found.refused:
        lines.append(f"Not described: {found.refused}.")
    else:
        lines += ["", _values(found.values)]
        lines.append(NO_LENGTH)
    return "\n".join((*lines, *_made(found.steps, found.constants))) + "\n"


def raises_report(found: HeelRaises, aid: str) -> str:
    """Heel raises, each with its times."""
    if found.cannot:
        return f"Heel raises: cannot tell. {found.cannot[:1].upper()}{found.cannot[1:]}.\n{aid}\n"
    rows: list[tuple[str, ...]] = [("", "begins s", "up s", "hold s", "down s", "turn °")]
    rows += [
        (
            str(n),
            *(f"{value:.2f}" for value in (r.start_s, r.up_s, r.hold_s, r.down_s)),
            f"{r.turn_deg:.0f}",
        )
        for n, r in enumerate(found.raises, 1)
    ]
    down = [one.down_s for one in found.raises]
    spread = f", SD {stdev(down):.2f} s" if len(down) > 1 else ""
    partial = f", and {found.partial} less than half as high" if found.partial else ""
    lines = [
        f"Heel raises: {found.count}{partial}. Lowering {fmean(down):.2f} s{spread}",
        aid,
        "",
        table(rows),
        LEVELS,
        f"Seen by {found.by}.",
        *found.steps,
    ]
    return "\n".join(lines) + "\n"


def rhythm_report(found: Rhythm, aid: str) -> str:
    """A count of any repeated movement."""
    if found.cannot:
        return f"Repetitions: cannot tell. {found.cannot[:1].upper()}{found.cannot[1:]}.\n{aid}\n"
    lines = [
        f"Repetitions: {found.count}, one in {found.period_s:.1f} s",
        aid,
        f"Likeness of one to the next: {found.likeness:.2f}",
        RHYTHM,
    ]
    return "\n".join(lines) + "\n"


def _values(values: Mapping[str, Described]) -> str:
    rows = [("", "value", "unit", "beyond error from")]
    rows += [
        (
            name.replace("_", " "),
            f"{one.value:.4g}",
            UNITS.get(one.unit, one.unit),
            _ratio(one.mdc_ratio),
        )
        for name, one in values.items()
    ]
    return table(rows)


def _ratio(row: Row | None) -> str:
    return "not known" if row is None else f"x {row.value:.2f}"


def _made(steps: Iterable[str], constants: Mapping[str, float]) -> list[str]:
    told = ", ".join(f"{name} {value:.6g}" for name, value in constants.items())
    return [*steps, f"Constants: {told}"]
