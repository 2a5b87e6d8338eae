"""Who may come in: sessions, forms that cannot be forged, slow guessing, the automatic lock.

A visitor's cookie holds a random token and nothing else. It is replaced at every sign-in and
sign-out. What belongs to it is kept here, in memory: restarting the program signs everybody out.
Failed tries at the passphrase outlive that: they are kept beside the records.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Lock

from rungwise.casebook import (
    LOCAL,
    Casebook,
    NotAllowedError,
    SignInError,
    Who,
    WrongKeyError,
    is_short,
)
from rungwise.casebook_office import FACTOR_RULES, desk
from rungwise.core.errors import RungwiseError
from rungwise.web.jobs import Jobs
from rungwise.web.shelf import Shelf

__all__ = ["Access", "Held", "Session", "Settings", "Shown"]

Form = Mapping[str, Sequence[str]]
GONE_MAX = 50
LONGEST_WAIT_S = 15 * 60


@dataclass(frozen=True)
class Settings:
    """How the pages are served.

    Parameters
    ----------
    hosts : tuple of str
        Names under which they may be asked for, without the port; any other is refused.
    https : bool
        Whether browsers reach them by HTTPS.
    named : bool
        Whether several people work, each with an account of their own; no passphrase of the
        records is asked for on a page then, and nobody's leaving locks them.
    setup_code : str
        What the first account is made with, where there is none; empty = no page makes it.
    idle_s : int
        After this long without a sign of life a session ends, and the records are locked [s].
    absolute_s : int
        After this long a session ends in any case [s].
    body_max : int
        Longest body of a request [byte].
    language : str
        Language until a visitor chooses one.
    """

    hosts: tuple[str, ...] = ("127.0.0.1", "localhost", "[::1]")
    https: bool = False
    named: bool = False
    setup_code: str = ""
    idle_s: int = 15 * 60
    absolute_s: int = 12 * 3600
    body_max: int = 1_000_000
    language: str = "en"

    @property
    def cookie(self) -> str:
        """Name of the cookie; the prefix needs HTTPS."""
        return "__Host-rungwise" if self.https else "rungwise"


@dataclass(frozen=True)
class Held:
    """A form that was open when its session was over.

    Parameters
    ----------
    page : str
        Address of the page that shows it.
    action : str
        Address that it is sent to.
    form : mapping of str to sequence of str
        What was typed.
    """

    page: str
    action: str
    form: Form


@dataclass
class Session:
    """Somebody who is signed in.

    Parameters
    ----------
    who : Who
        Who.
    name : str
        Name as it is shown.
    account : str
        Token of the account's own session; empty for the one user of a computer.
    made_s, seen_s : float
        When it began, and the last sign of life [s].
    address : str
        Where it began from.
    needs_factor : bool
        Whether the account must set up a second factor before it reaches anything else, whatever
        the clinic's rule is.
    has_factor : bool
        Whether the account has a second factor; a change of it ends the session.
    held : dict
        Small things to be shown once, such as the recovery key.
    form : Held or None
        A form that was open when the records were locked.
    jobs : Jobs
        Long work that it asked for.
    shelf : Shelf
        Photographs that it measures on, in memory.
    """

    who: Who
    name: str
    account: str
    made_s: float
    seen_s: float
    address: str = ""
    needs_factor: bool = False
    has_factor: bool = False
    held: dict[str, str] = field(default_factory=dict)
    form: Held | None = None
    jobs: Jobs = field(default_factory=Jobs)
    shelf: Shelf = field(default_factory=Shelf)


@dataclass(frozen=True)
class Shown:
    """A session as its owner sees it.

    Parameters
    ----------
    key : str
        Names it, and opens nothing.
    made_s, seen_s : float
        When it began, and the last sign of life [s].
    address : str
        Where it began from.
    here : bool
        Whether it is the one that asks.
    """

    key: str
    made_s: float
    seen_s: float
    address: str
    here: bool


class Access:
    """The sessions of one running program.

    Parameters
    ----------
    casebook : Casebook
        The records.
    settings : Settings
        How they are served.
    """

    def __init__(self, casebook: Casebook, settings: Settings) -> None:
        self.casebook, self.settings = casebook, settings
        self.idle_s = settings.idle_s
        self._secret = secrets.token_bytes(32)
        self._sessions: dict[str, Session] = {}
        self._gone: OrderedDict[str, str] = OrderedDict()  # sessions that ran out -> who it was
        self._forms: dict[str, Held] = {}
        self._factor = False
        self._lock = Lock()

    def now_s(self) -> float:
        """Seconds of the records' clock [s]."""
        return self.casebook.clock().timestamp()

    # -------------------------------------------------------------- tokens

    @staticmethod
    def new_token() -> str:
        """A new random token for a cookie."""
        return secrets.token_urlsafe(32)

    def form_token(self, token: str) -> str:
        """The token that every form of a visitor carries."""
        return hmac.new(self._secret, token.encode(), hashlib.sha256).hexdigest()

    def form_fits(self, token: str, given: str) -> bool:
        """Whether a form was made for this visitor."""
        wanted = self.form_token(token).encode()
        return bool(token) and hmac.compare_digest(wanted, given.encode("utf-8", "replace"))

    # -------------------------------------------------------------- sessions

    def session(self, token: str) -> Session | None:
        """The session of a token, if it is not over; counts as a sign of life."""
        now_s = self.now_s()
        with self._lock:
            found = self._sessions.get(_hash(token))
            if found is None:
                return None
            if self._is_over(found, now_s):
                self._run_out(_hash(token))
                found = None
        if found is None:
            self.lock_if_idle()
            return None
        if found.account:
            who = self.casebook.accounts.who(found.account)
            if who is None:
                self.end(token)
                return None
            found.who = who
        elif self.casebook.state != "open":
            self.end(token)
            return None
        found.seen_s = now_s
        return found

    def _is_over(self, session: Session, now_s: float) -> bool:
        idle_s, age_s = now_s - session.seen_s, now_s - session.made_s
        # a clock that jumped back must not make a session last for ever
        return idle_s >= self.idle_s or age_s >= self.settings.absolute_s or age_s < -LONGEST_WAIT_S

    def _run_out(self, key: str) -> None:
        """Drop a session that is over, and keep whose it was, for a form that was still open."""
        found = self._sessions.pop(key)
        found.jobs.stop_all()
        self._gone[key] = found.who.id
        if found.form is not None:  # put aside, as while one measures
            self._forms[key] = found.form
        while len(self._gone) > GONE_MAX:
            self._forms.pop(self._gone.popitem(last=False)[0], None)

    def hold(self, token: str, held: Held) -> None:
        """Keep a form whose session ran out, in memory, until the same person signs in again."""
        key = _hash(token)
        with self._lock:
            if key in self._sessions:
                self._run_out(key)
            if key in self._gone:
                self._forms[key] = held
        self.lock_if_idle()

    def give_back(self, before: str, token: str) -> str:
        """Hand a kept form to the new session of the same person; returns where to go on."""
        key = _hash(before)
        with self._lock:
            whose, kept = self._gone.pop(key, ""), self._forms.pop(key, None)
            session = self._sessions.get(_hash(token))
            if kept is None or session is None or session.who.id != whose:
                return "/"
            session.form = kept
        return kept.page

    def begin(self, who: Who, name: str, account: str = "", address: str = "") -> str:
        """Begin a session; returns its new token."""
        token, now_s = self.new_token(), self.now_s()
        self.take_rules()
        with self._lock:
            self._sessions[_hash(token)] = Session(who, name, account, now_s, now_s, address)
        return token

    def take_rules(self) -> None:
        """Take the clinic's rules: when to lock (never later than was served with), second factor.

        By itself a second factor is required where other computers are served.
        """
        rules = desk(self.casebook, LOCAL)
        self.idle_s = min(60 * rules.lock_minutes, self.settings.idle_s)
        by_itself = self.settings.https or self.settings.named
        self._factor = (
            rules.factor == FACTOR_RULES[0] and by_itself
        ) or rules.factor == FACTOR_RULES[1]

    def held_back(self, session: Session) -> bool:
        """Whether somebody must set up a second factor before anything else."""
        if not session.account or session.has_factor:
            return False
        return self._factor or session.needs_factor

    def own_sessions(self, token: str) -> tuple[Shown, ...]:
        """The sessions of who asks, the newest first."""
        now_s, here = self.now_s(), _hash(token)
        with self._lock:
            mine = self._sessions.get(here)
            found = [
                Shown(_hash(key), one.made_s, one.seen_s, one.address, key == here)
                for key, one in self._sessions.items()
                if mine is not None and one.who.id == mine.who.id and not self._is_over(one, now_s)
            ]
        return tuple(sorted(found, key=lambda one: -one.made_s))

    def end_own(self, token: str, key: str) -> None:
        """End one of the own sessions by its key; without a key all of them."""
        here = _hash(token)
        with self._lock:
            mine = self._sessions.get(here)
            whose = mine.who.id if mine else None
            gone = [
                self._sessions.pop(one)
                for one, session in tuple(self._sessions.items())
                if session.who.id == whose and (not key or _hash(one) == key)
            ]
        for session in gone:
            self._closed(session)
        self.lock_if_idle()

    def end(self, token: str) -> None:
        """End a session; locks the records when it was the last of a single user."""
        with self._lock:
            found = self._sessions.pop(_hash(token), None)
        if found is not None:
            self._closed(found)
        self.lock_if_idle()

    def _closed(self, session: Session) -> None:
        session.jobs.stop_all()
        if session.account and self.casebook.state == "open":
            self.casebook.accounts.sign_out(session.account)

    def lock_if_idle(self) -> None:
        """Drop what is over; lock the records when a single user has gone."""
        now_s = self.now_s()
        with self._lock:
            for key in [k for k, s in self._sessions.items() if self._is_over(s, now_s)]:
                self._run_out(key)
            for session in self._sessions.values():
                session.shelf.sweep(now_s)
            empty = not self._sessions
        if self.settings.named or not empty or self.casebook.state != "open":
            return
        if not self.casebook.named:
            self.casebook.lock()

    # -------------------------------------------------------------- signing in

    def create(self, passphrase: str, address: str = "") -> str:
        """Make the records and sign in; returns the token, with the recovery key held once."""
        self._at_the_computer()
        recovery = self.casebook.create(passphrase)
        token = self.begin(LOCAL, "", "", address)
        self._sessions[_hash(token)].held["recovery"] = recovery
        return token

    def unlock(self, passphrase: str, address: str) -> str:
        """Open the records by the passphrase and sign in; returns the token.

        Raises
        ------
        SignInError
            It does not fit, or a wait is not over.
        """
        return self._open(lambda: self.casebook.unlock(passphrase), address)

    def recover(self, recovery: str, passphrase: str, address: str) -> str:
        """Open the records by the recovery key, with a new passphrase; returns the token.

        Raises
        ------
        InputError
            Names what is mistyped, or a passphrase that is too short.
        SignInError
            It does not fit, or a wait is not over.
        """
        return self._open(lambda: self.casebook.recover(recovery, passphrase), address)

    def _at_the_computer(self) -> None:
        """Refuse the passphrase of the records where it would travel through a network."""
        if self.settings.named:
            raise NotAllowedError("open: the passphrase is asked for at the computer alone.")

    def _open(self, opens: Callable[[], None], address: str) -> str:
        self._at_the_computer()
        tries = self.casebook.tries
        if wait_s := tries.begin(address, self.now_s()):
            raise SignInError(wait_s)
        try:
            opens()
        except WrongKeyError:
            raise SignInError(tries.wait_s(address, self.now_s())) from None
        except RungwiseError:
            tries.take_back(address)  # nothing was guessed: mistyped, or something else is wrong
            raise
        tries.forget(address)
        return self.begin(LOCAL, "", "", address)

    def sign_in(self, name: str, password: str, code: str, address: str) -> str:
        """Sign in to an account; returns the token.

        Raises
        ------
        SignInError
            Something does not fit, or a wait is not over.
        """
        accounts = self.casebook.accounts
        account = accounts.sign_in(name, password, code, address)
        who = accounts.who(account)
        if who is None:
            raise SignInError
        token = self.begin(who, " ".join(name.split()), account, address)
        own = accounts.own(who)
        with self._lock:
            if (begun := self._sessions.get(_hash(token))) is not None:
                begun.has_factor = own is not None and own.second_factor
                begun.needs_factor = is_short(password)  # enough beside a code, too short alone
        return token


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
