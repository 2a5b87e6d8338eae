"""Worked cases with their sources: what came out on paper must come out here."""

from __future__ import annotations

import math

import pytest
from scipy.stats import norm

from rungwise.core.bend import least_change, reading_error
from rungwise.core.grade import grade, hallux_ip_bend
from rungwise.core.scores import score
from rungwise.core.screen import screen
from rungwise.core.terms import Value
from tests.factory import make_exam, real_book

BOOK = real_book()
PAINLESS: dict[str, Value | None] = {
    "pain_at": "none",
    "pain_rest_nprs": 0.0,
    "pain_worst_nprs": 0.0,
    "pain_usual_nprs": 0.0,
}


# Degrees, loss and pain of each grade: clin_s1, Table 1, which agrees with clin_s2, Table 1.
@pytest.mark.parametrize(
    ("deg", "other", "right", "loss", "by_degrees", "by_loss", "value"),
    [
        (38.0, 65.0, {"pain_at": "end_range"}, 41.5, 1, 1, 1),
        (25.0, 60.0, {"pain_at": "end_range"}, 58.3, 2, 2, 2),
        (10.0, 65.0, {"pain_at": "end_range"}, 84.6, 3, 3, 3),
        (10.0, 65.0, {"pain_at": "mid_range"}, 84.6, 3, 3, 4),
        (45.0, 60.0, PAINLESS, 25.0, 0, 1, 1),
    ],
    ids=["O1", "O2", "O3", "O3 mid-range", "O4"],
)
def test_grade_with_a_healthy_other_side(
    deg: float,
    other: float,
    right: dict[str, Value | None],
    loss: float,
    by_degrees: int,
    by_loss: int,
    value: int,
) -> None:
    exam = make_exam(
        right={**right, "mtp_dorsiflexion_deg": deg}, left={"mtp_dorsiflexion_deg": other}
    )
    found = grade(exam, BOOK, "right")
    assert found.loss_pct == pytest.approx(loss, abs=0.05)
    assert (found.by_degrees, found.by_loss, found.value) == (by_degrees, by_loss, value)


def test_o4_prints_both_components() -> None:
    exam = make_exam(
        right={**PAINLESS, "mtp_dorsiflexion_deg": 45.0}, left={"mtp_dorsiflexion_deg": 60.0}
    )
    notes = {note.rule: note.says for note in grade(exam, BOOK, "right").notes}
    assert "degrees say 0, loss says 1" in notes["grade.differ"]
    assert "no radiograph" in notes["grade.no_radiograph"]


def test_o5_both_joints_hurt() -> None:
    """Degrees only, each foot by itself, and it is said: clin_s1, Table 1."""
    exam = make_exam(
        right={"mtp_dorsiflexion_deg": 28.0},
        left={"mtp_dorsiflexion_deg": 34.0, "pain_at": "end_range", "pain_worst_nprs": 4.0},
    )
    right, left = grade(exam, BOOK, "right"), grade(exam, BOOK, "left")
    assert (right.value, left.value) == (2, 1)
    for found in (right, left):
        assert found.loss_pct is None
        assert "grade.bilateral" in {note.rule for note in found.notes}


def test_o6_the_edge_belongs_to_the_worse_grade() -> None:
    """40 degrees, no reference, pain at the end of the movement: clin_s1, Table 1."""
    exam = make_exam(right={"mtp_dorsiflexion_deg": 40.0}, left={"mtp_dorsiflexion_deg": None})
    assert grade(exam, BOOK, "right").value == 1


@pytest.mark.parametrize(
    ("before", "after", "z", "beyond"),
    [(35.0, 47.0, 1.59, False), (35.0, 52.0, 2.26, True)],
    ids=["O7", "O8"],
)
def test_change_against_the_error_of_two_readings(
    before: float, after: float, z: float, beyond: bool
) -> None:
    """One rater, plastic goniometer: SEM 5.33, smallest real change 14.8: derived from clin_s6."""
    error = reading_error(BOOK, "nonweightbearing_passive", "goniometer")
    found = (after - before) / (math.sqrt(2) * error.value)
    assert found == pytest.approx(z, abs=0.005)
    assert least_change(error, BOOK) == pytest.approx(14.8, abs=0.05)
    assert (after - before > least_change(error, BOOK)) is beyond
    chance = 2 * float(norm.sf(found))
    assert (chance < 0.05) is beyond
    assert not beyond or chance == pytest.approx(0.024, abs=0.0005)


