"""The code that the first account is made with, so that no stranger on the network claims a clinic.

It is printed in the terminal in which the program was started, and is good until the first account
is there or the program ends.
"""

from __future__ import annotations

import hmac
import secrets

from rungwise.casebook import SignInError
from rungwise.web.access import Access

__all__ = ["make_first_account", "new_setup_code", "read_setup_code"]

#: Signs of a setup code: none looks like another (Crockford).
SIGNS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
GROUPS, GROUP = 4, 4


def new_setup_code() -> str:
    """A new code of 80 random bits."""
    return "-".join("".join(secrets.choice(SIGNS) for _ in range(GROUP)) for _ in range(GROUPS))


def read_setup_code(typed: str) -> str:
    """A setup code as it was printed, however its signs were typed."""
    signs = typed.upper().translate(str.maketrans("OIL", "011", " -"))
    return "-".join(signs[i : i + GROUP] for i in range(0, len(signs), GROUP))


def make_first_account(access: Access, code: str, name: str, password: str, address: str) -> None:
    """Make the first account, an administrator's, for who has read the setup code.

    Parameters
    ----------
    access : Access
        The sessions, with the records and how they are served.
    code, name, password : str
        As typed.
    address : str
        Where from; slows down guessing from there.

    Raises
    ------
    InputError
        A name that cannot be, a weak password.
    NotAllowedError
        There is an account already.
    SignInError
        The code does not fit, or a wait is not over.
    """
    tries, key = access.casebook.tries, f"setup\0{address}"
    if wait_s := tries.begin(key, access.now_s()):
        raise SignInError(wait_s)
    wanted = access.settings.setup_code.encode()
    given = read_setup_code(code).encode("utf-8", "replace")
    if not wanted or not hmac.compare_digest(wanted, given):
        raise SignInError(tries.wait_s(key, access.now_s()))
    tries.forget(key)
    access.casebook.first_account(name, password)
