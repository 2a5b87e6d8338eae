"""Many invented examinations, by varying the demo people from a fixed seed."""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable
from functools import partial

from rungwise.clinic import demo_exams

__all__ = ["SEED", "varied_exams", "versions_of"]

SEED = 20261120
#: Field -> how far one person's value may lie from the demo's, as a share of it.
SPREAD = {"height_cm": 0.06, "mass_kg": 0.2, "tandem_behind_s": 0.4, "one_leg_s": 0.4}
FEET = ("foot_length_mm", "heel_to_mtp_mm")
FEET_SPREAD = 0.06
BEND_DEG = 5


def varied_exams(count: int, seed: int = SEED) -> dict[str, str]:
    """Return examinations by name, as TOML text: the demo people in turn, each a little different.

    Height, mass, foot lengths, seconds of stance and every reading of the joint's bend are varied;
    screen and findings stay, so every way through (programme, one foot only, none) is taken as
    often as among the demo people.
    """
    chance = random.Random(seed)
    demo = list(demo_exams().items())
    made = {}
    for number in range(count):
        name, text = demo[number % len(demo)]
        made[f"{number:05d}-{name}"] = _varied(text, chance)
    return made


def versions_of(text: str, count: int, seed: int = SEED) -> list[str]:
    """Return one examination again and again, each time a little different."""
    chance = random.Random(seed)
    return [_varied(text, chance) for _ in range(count)]


def _varied(text: str, chance: random.Random) -> str:
    for field, spread in SPREAD.items():
        share = 1 + chance.uniform(-spread, spread)
        text = _changed(text, field, partial(_scaled, share))
    foot = 1 + chance.uniform(-FEET_SPREAD, FEET_SPREAD)
    for field in FEET:
        text = _changed(text, field, partial(_scaled, foot))
    flat = max(
        (float(v) for v in re.findall(r"^flat_standing_deg = (\S+)", text, re.M)), default=0.0
    )
    least = math.ceil(flat)  # a bend below its own flat reading is refused
    return _changed(
        text, "value", lambda v: max(least, round(v) + chance.randint(-BEND_DEG, BEND_DEG))
    )


def _scaled(share: float, value: float) -> float:
    return round(value * share, 1)


def _changed(text: str, field: str, change: Callable[[float], float]) -> str:
    return re.sub(
        rf"^({field} = )(\d+(?:\.\d+)?)$",
        lambda found: f"{found[1]}{change(float(found[2])):g}",
        text,
        flags=re.MULTILINE,
    )
