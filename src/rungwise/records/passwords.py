"""Passwords and codes: what is too weak, and the code of a second factor."""

from __future__ import annotations

import hmac
import unicodedata

from rungwise.core.errors import Fault

__all__ = ["LONGEST", "STEP_S", "folded_name", "totp", "weaknesses"]

STEP_S, DIGITS = 30, 6
ALONE, WITH_CODE, LONGEST = 15, 8, 256


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


def weaknesses(password: str, name: str, second_factor: bool) -> list[Fault]:
    """What is wrong with a password; there are no rules about kinds of characters.

    Parameters
    ----------
    password : str
        As typed.
    name : str
        Of its account.
    second_factor : bool
        Whether a code is asked for, too; then it may be shorter.

    Sources
    -------
    NIST SP 800-63B-4: at least 15 characters alone, 8 with a second factor; no composition rules.
    """
    typed = unicodedata.normalize("NFKC", password)
    least = WITH_CODE if second_factor else ALONE
    if not least <= len(typed) <= LONGEST:
        allowed = f"{least} to {LONGEST} characters"
        return [Fault("password", f"{len(typed)} characters", allowed, "Take five random words.")]
    folded = typed.casefold()
    if len(set(folded)) < 5 or folded.replace(folded_name(name), "").replace("rungwise", "") == "":
        allowed = "not one sign again and again, nor names"
        return [Fault("password", "an easy guess", allowed, "Take five random words.")]
    return []


def folded_name(name: str) -> str:
    """A name as names are compared: case, width and spaces do not count."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())[:200]
