"""Passwords and codes: what is too weak, and the code of a second factor."""

from __future__ import annotations

import hmac
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from threading import Lock

from rungwise.core.errors import Fault, InputError

__all__ = [
    "ALONE",
    "LONGEST",
    "STEP_S",
    "Weakness",
    "check_passphrase",
    "folded_name",
    "is_short",
    "totp",
    "weaknesses",
]

STEP_S, DIGITS = 30, 6
ALONE, WITH_CODE, LONGEST = 15, 8, 256
#: Fewest guesses, as zxcvbn counts them. 10^10 is where its highest class begins: a guess costs
#: about 0.4 s of one core and 128 MiB (scrypt, n = 2^17), so 10^10 of them 127 years of a core.
#: With a code 10^8, what eight random signs come to: NIST SP 800-63B-4 lets them be so short.
GUESSES_ALONE, GUESSES_WITH_CODE = 10**10, 10**8
#: What follows after so many signs counts nothing: the library takes 72 at the most, and needs up
#: to 7 s for 72 signs made to be slow, 1 s for 40.
JUDGED = 40
#: A word of the lists must have so many letters, to count as the whole of a password [1].
WORD_LEAST = 4
OWN_NAME = "rungwise"
ENDS = r"[\W\d_]+"
#: What is allowed, in English; pages say it in their own language by ``Weakness.kind``.
ALLOWED = {
    "length": "{least} to {most} characters",
    "names": "more than names (of the account, the clinic, this program) and a common word",
    "common": "no word or password of the lists of common ones, whatever stands before or after it",
    "guesses": "what takes more guesses: this one is made of common pieces, rows or repeats",
}
REMEDY = "Take five random words."
_ONE_AT_A_TIME = Lock()  # the library keeps the names that it is given in a place of its own


@dataclass(frozen=True)
class Weakness(Fault):
    """Why a password or passphrase is refused; it never holds any of it.

    Parameters
    ----------
    kind : str
        ``length``, ``names``, ``common`` or ``guesses``.
    length : int
        Its length [1].
    least : int
        Least length [1].
    most : int
        Longest [1].
    """

    kind: str = "guesses"
    length: int = 0
    least: int = ALONE
    most: int = LONGEST


def totp(secret: bytes, time_s: int, digits: int = DIGITS) -> str:
    """The code of a second factor.

    Parameters
    ----------
    secret : bytes
        Shared with the phone.
    time_s : int
        Unix time [s].
    digits : int
        Its length [1].

    Examples
    --------
    >>> totp(b"12345678901234567890", 59, digits=8)
    '94287082'

    Sources
    -------
    RFC 6238, appendix B; RFC 4226, section 5.3.
    """
    found = hmac.digest(secret, (time_s // STEP_S).to_bytes(8, "big"), "sha1")
    start = found[-1] & 0xF
    number = int.from_bytes(found[start : start + 4], "big") & 0x7FFFFFFF
    return f"{number % 10**digits:0{digits}}"


def weaknesses(
    password: str,
    names: Sequence[str] = (),
    second_factor: bool = False,
    field: str = "password",
) -> list[Fault]:
    """What is wrong with a password or passphrase; there are no rules about kinds of characters.

    Parameters
    ----------
    password : str
        As typed.
    names : sequence of str
        Of its account and the clinic; with this program's they are no password.
    second_factor : bool
        Whether a code is asked for, too; then it may be shorter and take fewer guesses.
    field : str
        What the fault calls it.

    Sources
    -------
    NIST SP 800-63B-4: at least 15 characters alone, 8 with a second factor; no composition rules;
    common passwords are refused with the reason. Lists and estimate: zxcvbn 4.5.0.
    """
    typed = unicodedata.normalize("NFKC", password)
    least = WITH_CODE if second_factor else ALONE

    def weak(kind: str, given: str) -> list[Fault]:
        allowed = ALLOWED[kind].format(least=least, most=LONGEST)
        return [Weakness(field, given, allowed, REMEDY, kind, len(typed), least, LONGEST)]

    if not least <= len(typed) <= LONGEST:
        return weak("length", f"{len(typed)} characters")
    known = _pieces(names)
    folded = " ".join(typed.casefold().split())
    if _only_names(folded, known):
        return weak("names", "names")
    if _is_listed(folded):
        return weak("common", "a common one")
    if _guesses(typed, known) < (GUESSES_WITH_CODE if second_factor else GUESSES_ALONE):
        return weak("guesses", "an easy guess")
    return []


def is_short(password: str) -> bool:
    """Whether a password is so short that it needs a second factor beside it."""
    return len(unicodedata.normalize("NFKC", password)) < ALONE


def _pieces(names: Sequence[str]) -> list[str]:
    """Names as they are compared, whole and word by word, the longest first."""
    whole = [folded_name(name) for name in (*names, OWN_NAME)]
    words = {piece for name in whole for piece in (name, name.replace(" ", ""), *name.split())}
    return sorted((word for word in words if len(word) > 1), key=lambda word: (-len(word), word))


def _only_names(folded: str, known: Sequence[str]) -> bool:
    """Whether names are in it, and nothing or only a common word beside them."""
    rest = folded
    for name in known:
        rest = rest.replace(name, "")
    return rest != folded and (re.sub(ENDS, "", rest) == "" or _is_listed(rest))


def _is_listed(folded: str) -> bool:
    """Whether it stands in a list, with nothing but signs and digits before and after it."""
    from zxcvbn.matching import RANKED_DICTIONARIES

    lists = [words for name, words in RANKED_DICTIONARIES.items() if name != "user_inputs"]
    close = folded.replace(" ", "")
    return any(one in words for one in _bared(close) for words in lists)


def _bared(text: str) -> Iterator[str]:
    """A text without signs and digits around it; of one without letters half at the least."""
    letters = [n for n, sign in enumerate(text) if sign.isalpha()]
    first, last = (letters[0], letters[-1] + 1) if letters else (len(text), 0)
    least = max(WORD_LEAST, 0 if letters else len(text) // 2)
    for start in range(first + 1):
        for end in range(max(last, start + least), len(text) + 1):
            yield text[start:end]


def _guesses(typed: str, known: Sequence[str]) -> int:
    """How many guesses it takes by the library's estimate [1]."""
    from zxcvbn import zxcvbn

    with _ONE_AT_A_TIME:
        return int(zxcvbn(typed[:JUDGED], user_inputs=list(known))["guesses"])


def check_passphrase(passphrase: str, names: Sequence[str] = ()) -> None:
    """Refuse a passphrase of the records that is too weak.

    Parameters
    ----------
    passphrase : str
        As typed.
    names : sequence of str
        Of the clinic.

    Raises
    ------
    InputError
        Says why.
    """
    if faults := weaknesses(passphrase, names, field="passphrase"):
        raise InputError("passphrase", tuple(faults))


def folded_name(name: str) -> str:
    """A name as names are compared: case, width and spaces do not count."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())[:200]
