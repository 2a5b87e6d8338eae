"""What can go wrong: bad input, missing evidence, an unreadable recording.

A clinical stop (refer, hold, stop) is a value with reasons, never an error.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["EvidenceError", "Fault", "InputError", "RecordingError", "RungwiseError"]


@dataclass(frozen=True)
class Fault:
    """One thing wrong with one field, and what to do about it.

    Parameters
    ----------
    field : str
        Where it stands, as the person who wrote it would find it (``right.foot_length_mm``).
    given : str
        What was written there.
    allowed : str
        What is allowed, with its unit.
    remedy : str
        What to do.
    """

    field: str
    given: str
    allowed: str
    remedy: str

    def __str__(self) -> str:
        """Return the fault as one line."""
        allowed = self.allowed.rstrip(".")
        return f"{self.field}: got {self.given}; allowed: {allowed}. {self.remedy}"


class RungwiseError(Exception):
    """The parent of every error that rungwise raises on purpose."""


class InputError(RungwiseError):
    """Input that cannot be used; names every fault at once.

    Parameters
    ----------
    what : str
        The thing that was read (``examination``, ``clinic's overrides``).
    faults : tuple of Fault
        All that is wrong with it, in the order of the file.
    """

    def __init__(self, what: str, faults: tuple[Fault, ...]) -> None:
        self.what = what
        self.faults = faults
        count = f"{len(faults)} fault" + ("s" if len(faults) != 1 else "")
        super().__init__(f"{what}: {count}\n" + "\n".join(f"  {fault}" for fault in faults))


class EvidenceError(RungwiseError):
    """The evidence book lacks a row, or holds one that it must not hold."""


class RecordingError(RungwiseError):
    """A photograph or sensor recording that cannot be measured."""
