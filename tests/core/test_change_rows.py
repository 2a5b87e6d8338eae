"""Every row about change, scores, norms and readings is used, and so is every rule."""

from __future__ import annotations

import csv
import re
import tomllib
from pathlib import Path

from rungwise.core.change import LEVELS
from rungwise.core.scorers import ENTERED, QUESTIONNAIRES

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "src" / "rungwise" / "data" / "first_mtp"
CODE = "\n".join(
    path.read_text("utf-8")
    for folder in (ROOT / "src" / "rungwise", ROOT / "tests" / "core")
    for path in folder.rglob("*.py")
)
#: Beginnings of the keys that belong here; others in these files are tested with their modules.
HERE = tuple(
    "change. detect. faam. faos. ffi. groc. lefs. norm. own_error. psfs. rom. score.".split()
)


def rows() -> list[dict[str, str]]:
    with (DATA / "constants_change.csv").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    return [row for row in found if row["key"].startswith(HERE)]


def rules() -> dict[str, dict[str, object]]:
    found = tomllib.loads((DATA / "rules_change.toml").read_text("utf-8"))
    return {key: rule for key, rule in found.items() if key.startswith(HERE)}


def asked_for(key: str) -> bool:
    """Whether code, a rule or a derived row names the key, whole or with its pattern filled in."""
    parts = "items item_max min_answered score_max".split()
    made = {f"{form}.{part}" for form in QUESTIONNAIRES for part in parts}
    sized = (*QUESTIONNAIRES, *ENTERED, "nprs", "psfs", "psfs.activity", *MEASURES)
    ends = (*LEVELS, *(f"{level}_pct" for level in LEVELS), "sem", "better", "mdc90", "mdc95")
    made |= {f"change.{name}.{end}" for name in sized for end in ends}
    raters = ("same_rater", "other_rater")
    made |= {f"change.{n}.{end}.{r}" for n in MEASURES for end in ("sem", "mdc95") for r in raters}
    return (
        key in made
        or f'"{key}"' in CODE
        or any(key in rule.get("keys", ()) for rule in rules().values())  # type: ignore[operator]
        or (key.startswith("rom.") and f"rom.{key.split('.')[1]}.fixed_position" in CODE)
    )


MEASURES = ("heel_raise_count", "chair_stand_count", "timed_up_and_go_s", "one_leg_s")


def test_every_row_is_asked_for() -> None:
    idle = [row["key"] for row in rows() if not asked_for(row["key"])]
    assert not idle
    assert not asked_for("change.nothing" + ".sem")


def test_a_form_that_is_entered_has_no_rule_of_scoring() -> None:
    keys = {row["key"] for row in rows()}
    assert not [key for key in keys if key.startswith(ENTERED)]


def test_every_rule_is_said() -> None:
    said = set(re.findall(r'"([a-z_]+\.[a-z_]+)"', CODE))
    said |= {f"score.{form}" for form in QUESTIONNAIRES}
    idle = [key for key in rules() if key not in said]
    assert not idle
