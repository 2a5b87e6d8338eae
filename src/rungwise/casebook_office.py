"""The clinic's own affairs: settings, backups, keys, accounts, and the audit.

The verbs take the open :class:`~rungwise.casebook.Casebook` and who works. Whatever changes a
setting is a new version of it; the old ones stay and say who wrote them.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path

from rungwise.casebook import Casebook, clinic_names
from rungwise.casebook_book import toml_of
from rungwise.casebook_door import CLINIC
from rungwise.core.errors import Fault, InputError
from rungwise.exam_file import CLINIC_LINES, PAGE
from rungwise.records import (
    ROLES,
    Account,
    Audited,
    Chain,
    Keep,
    NotAllowedError,
    RecordsError,
    UnknownError,
    Who,
    WrongKeyError,
    back_up,
    change_passphrase,
    is_due,
    key_file_of,
    list_backups,
    new_recovery,
    unlock,
    verify_backup,
)
from rungwise.records.backup import AUTOMATIC
from rungwise.records.store import backups_of

__all__ = [
    "CLINIC_LINES",
    "FACTOR_RULES",
    "PAPERS",
    "ROLES",
    "SWITCHES",
    "Account",
    "Desk",
    "Stored",
    "add_account",
    "another_passphrase",
    "another_recovery",
    "audit_of",
    "back_up_if_due",
    "back_up_now",
    "backups",
    "chain_of",
    "clinic_lines",
    "desk",
    "keep_factor",
    "new_factor",
    "own_account",
    "own_password",
    "prove",
    "reset_factor",
    "save_clinic",
    "save_desk",
    "verify",
]

DESK = "desk"
#: Whether accounts must have a second factor; by itself: where other computers are served.
FACTOR_RULES = ("by_itself", "required", "free")
PAPERS = ("a4", "us-letter")
SWITCHES = ("off", "on")
LOCK_MINUTES, KEPT_MOST = (1, 15), 400
LINE_MAX, ROWS_MAX = 200, 500


# ------------------------------------------------------------------ settings


@dataclass(frozen=True)
class Desk:
    """How this clinic's pages and backups behave.

    Parameters
    ----------
    paper : str
        ``a4`` or ``us-letter``.
    lock_minutes : int
        A session without a sign of life ends after so long [min].
    folder : str
        Where backups go; empty = beside the records.
    hourly, daily, weekly : int
        How many backups are kept [1].
    factor : str
        Whether accounts must have a second factor: one of the `FACTOR_RULES`.
    aids : str
        Whether measuring aids are shown: one of the `SWITCHES`.
    version : int
        Version of this setting, 0 = never set [1].
    """

    paper: str = "a4"
    lock_minutes: int = 15
    folder: str = ""
    hourly: int = Keep.hourly
    daily: int = Keep.daily
    weekly: int = Keep.weekly
    factor: str = FACTOR_RULES[0]
    aids: str = SWITCHES[0]
    version: int = 0


def clinic_lines(casebook: Casebook, who: Who) -> tuple[dict[str, str], int]:
    """The clinic's lines for sheets, and the version of that setting."""
    with casebook.store.work(who) as work:
        found = work.setting(CLINIC)
    lines = tomllib.loads(found.body) if found else {}
    return {name: str(lines.get(name, "")) for name in CLINIC_LINES}, found.version if found else 0


def save_clinic(casebook: Casebook, who: Who, lines: Mapping[str, str], expected: int) -> None:
    """Save the clinic's lines.

    Raises
    ------
    InputError
        A line that is too long or holds signs that cannot be printed; an address that is none.
    ConflictError
        Somebody saved them meanwhile.
    """
    kept = {name: " ".join(lines.get(name, "").split()) for name in CLINIC_LINES}
    faults = [
        Fault(f"clinic.{name}", repr(line[:40]), f"up to {LINE_MAX} printable signs", "Shorten it.")
        for name, line in kept.items()
        if len(line) > LINE_MAX or not line.isprintable()
    ]
    page = kept["page_address"]
    if page and not PAGE.fullmatch(page):
        allowed = "an https address without ? and #"
        remedy = "Such as https://example.org/home/"
        faults.append(Fault("clinic.page_address", page[:60], allowed, remedy))
    if faults:
        raise InputError("settings", tuple(faults))
    text = "".join(f"{name} = {toml_of(line)}\n" for name, line in kept.items() if line)
    with casebook.store.work(who) as work:
        work.set_setting(CLINIC, text, expected)


def desk(casebook: Casebook, who: Who) -> Desk:
    """How the pages and backups behave; as by default where nothing was set."""
    with casebook.store.work(who) as work:
        found = work.setting(DESK)
    if found is None:
        return Desk()
    known = {field.name for field in fields(Desk)}
    told = {name: value for name, value in tomllib.loads(found.body).items() if name in known}
    return Desk(**told | {"version": found.version})


