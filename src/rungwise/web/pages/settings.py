"""Settings: the clinic's lines, pages and backups, keys, one's own account, and who may sign in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from rungwise import casebook_office as office
from rungwise.casebook import WrongKeyError, qr_of
from rungwise.casebook_office import ROLES, Account, Desk, Stored
from rungwise.core.errors import Fault, InputError
from rungwise.web.jobs import Step
from rungwise.web.page import At, Go, Page, Visit, told

__all__ = ["ROUTES"]

WRONG_MOST = 5


@dataclass(frozen=True, kw_only=True)
class SettingsPage(Page):
    """Everything that can be set, as far as the visitor's role covers it."""

    template: ClassVar[str] = "settings.html"
    may: frozenset[str] = told("Deeds of the visitor's role: settings, backup, accounts.")
    lines: dict[str, str] = told("The clinic's lines for sheets, by name.")  # noqa: RUF009
    lines_version: int = told("Version of the clinic's lines that is shown [1].")
    desk: Desk = told("How pages and backups behave.")  # noqa: RUF009
    papers: tuple[str, ...] = told("Papers that there are.", office.PAPERS)
    folder: str = told("Folder of the backups; empty where a server keeps the records.")
    stored: tuple[Stored, ...] = told("The backups, the newest first.")
    file: str = told("File of the records; empty where a server keeps them.")
    accounts: tuple[Account, ...] = told("Who may sign in.")
    roles: tuple[str, ...] = told("Roles that there are.", ROLES)
    own: Account | None = told("The visitor's own account; None for the one user of a computer.")  # noqa: RUF009
    saved: str = told("What was saved just now: a word; empty for nothing.", "")


@dataclass(frozen=True, kw_only=True)
class SecondFactor(Page):
    """The second factor, shown once."""

    template: ClassVar[str] = "second_factor.html"
    qr: str = told("QR code for an authenticator, as SVG.")
    secret: str = told("The same as text, in groups of four.")
    codes: tuple[str, ...] = told("Recovery codes; each stands in for one code, once.")


def settings(
    visit: Visit, faults: tuple[Fault, ...] = (), typed: dict[str, str] | None = None
) -> SettingsPage:
    """Show the settings; with what was typed where something must be mended."""
    casebook, who = visit.casebook, visit.who
    may = frozenset(deed for deed in ("settings", "backup", "accounts") if who.may(deed))
    lines, version = office.clinic_lines(casebook, who)
    on_file = casebook.store.place is not None
    folder, stored = office.backups(casebook, who) if on_file and "backup" in may else ("", ())
    saved = visit.query.get("saved", "")
    return SettingsPage(
        title=visit.say("settings.title"),
        may=may,
        lines={name: (typed or lines).get(name, line) for name, line in lines.items()},
        lines_version=version,
        desk=office.desk(casebook, who),
        folder=folder,
        stored=stored[:40],
        file=str(casebook.store.place or ""),
        accounts=casebook.accounts.all(who) if "accounts" in may else (),
        own=office.own_account(casebook, who),
        saved=saved if saved in SAVED else "",
        faults=faults,
        status=422 if faults else 200,
    )


SAVED = ("clinic", "desk", "passphrase", "account", "password", "signed_out")


def _tried(visit: Visit, verb: Callable[[], None], saved: str) -> Page | Go:
    """Do what was asked for, or show the settings with what must be mended."""
    try:
        verb()
    except InputError as error:
        return settings(visit, error.faults, {k: v[-1] for k, v in visit.form.items()})
    except WrongKeyError:
        return _wrong(visit, "old")
    return Go(f"/settings?saved={saved}")


def _wrong(visit: Visit, field: str) -> Page | Go:
    """A passphrase that does not fit: a few tries, then the session ends."""
    assert visit.session is not None
    tries = int(visit.session.held.get("wrong", "0")) + 1
    visit.session.held["wrong"] = str(tries)
    if tries >= WRONG_MOST:
        visit.access.end(visit.cookie)
        return Go("/enter", token=visit.access.new_token(), leave=True)
    fault = Fault(field, "–", visit.say("settings.the_right_one"), visit.say("enter.wrong"))
    return settings(visit, (fault,))


def clinic(visit: Visit) -> Page | Go:
    """Save the clinic's lines."""
    lines = {name: visit.typed(name) for name in office.CLINIC_LINES}
    expected = visit.whole("expected")
    verb = office.save_clinic
    return _tried(visit, lambda: verb(visit.casebook, visit.who, lines, expected), "clinic")


def desk(visit: Visit) -> Page | Go:
    """Save how pages and backups behave; the time of the lock holds from now on."""
    names = ("paper", "lock_minutes", "folder", "hourly", "daily", "weekly")
    typed = {name: visit.typed(name) for name in names}

    def verb() -> None:
        office.save_desk(visit.casebook, visit.who, typed, visit.whole("expected"))
        visit.access.take_lock_time()

    return _tried(visit, verb, "desk")


