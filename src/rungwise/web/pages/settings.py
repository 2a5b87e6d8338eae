"""Settings: the clinic's lines, pages and backups, keys, one's own account, and who may sign in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar

from rungwise import casebook_office as office
from rungwise.casebook import NotAllowedError, SignInError, WrongKeyError, qr_of
from rungwise.casebook_measure import aids_there
from rungwise.casebook_office import FACTOR_RULES, ROLES, SWITCHES, Account, Desk, Stored
from rungwise.core.errors import Fault, InputError
from rungwise.web.jobs import Step
from rungwise.web.page import At, Go, Page, Visit, told
from rungwise.web.pages.settings_conflict import Save, setting_saved

__all__ = ["ROUTES"]

WRONG_MOST = 5


@dataclass(frozen=True)
class Begun:
    """A session of one's own: since when, the last sign of life, and where from."""

    key: str
    made: str
    seen: str
    address: str
    here: bool


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
    keys: bool = told("Whether passphrase and recovery key are changed here, not on a network.")
    accounts: tuple[Account, ...] = told("Who may sign in.")
    roles: tuple[str, ...] = told("Roles that there are.", ROLES)
    own: Account | None = told("The visitor's own account; None for the one user of a computer.")  # noqa: RUF009
    factor_rules: tuple[str, ...] = told("Rules of a second factor that there are.", FACTOR_RULES)
    aids: tuple[str, ...] = told("Switches of the measuring aids; none without them.")
    sessions: tuple[Begun, ...] = told("The visitor's own sessions, the newest first.")
    saved: str = told("What was saved just now: a word; empty for nothing.", "")


@dataclass(frozen=True, kw_only=True)
class SecondFactor(Page):
    """Set up the own second factor: start it, show its first code, take the recovery codes."""

    template: ClassVar[str] = "second_factor.html"
    must: bool = told("Whether nothing else can be reached before it is set up.", False)
    is_on: bool = told("Whether there is one already.", False)
    qr: str = told("QR code for an authenticator, as SVG; empty before it was started.", "")
    secret: str = told("The same as text, in groups of four.", "")
    codes: tuple[str, ...] = told("Recovery codes, once it is kept; they are shown once.", ())


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
        keys=on_file and not visit.settings.named,
        accounts=casebook.accounts.all(who) if "accounts" in may else (),
        own=office.own_account(casebook, who),
        aids=SWITCHES if aids_there() else (),
        sessions=tuple(
            Begun(one.key, _time(one.made_s), _time(one.seen_s), one.address, one.here)
            for one in visit.access.own_sessions(visit.cookie)
        ),
        saved=saved if saved in SAVED else "",
        faults=faults,
        status=422 if faults else 200,
    )


SAVED = ("clinic", "desk", "passphrase", "account", "password", "signed_out", "ended", "reset")


def _time(time_s: float) -> str:
    return datetime.fromtimestamp(time_s).strftime("%Y-%m-%d %H:%M")


def _tried(visit: Visit, verb: Callable[[], None], saved: str) -> Page | Go:
    """Do what was asked for, or show the settings with what must be mended."""
    try:
        verb()
    except InputError as error:
        lines = visit.form if visit.url == "/settings/clinic" else {}
        return settings(visit, error.faults, {k: v[-1] for k, v in lines.items()})
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
    if field == "code":
        allowed = visit.say("second.the_right_code")
        return _factor(visit, (Fault(field, "–", allowed, visit.say("second.wrong")),))
    fault = Fault(field, "–", visit.say("settings.the_right_one"), visit.say("enter.wrong"))
    if visit.url.startswith("/settings/second-factor"):
        return _factor(visit, (fault,))
    return settings(visit, (fault,))


def clinic(visit: Visit) -> Page | Go:
    """Save the clinic's lines."""
    lines = {name: visit.typed(name) for name in office.CLINIC_LINES}

    def save(kept: Mapping[str, str], seen: int) -> None:
        office.save_clinic(visit.casebook, visit.who, kept, seen)

    return _kept(visit, "clinic", lines, save)


def _kept(visit: Visit, name: str, typed: Mapping[str, str], save: Save) -> Page | Go:
    """Save a setting, or show both sides when somebody else did meanwhile."""
    conflicts: list[Page] = []

    def verb() -> None:
        if conflict := setting_saved(visit, name, typed, save):
            conflicts.append(conflict)

    page = _tried(visit, verb, name)
    return conflicts[0] if conflicts else page


def desk(visit: Visit) -> Page | Go:
    """Save how pages and backups behave; the time of the lock holds from now on."""
    names = ("paper", "lock_minutes", "folder", "hourly", "daily", "weekly", "factor", "aids")
    typed = {name: visit.typed(name) for name in names}

    def save(kept: Mapping[str, str], seen: int) -> None:
        office.save_desk(visit.casebook, visit.who, kept, seen)
        visit.access.take_rules()

    return _kept(visit, "desk", typed, save)


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
    _at_the_computer(visit)
    old, new, again = (visit.form.get(n, ("",))[-1] for n in ("old", "passphrase", "again"))
    if new != again:
        return settings(visit, (_differ(visit),))
    verb = office.another_passphrase
    return _tried(visit, lambda: verb(visit.casebook, visit.who, old, new), "passphrase")


