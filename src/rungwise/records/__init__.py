"""The records of a clinic: encrypted on its own computer, or on its own PostgreSQL server.

``Store`` opens them; ``with store.work(who) as work`` holds every verb in one transaction.
``keys`` locks and unlocks the data key, ``backup`` copies, verifies and restores, ``leave`` exports
and erases one person, ``accounts`` says who may sign in, ``audit`` who saw and changed what.
"""

from rungwise.records.accounts import Account, Accounts
from rungwise.records.audit import Audited, Chain
from rungwise.records.backup import Keep, back_up, is_due, list_backups, restore, verify_backup
from rungwise.records.caseload import CaseRow, Page
from rungwise.records.errors import (
    ConflictError,
    DamagedError,
    FullError,
    NotAllowedError,
    RecordsError,
    SignInError,
    UnknownError,
    WrongKeyError,
)
from rungwise.records.keys import (
    NewKeys,
    change_passphrase,
    create_keys,
    key_file_of,
    new_recovery,
    unlock,
    unlock_by_recovery,
)
from rungwise.records.leave import erase_person, export_person
from rungwise.records.roles import LOCAL, ROLES, Who
from rungwise.records.store import Store
from rungwise.records.tables import Record
from rungwise.records.work import Saved, Work

__all__ = [
    "LOCAL",
    "ROLES",
    "Account",
    "Accounts",
    "Audited",
    "CaseRow",
    "Chain",
    "ConflictError",
    "DamagedError",
    "FullError",
    "Keep",
    "NewKeys",
    "NotAllowedError",
    "Page",
    "Record",
    "RecordsError",
    "Saved",
    "SignInError",
    "Store",
    "UnknownError",
    "Who",
    "Work",
    "WrongKeyError",
    "back_up",
    "change_passphrase",
    "create_keys",
    "erase_person",
    "export_person",
    "is_due",
    "key_file_of",
    "list_backups",
    "new_recovery",
    "restore",
    "unlock",
    "unlock_by_recovery",
    "verify_backup",
]