def save_desk(casebook: Casebook, who: Who, typed: Mapping[str, str], expected: int) -> None:
    """Save how the pages and backups behave.

    Raises
    ------
    InputError
        A number out of its range, a paper that there is not, a folder that cannot be used.
    ConflictError
        Somebody saved it meanwhile.
    """
    faults: list[Fault] = []
    told: dict[str, object] = {"paper": typed.get("paper", "a4")}
    if told["paper"] not in PAPERS:
        faults.append(Fault("paper", str(told["paper"]), " | ".join(PAPERS), "Choose one."))
    told["factor"] = typed.get("factor", "") or FACTOR_RULES[0]
    if told["factor"] not in FACTOR_RULES:
        allowed = " | ".join(FACTOR_RULES)
        faults.append(Fault("factor", str(told["factor"])[:20], allowed, "Choose one."))
    told["aids"] = typed.get("aids", "") or SWITCHES[0]
    if told["aids"] not in SWITCHES:
        faults.append(Fault("aids", str(told["aids"])[:20], " | ".join(SWITCHES), "Choose one."))
    bounds = {"lock_minutes": LOCK_MINUTES}
    for name in ("lock_minutes", "hourly", "daily", "weekly"):
        low, high = bounds.get(name, (0, KEPT_MOST))
        given = typed.get(name, "")
        whole = int(given) if given.isascii() and given.isdigit() and len(given) < 6 else -1
        if not low <= whole <= high:
            faults.append(
                Fault(name, given[:20] or "–", f"{low} to {high}", "Type a whole number.")
            )
        told[name] = whole
    folder = typed.get("folder", "").strip()
    told["folder"] = folder
    if folder and not (Path(folder).is_absolute() and folder.isprintable() and len(folder) < 400):
        faults.append(Fault("folder", folder[:60], "a whole path", "Type it from its root on."))
    elif folder:
        try:
            Path(folder).mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            says = str(error.strerror)
            faults.append(Fault("folder", folder[:60], "a folder to write in", says))
    if faults:
        raise InputError("settings", tuple(faults))
    text = "".join(f"{name} = {toml_of(value)}\n" for name, value in told.items())
    with casebook.store.work(who) as work:
        work.set_setting(DESK, text, expected)


# ------------------------------------------------------------------ backups


@dataclass(frozen=True)
class Stored:
    """A backup: its file's name, when it was made, and its size [byte]."""

    name: str
    made: datetime
    size: int


def _folder(casebook: Casebook, who: Who) -> Path:
    place = casebook.store.place
    if place is None:
        raise RecordsError("Back up a server with its own tool: pg_dump.")
    told = desk(casebook, who).folder
    return Path(told) if told else backups_of(place)


