"""The door: first start, sign in, recovery, lock, language."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from rungwise.casebook import SignInError
from rungwise.core.errors import Fault, InputError
from rungwise.web.page import At, Go, Page, Visit, told
from rungwise.web.setup_code import make_first_account

__all__ = ["ROUTES"]

SHORTEST, GOOD = 15, 25


@dataclass(frozen=True, kw_only=True)
class FirstStart(Page):
    """Make the records: a passphrase, typed twice."""

    template: ClassVar[str] = "first_start.html"
    shortest: int = told("Shortest passphrase [characters].", SHORTEST)
    good: int = told("From here a passphrase counts as strong [characters].", GOOD)


@dataclass(frozen=True, kw_only=True)
class FirstAccount(Page):
    """Make the first account where several people work, with the code from the terminal."""

    template: ClassVar[str] = "first_account.html"
    wrong: str = told("Why the last try failed.", "")
    code: str = told("Setup code as it was typed.", "")
    name: str = told("Name as it was typed.", "")
    shortest: int = told("Shortest password [characters].", SHORTEST)
    good: int = told("From here a password counts as strong [characters].", GOOD)


@dataclass(frozen=True, kw_only=True)
class Recovery(Page):
    """The recovery key, shown once and to be printed."""

    template: ClassVar[str] = "recovery.html"
    key: str = told("The key, in groups with a check sign each.")
    place: str = told("Folder of the records, as it is to be kept safe.")
    made: str = told("Day on which it was made.")


@dataclass(frozen=True, kw_only=True)
class SignIn(Page):
    """Open the records by the passphrase; by name as well where several people work."""

    template: ClassVar[str] = "sign_in.html"
    locked: bool = told("Whether the passphrase of the records is asked for.")
    wrong: str = told("Why the last try failed.", "")
    name: str = told("Name as it was typed.", "")


@dataclass(frozen=True, kw_only=True)
class Recover(Page):
    """Open the records by the printed key, with a new passphrase."""

    template: ClassVar[str] = "recover.html"
    wrong: str = told("Why the last try failed.", "")
    typed: str = told("The key as it was typed.", "")
    shortest: int = told("Shortest passphrase [characters].", SHORTEST)


def enter(visit: Visit) -> Page | Go:
    """The page that lets in: first start, or sign in."""
    if visit.session is not None:
        return Go("/recovery" if "recovery" in visit.session.held else "/")
    if visit.settings.named:
        return _sign_in(visit) if visit.casebook.named else _first_account(visit)
    if visit.casebook.state == "new":
        return FirstStart(title=visit.say("first.title"))
    return _sign_in(visit)


def _sign_in(visit: Visit, wrong: str = "", status: int = 200) -> SignIn:
    locked = visit.casebook.state == "locked"
    named = visit.settings.named or (not locked and visit.casebook.named)
    title = visit.say("enter.title")
    return SignIn(
        title=title, locked=not named, wrong=wrong, name=visit.typed("name"), status=status
    )


def first_start(visit: Visit) -> Page | Go:
    """Make the records."""
    if visit.settings.named:
        return Go("/enter")
    title = visit.say("first.title")
    given, again = visit.form.get("passphrase", ("",))[-1], visit.form.get("again", ("",))[-1]
    if given != again:
        say = visit.say
        fault = Fault("again", "–", say("first.same"), say("first.differ"))
        return FirstStart(title=title, faults=(fault,), status=422)
    try:
        token = visit.access.create(given, visit.address)
    except InputError as error:
        return FirstStart(title=title, faults=error.faults, status=422)
    return Go("/recovery", token=token)


def _first_account(
    visit: Visit, wrong: str = "", faults: tuple[Fault, ...] = (), status: int = 200
) -> FirstAccount:
    return FirstAccount(
        title=visit.say("first_account.title"),
        wrong=wrong,
        code=visit.typed("code"),
        name=visit.typed("name"),
        faults=faults,
        status=status,
    )


def first_account(visit: Visit) -> Page | Go:
    """Make the first account; signing in with it comes next."""
    say = visit.say
    if not visit.settings.named or visit.casebook.named:
        return Go("/enter")
    given, again = visit.form.get("passphrase", ("",))[-1], visit.form.get("again", ("",))[-1]
    if given != again:
        fault = Fault("again", "–", say("first.same"), say("first.differ"))
        return _first_account(visit, faults=(fault,), status=422)
    try:
        code, name = visit.typed("code"), visit.typed("name")
        make_first_account(visit.access, code, name, given, visit.address)
    except SignInError as error:
        words = "enter.wrong_wait" if error.wait_s else "first_account.wrong"
        status = 429 if error.wait_s else 403
        return _first_account(visit, say(words, seconds=error.wait_s), status=status)
    except InputError as error:
        return _first_account(visit, faults=error.faults, status=422)
    return Go("/enter")


def recovery(visit: Visit) -> Page | Go:
    """Show the recovery key until it is said to be kept."""
    assert visit.session is not None
    key = visit.session.held.get("recovery")
    if key is None:
        return Go("/")
    return Recovery(
        title=visit.say("recovery.title"),
        key=key,
        place=str(visit.casebook.place),
        made=visit.say.day(visit.casebook.today()),
    )


def recovery_kept(visit: Visit) -> Go:
    """Forget the recovery key."""
    assert visit.session is not None
    visit.session.held.pop("recovery", None)
    return Go("/")


def sign_in(visit: Visit) -> Page | Go:
    """Sign in, or say why not; the same words whatever does not fit."""
    passphrase = visit.form.get("passphrase", ("",))[-1]
    try:
        if visit.settings.named or (visit.casebook.state == "open" and visit.casebook.named):
            token = visit.access.sign_in(
                visit.typed("name"), passphrase, visit.typed("code"), visit.address
            )
        else:
            token = visit.access.unlock(passphrase, visit.address)
            if visit.casebook.named:  # the records are open now; each signs in by name
                visit.access.end(token)
                return Go("/enter")
    except SignInError as error:
        words = "enter.wrong_wait" if error.wait_s else "enter.wrong"
        status = 429 if error.wait_s else 403
        return _sign_in(visit, visit.say(words, seconds=error.wait_s), status)
    return Go(visit.access.give_back(visit.cookie, token), token=token)


def recover(visit: Visit) -> Page | Go:
    """Open by the recovery key."""
    if visit.settings.named:
        return Go("/enter")
    title = visit.say("recover.title")
    if visit.method == "GET":
        return Recover(title=title)
    given = visit.form.get("passphrase", ("",))[-1]
    try:
        token = visit.access.recover(visit.typed("recovery"), given, visit.address)
    except SignInError as error:
        words = "enter.wrong_wait" if error.wait_s else "enter.wrong"
        wrong = visit.say(words, seconds=error.wait_s)
        return Recover(title=title, wrong=wrong, typed=visit.typed("recovery"), status=403)
    except InputError as error:
        return Recover(title=title, faults=error.faults, typed=visit.typed("recovery"), status=422)
    return Go(visit.access.give_back(visit.cookie, token), token=token)


def lock(visit: Visit) -> Go:
    """Sign out; the records of a single user are locked with it."""
    visit.access.end(visit.cookie)
    return Go("/enter", token=visit.access.new_token(), leave=True)


def language(visit: Visit) -> Go:
    """Take another language for the pages."""
    return Go("/", language=visit.typed("language"))


ROUTES = (
    At("/language", language, "POST", deed=""),
    At("/enter", enter, deed=""),
    At("/enter/first", first_start, "POST", deed=""),
    At("/enter/first-account", first_account, "POST", deed=""),
    At("/enter/sign-in", sign_in, "POST", deed=""),
    At("/enter/recover", recover, "GET POST", deed=""),
    At("/recovery", recovery, deed="settings"),
    At("/recovery/kept", recovery_kept, "POST", deed="settings"),
    At("/lock", lock, "POST", deed=""),
)
