"""Passwords and passphrases that are easy to guess.

Checked against: OWASP ASVS 5.0 (std_17) 6.2.4, 6.2.11, 6.2.12; NIST SP 800-63B-4 (std_18);
the lists and the estimate of zxcvbn 4.5.0 as they stand in its package.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from zxcvbn.frequency_lists import FREQUENCY_LISTS

from rungwise.core.errors import Fault, InputError
from rungwise.records import change_passphrase, create_keys
from rungwise.records.passwords import ALLOWED, Weakness, is_short, weaknesses
from tests.faults.kit import LIGHT

GOOD = "slate heron ferry plum"


def kinds(faults: list[Fault]) -> list[str]:
    assert all(isinstance(fault, Weakness) for fault in faults)
    return [fault.kind for fault in faults if isinstance(fault, Weakness)]


def test_the_lists_are_as_large_as_the_document_says() -> None:
    passwords = FREQUENCY_LISTS["passwords"]
    assert len(passwords) == len(set(passwords)) == 30_000
    assert sum(len(one) >= 8 for one in passwords) == 11_611
    assert sum(len(one) >= 15 for one in passwords) == 31
    sizes = {name: len(words) for name, words in FREQUENCY_LISTS.items()}
    assert sum(sizes.values()) - 30_000 == 63_855


@pytest.mark.parametrize("around", ["{}", "{}1", "{}!!", "{} 2026", "123{}", "{}99!?", "«{}»"])
def test_every_password_of_the_list_is_refused_in_any_letter_case(around: str) -> None:
    """Every 97th of those that are long enough beside a code, with digits and signs around it."""
    listed = [one for one in FREQUENCY_LISTS["passwords"] if len(one) >= 8]
    for n, word in enumerate(listed[::97]):
        cased = (word, word.upper(), word.title())[n % 3]
        typed = around.format(cased)
        assert kinds(weaknesses(typed, second_factor=True)) == ["common"], typed


def test_every_listed_password_that_is_long_enough_alone_is_refused() -> None:
    for word in FREQUENCY_LISTS["passwords"]:
        if len(word) >= 15:
            for typed in (word, word.upper(), f"{word}7", f"{word}!!2026"):
                assert kinds(weaknesses(typed)) == ["common"], typed


@pytest.mark.parametrize(
    ("typed", "kind"),
    [
        ("Unbelievable 2026!!!", "common"),
        ("1234567890987654321", "common"),
        ("passwordpassword", "guesses"),
        ("P4ssw0rd!P4ssw0rd!", "guesses"),
        ("abcdefghijklmnop", "guesses"),
        ("liverpoolfootballclub", "guesses"),
        ("aaaaaaaaaaaaaaaaaaaa", "guesses"),
        ("a" * 40 + "slate heron ferry plum", "guesses"),  # what follows is not counted
        ("rungwise RUNGWISE", "names"),
        ("Kim Lee 1234567890", "names"),
        ("kimlee-kimlee-kimlee", "names"),
        ("Foot & Co clinic 2026", "names"),
        ("fourteen signs", "length"),
        ("x" * 257, "length"),
        ("ＰＡＳＳＷＯＲＤＳＴＡＮＤＡＲＤ", "common"),  # wide letters
    ],
)
def test_what_is_easy_to_guess_is_refused_with_the_reason(typed: str, kind: str) -> None:
    found = weaknesses(typed, ("Kim Lee", "Foot & Co"))
    assert kinds(found) == [kind]
    assert not any(typed.casefold() in str(fault).casefold() for fault in found)
    assert found[0].allowed
    assert found[0].remedy == "Take five random words."
    assert kind in ALLOWED


@pytest.mark.parametrize(
    "typed",
    [
        GOOD,
        "five plain words in a row",
        "xkq7vz9wtn4bhs2c",
        "pizarra garza ferri ciruela",
        "n8#vR!2p" * 2 + "Zq",
        "ünÿçødé fünf wörter sind",
    ],
)
def test_what_takes_enough_guesses_is_taken(typed: str) -> None:
    assert weaknesses(typed, ("Kim Lee", "Foot & Co")) == []


def test_a_code_beside_it_lets_a_random_one_be_shorter() -> None:
    assert weaknesses("xkq7vz9w", second_factor=True) == []
    assert kinds(weaknesses("xkq7vz9w")) == ["length"]
    assert kinds(weaknesses("hunter22", second_factor=True)) == ["common"]
    assert is_short("xkq7vz9w")
    assert not is_short(GOOD)


def test_a_text_made_to_be_slow_takes_a_bounded_time() -> None:
    slow = ("4@8({[<369&#!1/|0$5+7%2" * 12)[:256]
    start = time.process_time()
    weaknesses(slow)
    assert time.process_time() - start < 20  # about 1 s; it was 7 s and more without the bound


def test_the_records_take_no_easy_passphrase(tmp_path: Path) -> None:
    with pytest.raises(InputError) as met:
        create_keys(tmp_path / "k", "Passwordstandard1!", LIGHT)
    assert [fault.field for fault in met.value.faults] == ["passphrase"]
    assert not (tmp_path / "k").exists()
    made = create_keys(tmp_path / "k", GOOD, LIGHT)
    before = (tmp_path / "k").read_bytes()
    for weak in ("passwordpassword", "Foot & Co Foot & Co"):
        with pytest.raises(InputError):
            change_passphrase(tmp_path / "k", made.key, weak, LIGHT, ("Foot & Co",))
    assert (tmp_path / "k").read_bytes() == before
