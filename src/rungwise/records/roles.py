"""Who works with the records, and what each role may do."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LOCAL", "MAY", "ROLES", "Who"]

ROLES = ("therapist", "assistant", "reader", "administrator")
#: What each role may do; an administrator sees no person's record.
MAY: dict[str, frozenset[str]] = {
    "therapist": frozenset("read list book add document handover export own_value".split()),
    "assistant": frozenset("read list book document handover".split()),
    "reader": frozenset("read list book".split()),
    "administrator": frozenset("book own_value erase settings accounts audit backup".split()),
}


@dataclass(frozen=True)
class Who:
    """Who works.

    Parameters
    ----------
    id : str
        Account.
    roles : frozenset of str
        Any of the `ROLES`.
    """

    id: str
    roles: frozenset[str]

    def may(self, deed: str) -> bool:
        """Whether any of the roles covers a deed."""
        return any(deed in MAY[role] for role in self.roles)


#: The one user of a computer that only one person uses.
LOCAL = Who("local", frozenset({"therapist", "administrator"}))
