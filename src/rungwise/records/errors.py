"""What can go wrong with the clinic's records, each said with what to do next."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rungwise.core.errors import RungwiseError

if TYPE_CHECKING:
    from rungwise.records.tables import Record

__all__ = [
    "ConflictError",
    "DamagedError",
    "FullError",
    "NotAllowedError",
    "RecordsError",
    "SignInError",
    "UnknownError",
    "WrongKeyError",
]


class RecordsError(RungwiseError):
    """The parent of every error of the records; nothing of the work that met it was written."""


class UnknownError(RecordsError):
    """There is no such person, version, account or backup."""


class NotAllowedError(RecordsError):
    """The role of who asked does not cover it; the attempt stands in the audit."""


class SignInError(RecordsError):
    """Not signed in; the same words for an unknown name, a wrong password and a wrong code.

    Parameters
    ----------
    wait_s : int
        How long the next try is refused [s]; 0 when it is free.
    """

    def __init__(self, wait_s: int = 0) -> None:
        self.wait_s = wait_s
        wait = f" Wait {wait_s} s before the next try." if wait_s else ""
        super().__init__("Name, password or code do not fit." + wait)


class WrongKeyError(RecordsError):
    """The passphrase, recovery key or data key does not open this file."""


class DamagedError(RecordsError):
    """The file of records is damaged; the message names the backup to restore."""


class FullError(RecordsError):
    """The disk is full or cannot be written."""


class ConflictError(RecordsError):
    """Somebody else saved a newer version meanwhile.

    Parameters
    ----------
    kind : str
        What was to be saved (``exam``, ``plan`` …).
    expected : int
        Version that the writer had seen, 0 = none [1].
    mine : str
        What was to be saved.
    theirs : Record or None
        What stands there now; None when nothing does.
    """

    def __init__(self, kind: str, expected: int, mine: str, theirs: Record | None) -> None:
        self.kind, self.expected, self.mine, self.theirs = kind, expected, mine, theirs
        now = theirs.version if theirs else 0
        super().__init__(
            f"{kind}: version {expected} was expected, but {now} is there by now. "
            "Look at both and save again."
        )