def _at_the_computer(visit: Visit) -> None:
    """Refuse keys of the records where they would travel through a network."""
    if visit.settings.named:
        raise NotAllowedError("settings: keys are changed at the computer itself.")


def recovery(visit: Visit) -> Page | Go:
    """Make another recovery key, and show it once."""
    assert visit.session is not None
    _at_the_computer(visit)
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
    """Give an account another role, close or open it, sign it out, take off its second factor."""
    account, did = visit.path["account"], visit.typed("action")
    saved = {"sign_out": "signed_out", "factor": "reset"}.get(did, "account")

    def verb() -> None:
        accounts = visit.casebook.accounts
        if did == "role":
            accounts.change(visit.who, account, role=visit.typed("role"))
        elif did in ("disable", "enable"):
            accounts.change(visit.who, account, disabled=did == "disable")
        elif did == "sign_out":
            accounts.sign_out_everywhere(visit.who, account)
        elif did == "factor":
            office.reset_factor(visit.casebook, visit.who, account, _old(visit))

    return _tried(visit, verb, saved)


def password(visit: Visit) -> Page | Go:
    """Set one's own password; every session of it ends."""
    old, new, again = (visit.form.get(n, ("",))[-1] for n in ("old", "passphrase", "again"))
    if new != again:
        return settings(visit, (_differ(visit),))
    return _tried(
        visit, lambda: office.own_password(visit.casebook, visit.who, old, new), "password"
    )


def second_factor(visit: Visit) -> Page | Go:
    """Show how far the own second factor is, or start one; nothing is kept before its first code.

    What was started is held by the session until its first code was typed, and ends with it.
    """
    assert visit.session is not None
    if office.own_account(visit.casebook, visit.who) is None:
        return Go("/settings")
    if visit.method == "GET":
        return _factor(visit)
    try:
        secret, address = office.new_factor(visit.casebook, visit.who, _old(visit))
    except WrongKeyError:
        return _wrong(visit, "old")
    visit.session.held |= {"factor": secret, "factor_address": address}
    return Go("/settings/second-factor")


def confirm_factor(visit: Visit) -> Page | Go:
    """Keep the own second factor once its first code fits, and show the recovery codes once."""
    assert visit.session is not None
    secret = visit.session.held.get("factor", "")
    if not secret:
        return Go("/settings/second-factor")
    try:
        codes = office.keep_factor(visit.casebook, visit.who, secret, visit.typed("code"))
    except SignInError:
        return _wrong(visit, "code")
    visit.session.held.pop("factor", None)
    visit.session.held.pop("factor_address", None)
    return SecondFactor(title=visit.say("second.codes"), codes=codes)


def _factor(visit: Visit, faults: tuple[Fault, ...] = ()) -> SecondFactor:
    assert visit.session is not None
    held = visit.session.held
    secret = held.get("factor", "")
    return SecondFactor(
        title=visit.say("second.title"),
        must=visit.access.held_back(visit.session),
        is_on=visit.session.has_factor,
        qr=qr_of(held["factor_address"]) if secret else "",
        secret=" ".join(secret[i : i + 4] for i in range(0, len(secret), 4)),
        faults=faults,
        status=422 if faults else 200,
    )


def sessions(visit: Visit) -> Page | Go:
    """End one of the own sessions, or all of them, for who proves it once more."""
    key = visit.typed("end")
    try:
        office.prove(visit.casebook, visit.who, _old(visit))
    except WrongKeyError:
        return _wrong(visit, "old")
    own = {one.key: one for one in visit.access.own_sessions(visit.cookie)}
    if key == "all":
        visit.casebook.accounts.sign_out_everywhere(visit.who, visit.who.id)
        visit.access.end_own(visit.cookie, "")
    elif key in own:
        visit.access.end_own(visit.cookie, key)
    if key == "all" or (key in own and own[key].here):
        return Go("/enter", token=visit.access.new_token(), leave=True)
    return Go("/settings?saved=ended")


def _old(visit: Visit) -> str:
    """The password in use now, as it was typed: spaces count."""
    return str(visit.form.get("old", ("",))[-1])


def _differ(visit: Visit) -> Fault:
    return Fault("again", "–", visit.say("first.same"), visit.say("first.differ"))


ANY = "read settings"
ROUTES = (
    At("/settings", settings, deed=ANY),
    At("/settings/language", tongue, "POST", deed=ANY),
    At("/settings/clinic", clinic, "POST", deed="settings", keeps="/settings"),
    At("/settings/desk", desk, "POST", deed="settings", keeps="/settings"),
    At("/settings/backup", backup, "POST", deed="backup"),
    At("/settings/verify", verify, "POST", deed="backup"),
    At("/settings/passphrase", passphrase, "POST", deed="settings"),
    At("/settings/recovery", recovery, "POST", deed="settings"),
    At("/settings/accounts", add_account, "POST", deed="accounts"),
    At("/settings/accounts/{account}", change_account, "POST", deed="accounts"),
    At("/settings/password", password, "POST", deed=ANY),
    At("/settings/second-factor", second_factor, "GET POST", deed=ANY),
    At("/settings/second-factor/confirm", confirm_factor, "POST", deed=ANY),
    At("/settings/sessions", sessions, "POST", deed=ANY),
)