def backups(casebook: Casebook, who: Who) -> tuple[str, tuple[Stored, ...]]:
    """Folder of the backups, and what is in it, the newest first."""
    folder = _folder(casebook, who)
    found = []
    for path in reversed(list_backups(folder)):
        made = datetime.strptime(path.name[:15], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
        found.append(Stored(path.name, made, path.stat().st_size))
    return str(folder), tuple(found)


def back_up_now(
    casebook: Casebook, who: Who, progress: Callable[[int, int], None] | None = None
) -> str:
    """Make a backup and verify it; returns its name.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        Who asked for it.
    progress : callable or None
        Is told pages left and pages in all [1]; an error that it raises stops the backup.
    """
    now = desk(casebook, who)
    keep = Keep(now.hourly, now.daily, now.weekly)
    return back_up(casebook.store, _folder(casebook, who), keep, who, progress).name


def back_up_if_due(casebook: Casebook, who: Who = AUTOMATIC) -> str | None:
    """Make the backup of the hour when there is none yet; returns its name."""
    if casebook.state != "open" or casebook.store.place is None:
        return None
    if not is_due(_folder(casebook, who), casebook.clock()):
        return None
    return back_up_now(casebook, who)


def verify(casebook: Casebook, who: Who, name: str) -> tuple[int, int]:
    """Open a backup and check each page of it; returns its rows and its last audit row [1].

    Raises
    ------
    UnknownError
        There is no backup of this name in the folder.
    DamagedError
        It does not pass.
    """
    with casebook.store.work(who) as work:
        work.allow("backup")
        work.note_deed("verify", None, name)
    folder, key = _folder(casebook, who), casebook.store.key
    files = {path.name: path for path in list_backups(folder)}
    if name not in files or key is None:
        raise UnknownError("There is no such backup.")
    found = verify_backup(files[name], key)
    return sum(found.rows.values()), found.head[0]


# ------------------------------------------------------------------ keys


def another_passphrase(casebook: Casebook, who: Who, old: str, new: str) -> None:
    """Lock the records with another passphrase, for who knows the old one.

    Raises
    ------
    WrongKeyError
        The old passphrase does not fit.
    InputError
        The new one is too short, too long or too easy to guess.
    """
    file, key = _own_key(casebook, who, old)
    change_passphrase(file, key, new, casebook.n, clinic_names(casebook.store))
    _did(casebook, who, "passphrase")


def another_recovery(casebook: Casebook, who: Who, passphrase: str) -> str:
    """Make another recovery key, for who knows the passphrase; the printed one opens nothing more.

    Raises
    ------
    WrongKeyError
        The passphrase does not fit.
    """
    file, key = _own_key(casebook, who, passphrase)
    made = new_recovery(file, key, casebook.n)
    _did(casebook, who, "recovery key")
    return made


def _own_key(casebook: Casebook, who: Who, passphrase: str) -> tuple[Path, bytes]:
    with casebook.store.work(who) as work:
        work.allow("settings")
    if casebook.store.place is None:
        raise NotAllowedError("settings: a server has no passphrase of its own.")
    file = key_file_of(casebook.store.place)
    return file, unlock(file, passphrase)


def _did(casebook: Casebook, who: Who, what: str) -> None:
    with casebook.store.work(who) as work:
        work.note_deed("change keys", None, what)


# ------------------------------------------------------------------ accounts


def add_account(casebook: Casebook, who: Who, name: str, role: str, password: str) -> None:
    """Add somebody who may sign in; the first one must be an administrator.

    Raises
    ------
    InputError
        A name that is taken, a weak password, a first one with another role.
    """
    if role != "administrator" and not casebook.named:
        fault = Fault("role", role[:40], "administrator", "The first one manages the others.")
        raise InputError("account", (fault,))
    casebook.accounts.add(who, name, role, password, clinic_names(casebook.store))


def own_account(casebook: Casebook, who: Who) -> Account | None:
    """One's own account; None for the one user of a computer."""
    return casebook.accounts.own(who)


def own_password(casebook: Casebook, who: Who, old: str, new: str) -> None:
    """Set one's own password, for who knows the old one; ends every session of the account.

    Raises
    ------
    WrongKeyError
        The old one does not fit.
    InputError
        The new one is too weak.
    """
    prove(casebook, who, old)
    casebook.accounts.set_password(who, who.id, new, clinic_names(casebook.store))


def new_factor(casebook: Casebook, who: Who, old: str) -> tuple[str, str]:
    """A secret for one's own second factor, for who knows the password; nothing is kept yet.

    Returns
    -------
    str, str
        The secret, and its address for an authenticator.

    Raises
    ------
    WrongKeyError
        The password does not fit.
    """
    prove(casebook, who, old)
    return casebook.accounts.new_factor(who)


def keep_factor(casebook: Casebook, who: Who, secret: str, code: str) -> tuple[str, ...]:
    """Keep one's own second factor once its first code was shown; returns the recovery codes.

    Raises
    ------
    SignInError
        The code does not fit; nothing was kept.
    """
    return casebook.accounts.set_second_factor(who, secret, code)


def reset_factor(casebook: Casebook, who: Who, account: str, old: str) -> None:
    """Take off somebody's second factor, by an administrator who knows the own password.

    Raises
    ------
    WrongKeyError
        The password does not fit.
    """
    prove(casebook, who, old)
    casebook.accounts.reset_second_factor(who, account)


def prove(casebook: Casebook, who: Who, password: str) -> None:
    """Make sure that it is still the same person: the own password, or the records' passphrase.

    Raises
    ------
    WrongKeyError
        It does not fit.
    """
    if casebook.accounts.own(who) is None:
        _own_key(casebook, who, password)
    elif not casebook.accounts.knows(who, password):
        raise WrongKeyError("The password does not fit.")


# ------------------------------------------------------------------ audit


def audit_of(
    casebook: Casebook, who: Who, person: str = "", day: str = "", start: int = 0, count: int = 100
) -> tuple[tuple[Audited, ...], int, tuple[int, str]]:
    """Who saw and changed what, the newest first: a part of the rows, how many, and the head.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        Must be an administrator.
    person : str
        Id of a person, or its first signs; empty for all.
    day : str
        Day by Coordinated Universal Time, as 2026-11-25; empty for all.
    start, count : int
        Where the part starts, from 0, and how many rows it holds [1].
    """
    with casebook.store.work(who) as work:
        head = work.head
        rows, total = work.audit_page(person.lower(), day, start, min(count, ROWS_MAX))
    return tuple(rows), total, head


def chain_of(casebook: Casebook, who: Who, seq: int = 0, digest: str = "") -> Chain:
    """Follow the whole audit and hold every record against it.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        Must be an administrator.
    seq : int
        Number of a head that was kept elsewhere; 0 = none [1].
    digest : str
        Its hash.
    """
    with casebook.store.work(who) as work:
        work.allow("audit")
        work.note_deed("check", None, "")
    return casebook.store.check((seq, digest.strip().lower()) if seq and digest.strip() else None)