def test_o9_end_joint_of_the_big_toe() -> None:
    """IP = 27.17 - 0.381 MTP: clin_s12f."""
    assert hallux_ip_bend(40.0, BOOK) == pytest.approx(11.93, abs=1e-9)


def test_o10_low_gout_score() -> None:
    """0 + 0 + 0.5 + 1 + 2.5 + 0 + 0 = 4.0, low, 2.2 % had gout: clin_s4."""
    gout = {
        "previous_attack": False,
        "onset_within_day": True,
        "redness": True,
        "mtp1_involved": True,
        "hypertension_or_heart_disease": False,
        "urate_mg_dl": 5.0,
    }
    found = score("gout", make_exam(details={"gout": gout}, person={"sex": "female"}), BOOK)
    assert (found.low, found.high, found.unknown) == (4.0, 4.0, ())
    assert "At its low end gout is unlikely, at its high end unlikely" in found.says
    assert BOOK.value("score.gout.share_unlikely") == 2.2
    assert "Up to 4 unlikely (2.2 % had gout)" in found.says
    assert "never rules out an infected joint" in found.says


@pytest.mark.parametrize("gone", [(), ("onset_within_day",), ("redness",)])
def test_a_low_gout_score_never_softens_an_attack(gone: tuple[str, ...]) -> None:
    """Hot, red, sudden: infected until shown otherwise, whatever the score: clin_s3."""
    gout: dict[str, Value] = {
        "previous_attack": False,
        "onset_within_day": True,
        "redness": True,
        "mtp1_involved": True,
        "hypertension_or_heart_disease": False,
        "urate_mg_dl": 5.0,
    }
    known = {name: value for name, value in gout.items() if name not in gone}
    exam = make_exam(
        answers={"gout_attack": "right"}, details={"gout": known}, person={"sex": "female"}
    )
    part = screen(exam, BOOK).right
    assert part.outcome == "refer"
    assert (part.flags[0].item, part.flags[0].level) == ("hot_swollen_joint", "emergency")
    (attack,) = (flag for flag in part.flags if flag.item == "gout_attack")
    assert attack.level == "urgent"


def test_o11_high_gout_score_without_urate() -> None:
    """2 + 2 + 0.5 + 1 + 2.5 + 1.5 = 9.5, with urate 13: clin_s4."""
    gout = dict.fromkeys(
        (
            "previous_attack",
            "onset_within_day",
            "redness",
            "mtp1_involved",
            "hypertension_or_heart_disease",
        ),
        True,
    )
    exam = make_exam(
        answers={"gout_attack": "right"}, details={"gout": gout}, person={"sex": "male"}
    )
    found = next(one for one in screen(exam, BOOK).scores if one.name == "gout")
    assert (found.low, found.high) == (9.5, 13.0)
    assert found.unknown == ("high uric acid in the blood",)
    assert "At its low end gout is likely" in found.says
    assert screen(exam, BOOK).right.outcome == "refer"


def test_o17_clot_score() -> None:
    """Calf 4 cm larger 1, 5 days in bed 1, no other cause 0: 2, likely: clin_s7, form of 2003."""
    clot: dict[str, Value] = {
        item.key.partition(".")[2]: False for item in BOOK.score_items if item.score == "clot"
    }
    clot |= {"calf_larger_cm": 4.0, "bed_rest_or_surgery": True, "breathless_or_chest_pain": False}
    exam = make_exam(answers={"clot_signs": "left"}, details={"clot": clot})
    found = screen(exam, BOOK)
    (clots,) = (one for one in found.scores if one.name == "clot")
    assert (clots.low, clots.high) == (2.0, 2.0)
    assert "At its low end a clot is likely" in clots.says
    assert {found.right.flags[0].level, found.left.flags[0].level} == {"emergency"}


def test_o19_lost_feeling_and_a_stiff_big_toe() -> None:
    """Two of three, so class 2, a check every 3 to 6 months: clin_s5, Table 1."""
    exam = make_exam(
        right={"sensation": "lost"},
        answers={"numb_foot": "right"},
        details={"foot_risk": {"ulcer_or_amputation": False, "kidney_failure": False}},
    )
    found = screen(exam, BOOK)
    (risk,) = found.scores
    assert (risk.low, risk.high) == (2, 2)
    assert "every 3 to 6 months" in risk.says
    assert (found.right.outcome, found.left.outcome) == ("review", "go")
    assert found.right.forbids >= {"home", "pain_guided", "barefoot", "toe_pressure"}
