"""Small parts that templates share: faults by field, drawings as pictures."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Mapping, Sequence

from rungwise.core.errors import Fault
from rungwise.core.terms import SIDES
from rungwise.web.words import Say

__all__ = ["FILTERS", "by_field", "field_of", "name_of_field"]

ACTIVITY = {"name": "name", "rating": "now", "target": "hoped", "by": "by"}
_INDEX = re.compile(r"\[(\d+)\]")
_DAY = re.compile(r"\d{4}-\d\d-\d\d")


def field_of(fault: Fault) -> str:
    """The form's field of a fault: ``right.mtp_dorsiflexion_deg[2].value`` has ``.2.value``."""
    return _INDEX.sub(r".\1", fault.field)


def by_field(faults: Sequence[Fault]) -> Mapping[str, list[Fault]]:
    """Faults by the field of the form that they name."""
    found: dict[str, list[Fault]] = {}
    for fault in faults:
        found.setdefault(field_of(fault), []).append(fault)
    return found


def name_of_field(say: Say, field: str) -> str:
    """A field as a person would call it; a field of a foot names the foot as a word."""
    if say.has(f"field.{field}"):
        return say(f"field.{field}")
    first, _, rest = field.partition(".")
    parts = rest.split(".")
    if first.isdigit() and _DAY.fullmatch(rest):
        return say("diary.box", n=first, day=rest)
    if say.has(f"family.{first}") and parts[0] in SIDES:
        exercise = f"{say.name('family', first)}, {say(f'of.{parts[0]}')}"
        return exercise if len(parts) == 1 else f"{exercise}: {say.name('answer_part', parts[1])}"
    if first == "target" and parts[0]:
        named = f"{say('change.target')}: {say.name('measure', parts[0])}"
        return named if len(parts) == 1 else f"{named}, {say.name('target_part', parts[1])}"
    if first in ("service", "min") and parts[0].isdigit():
        return say(f"notes.{first}", n=int(parts[0]) + 1)
    if first in SIDES:
        named = f"{say.name('measure', parts[0])}, {say(f'of.{first}')}"
        return named if len(parts) == 1 else f"{named}, {say.name('way', parts[-1])}"
    if first == "activity" and parts[0].isdigit():
        named = say("exam.activity", n=parts[0])
        key = f"exam.activity_{ACTIVITY.get(parts[-1], '')}"
        return f"{named}, {say(key)}" if say.has(key) else named
    groups = {"screen": "item", "person": "measure", "detail": "measure"}
    return say.name(groups.get(first, "field"), rest if first in groups else field)


def picture(svg: str) -> str:
    """An SVG as the address of a picture: nothing in it can run or be styled from outside."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def plain_number(value: float | None) -> str:
    """A number without needless digits; a dash for none."""
    return "–" if value is None else f"{value:.0f}" if abs(value) >= 10 else f"{value:.3g}"


FILTERS: dict[str, Callable[..., str]] = {"picture": picture, "plain": plain_number}
