"""Who may come in: sessions, forms that cannot be forged, slow guessing, the automatic lock.

A visitor's cookie holds a random token and nothing else. It is replaced at every sign-in and
sign-out. What belongs to it is kept here, in memory: restarting the program signs everybody out.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Lock

from rungwise.casebook import LOCAL, Casebook, SignInError, Who, WrongKeyError
from rungwise.casebook_office import desk
from rungwise.web.jobs import Jobs

__all__ = ["Access", "Session", "Settings"]

Form = Mapping[str, Sequence[str]]
GONE_MAX = 50
FREE_TRIES, LONGEST_WAIT_S = 5, 15 * 60


@dataclass(frozen=True)
class Settings:
    """How the pages are served.

    Parameters
    ----------
    hosts : tuple of str
        Names under which they may be asked for, without the port; any other is refused.
    https : bool
        Whether browsers reach them by HTTPS.
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
    idle_s: int = 15 * 60
    absolute_s: int = 12 * 3600
    body_max: int = 1_000_000
    language: str = "en"

    @property
    def cookie(self) -> str:
        """Name of the cookie; the prefix needs HTTPS."""
        return "__Host-rungwise" if self.https else "rungwise"


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
    held : dict
        Small things to be shown once, such as the recovery key.
    form : tuple of (str, mapping) or None
        Address and content of a form that was open when the records were locked.
    jobs : Jobs
        Long work that it asked for.
    """

    who: Who
    name: str
    account: str
    made_s: float
    seen_s: float
    held: dict[str, str] = field(default_factory=dict)
    form: tuple[str, Form] | None = None
    jobs: Jobs = field(default_factory=Jobs)


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
        self._forms: dict[str, tuple[str, Form]] = {}
        self._tries: dict[str, tuple[int, float]] = {}
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
        while len(self._gone) > GONE_MAX:
            self._forms.pop(self._gone.popitem(last=False)[0], None)

    def hold(self, token: str, url: str, form: Form) -> None:
        """Keep a form whose session ran out, in memory, until the same person signs in again."""
        key = _hash(token)
        with self._lock:
            if key in self._sessions:
                self._run_out(key)
            if key in self._gone:
                self._forms[key] = url, form
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
        return kept[0]

    def begin(self, who: Who, name: str, account: str = "") -> str:
        """Begin a session; returns its new token."""
        token, now_s = self.new_token(), self.now_s()
        self.take_lock_time()
        with self._lock:
            self._sessions[_hash(token)] = Session(who, name, account, now_s, now_s)
        return token

    def take_lock_time(self) -> None:
        """Lock after the time that the clinic has set; never later than was served with."""
        minutes = desk(self.casebook, LOCAL).lock_minutes
        self.idle_s = min(60 * minutes, self.settings.idle_s)

    def end(self, token: str) -> None:
        """End a session; locks the records when it was the last of a single user."""
        with self._lock:
            found = self._sessions.pop(_hash(token), None)
        if found is not None:
            found.jobs.stop_all()
        if found is not None and found.account and self.casebook.state == "open":
            self.casebook.accounts.sign_out(found.account)
        self.lock_if_idle()

    def lock_if_idle(self) -> None:
        """Drop what is over; lock the records when a single user has gone."""
        now_s = self.now_s()
        with self._lock:
            for key in [k for k, s in self._sessions.items() if self._is_over(s, now_s)]:
                self._run_out(key)
            empty = not self._sessions
        if empty and self.casebook.state == "open" and not self.casebook.named:
            self.casebook.lock()

    # -------------------------------------------------------------- signing in

    def create(self, passphrase: str) -> str:
        """Make the records and sign in; returns the token, with the recovery key held once."""
        recovery = self.casebook.create(passphrase)
        token = self.begin(LOCAL, "")
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

    def _open(self, opens: Callable[[], None], address: str) -> str:
        key = _hash(f"records\0{address}")
        if wait_s := self._wait_s(key):
            raise SignInError(wait_s)
        try:
            opens()
        except WrongKeyError:
            raise SignInError(self._failed(key)) from None
        with self._lock:
            self._tries.pop(key, None)
        return self.begin(LOCAL, "")

    def sign_in(self, name: str, password: str, code: str, address: str) -> str:
        """Sign in to an account; returns the token.

        Raises
        ------
        SignInError
            Something does not fit, or a wait is not over.
        """
        account = self.casebook.accounts.sign_in(name, password, code, address)
        who = self.casebook.accounts.who(account)
        if who is None:
            raise SignInError
        return self.begin(who, " ".join(name.split()), account)

    def _wait_s(self, key: str) -> int:
        with self._lock:
            _, until_s = self._tries.get(key, (0, 0.0))
        return max(0, min(round(until_s - self.now_s()), LONGEST_WAIT_S))

    def _failed(self, key: str) -> int:
        """Count a failure; returns how long the next try must wait [s]."""
        with self._lock:
            failures = self._tries.get(key, (0, 0.0))[0] + 1
            over = failures - FREE_TRIES
            wait_s = min(2 ** min(over, 20), LONGEST_WAIT_S) if over >= 0 else 0
            self._tries[key] = (failures, self.now_s() + wait_s)
        return wait_s


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