def tongue(visit: Visit) -> Go:
    """Take another language for the pages."""
    return Go("/settings", language=visit.typed("language"))


def backup(visit: Visit) -> Go:
    """Make a backup, as long work."""
    assert visit.session is not None
    casebook, who, say = visit.casebook, visit.who, visit.say

    def work(step: Step) -> str:
        name = office.back_up_now(casebook, who, lambda left, total: step(total - left, total))
        return say("settings.backed_up", name=name)

    return Go(f"/running/{visit.session.jobs.start('backup', work)}")


def verify(visit: Visit) -> Go:
    """Open a backup and check each page of it, as long work."""
    assert visit.session is not None
    casebook, who, say, name = visit.casebook, visit.who, visit.say, visit.typed("name")[:100]

    def work(_: Step) -> str:
        rows, row = office.verify(casebook, who, name)
        return say("settings.verified", name=name, rows=rows, row=row)

    return Go(f"/running/{visit.session.jobs.start('verify', work)}")


def passphrase(visit: Visit) -> Page | Go:
    """Lock the records with another passphrase."""
    old, new, again = (visit.form.get(n, ("",))[-1] for n in ("old", "passphrase", "again"))
    if new != again:
        return settings(visit, (_differ(visit),))
    verb = office.another_passphrase
    return _tried(visit, lambda: verb(visit.casebook, visit.who, old, new), "passphrase")


def recovery(visit: Visit) -> Page | Go:
    """Make another recovery key, and show it once."""
    assert visit.session is not None
    old = visit.form.get("old", ("",))[-1]
    try:
        made = office.another_recovery(visit.casebook, visit.who, old)
    except WrongKeyError:
        return _wrong(visit, "old")
    visit.session.held["recovery"] = made
    return Go("/recovery")


def add_account(visit: Visit) -> Page | Go:
    """Add somebody who may sign in; the first one is an administrator."""
    name, role = visit.typed("name"), visit.typed("role")
    password = visit.form.get("passphrase", ("",))[-1]
    verb = office.add_account
    return _tried(visit, lambda: verb(visit.casebook, visit.who, name, role, password), "account")


def change_account(visit: Visit) -> Page | Go:
    """Give an account another role, close or open it, or sign it out everywhere."""
    account, did = visit.path["account"], visit.typed("action")

    def verb() -> None:
        accounts = visit.casebook.accounts
        if did == "role":
            accounts.change(visit.who, account, role=visit.typed("role"))
        elif did in ("disable", "enable"):
            accounts.change(visit.who, account, disabled=did == "disable")
        elif did == "sign_out":
            accounts.sign_out_everywhere(visit.who, account)

    return _tried(visit, verb, "signed_out" if did == "sign_out" else "account")


def password(visit: Visit) -> Page | Go:
    """Set one's own password; every session of it ends."""
    old, new, again = (visit.form.get(n, ("",))[-1] for n in ("old", "passphrase", "again"))
    if new != again:
        return settings(visit, (_differ(visit),))
    return _tried(
        visit, lambda: office.own_password(visit.casebook, visit.who, old, new), "password"
    )


def second_factor(visit: Visit) -> Page | Go:
    """Start one's own second factor; the next sign-in asks for it."""
    old = visit.form.get("old", ("",))[-1]
    try:
        address, codes = office.own_second_factor(visit.casebook, visit.who, old)
    except WrongKeyError:
        return _wrong(visit, "old")
    secret = address.partition("secret=")[2].partition("&")[0]
    groups = " ".join(secret[i : i + 4] for i in range(0, len(secret), 4))
    title = visit.say("second.title")
    return SecondFactor(title=title, qr=qr_of(address), secret=groups, codes=codes)


def out_everywhere(visit: Visit) -> Go:
    """End every session of one's own account."""
    visit.casebook.accounts.sign_out_everywhere(visit.who, visit.who.id)
    visit.access.end(visit.cookie)
    return Go("/enter", token=visit.access.new_token(), leave=True)


def _differ(visit: Visit) -> Fault:
    return Fault("again", "–", visit.say("first.same"), visit.say("first.differ"))


ANY = "read settings"
ROUTES = (
    At("/settings", settings, deed=ANY),
    At("/settings/language", tongue, "POST", deed=ANY),
    At("/settings/clinic", clinic, "POST", deed="settings"),
    At("/settings/desk", desk, "POST", deed="settings"),
    At("/settings/backup", backup, "POST", deed="backup"),
    At("/settings/verify", verify, "POST", deed="backup"),
    At("/settings/passphrase", passphrase, "POST", deed="settings"),
    At("/settings/recovery", recovery, "POST", deed="settings"),
    At("/settings/accounts", add_account, "POST", deed="accounts"),
    At("/settings/accounts/{account}", change_account, "POST", deed="accounts"),
    At("/settings/password", password, "POST", deed=ANY),
    At("/settings/second-factor", second_factor, "POST", deed=ANY),
    At("/settings/sign-out", out_everywhere, "POST", deed=ANY),
)
