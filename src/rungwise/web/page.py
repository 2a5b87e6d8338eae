"""What a page is.

How to add a page
-----------------
1. Write a frozen dataclass below :class:`Page` in a module of ``web/pages``; name its template, and
   give every field its help by :func:`told`::

       @dataclass(frozen=True, kw_only=True)
       class Notes(Page):
           template: ClassVar[str] = "notes.html"
           rows: tuple[str, ...] = told("One line for each note, the newest first.")

2. Write what answers: a function from a :class:`Visit` to a page, a :class:`Go` or a
   :class:`Download`. Read what was typed by ``visit.form`` and ``visit.path``, work with
   ``visit.casebook`` as ``visit.who``, say texts by ``visit.say``. Let errors of the records and
   ``InputError`` pass: the frame turns them into 403, 404, 409, 422 and 500.
3. List it in the module's ``ROUTES`` (:class:`At`), and the module in ``web/pages/__init__.py``.
4. Write ``web/templates/notes.html``: ``{% extends "base.html" %}``. It may use the page's own
   fields as ``page.…``, ``say``, ``name``, ``day``, ``visit.token`` and the parts of
   ``parts.html``. A form is plain HTML: ``<form method="post" action="…">{{ parts.token() }}``.
5. Its words go into ``data/words/web_en.toml`` and ``web_es.toml``, alike.

A page of a person passes ``person=visit.person_bar(found, "notes")``, which draws the person's two
identifiers and the steps of the way through; a step or a page of the top bar (`STEPS`, `TOPS`)
shows up by itself once it answers. No page changes anything on GET; a page that saves passes the
version that it showed, and a token made for the form, so that a form sent twice saves once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields
from typing import TYPE_CHECKING, Any, ClassVar
from urllib.parse import urlsplit

from rungwise.casebook import LOCAL
from rungwise.core.errors import Fault

if TYPE_CHECKING:
    from rungwise.casebook import Casebook, PersonFile, Who
    from rungwise.core.evidence import Evidence
    from rungwise.web.access import Access, Session, Settings
    from rungwise.web.words import Say

__all__ = ["STEPS", "TOPS", "At", "Download", "Go", "Page", "PersonBar", "Visit", "help_of", "told"]

#: The way through with one person: key -> where it stands below the person's address.
STEPS: dict[str, str] = {
    "record": "",
    "exam": "/exam",
    "programme": "/programme",
    "diary": "/diary",
    "advice": "/advice",
    "change": "/change",
    "notes": "/notes",
}


#: Pages of the clinic that stand in the top bar as soon as they are there: key -> address.
TOPS: dict[str, str] = {
    "class": "/class",
    "book": "/book",
    "files": "/files",
    "settings": "/settings",
    "audit": "/audit",
}


def told(help_text: str, default: Any = MISSING) -> Any:
    """A field of a page with its help.

    Parameters
    ----------
    help_text : str
        What it shows, for who changes the page.
    default : object
        Its value when none is given.
    """
    if default is MISSING:
        return field(metadata={"help": help_text})
    return field(default=default, metadata={"help": help_text})


def help_of(page: type[Page]) -> dict[str, str]:
    """The help of each field of a page; empty where it is missing."""
    return {f.name: str(f.metadata.get("help", "")) for f in fields(page)}


@dataclass(frozen=True)
class PersonBar:
    """The head of every page of a person: two identifiers, and the steps.

    Parameters
    ----------
    id : str
        The person's id.
    label : str
        The clinic's label.
    born : str
        Year of birth, or that it is not known yet.
    number : str
        Short number of the record.
    here : str
        Step on which this page stands.
    open : frozenset of str
        Steps that have a page.
    """

    id: str
    label: str
    born: str
    number: str
    here: str
    open: frozenset[str]


@dataclass(frozen=True, kw_only=True)
class Page:
    """The parent of every page; see the head of this module."""

    template: ClassVar[str] = ""
    title: str = told("Title of the window and first heading.")
    person: PersonBar | None = told("Head of a person's page; None elsewhere.", None)  # noqa: RUF009
    faults: tuple[Fault, ...] = told("What is wrong with what was typed, named by field.", ())
    status: int = told("Status of the answer (HTTP).", 200)


@dataclass(frozen=True)
class Go:
    """Go on to another page, as after every form that was saved (303).

    Parameters
    ----------
    url : str
        Where to.
    token : str or None
        New token of the cookie, after signing in or out.
    leave : bool
        Whether the browser should forget all that it keeps of these pages.
    language : str
        Language that the visitor chose; empty when none was chosen.
    """

    url: str
    token: str | None = None
    leave: bool = False
    language: str = ""


@dataclass(frozen=True)
class Download:
    """A file.

    Parameters
    ----------
    data : bytes
        Its content.
    media : str
        Its media type.
    name : str
        Its name; made here, never by a visitor.
    inline : bool
        Whether the browser may show it.
    """

    data: bytes
    media: str
    name: str
    inline: bool = False


@dataclass
class Visit:
    """One request, as a page sees it.

    Parameters
    ----------
    method, url : str
        How and for what it was asked.
    path : mapping of str to str
        Parts of the address.
    query : mapping of str to str
        What follows the question mark; never anything about a person.
    form : mapping of str to sequence of str
        What was typed.
    files : mapping of str to bytes
        What was uploaded.
    casebook, access, settings
        The records, the sessions, how they are served.
    session : Session or None
        Who is signed in.
    token : str
        Token that every form carries.
    cookie : str
        The visitor's own token.
    address : str
        Where from.
    say : Say
        The words of the visitor's language.
    part : bool
        Whether only a part of a page is asked for, by script.
    steps : frozenset of str
        Steps that have a page.
    tops : mapping of str to str
        Pages of the top bar that this visitor's role may see.
    """

    method: str
    url: str
    path: Mapping[str, str]
    query: Mapping[str, str]
    form: Mapping[str, Sequence[str]]
    files: Mapping[str, bytes]
    casebook: Casebook
    access: Access
    settings: Settings
    session: Session | None
    token: str
    cookie: str
    address: str
    say: Say
    part: bool
    steps: frozenset[str]
    tops: Mapping[str, str]

    @property
    def who(self) -> Who:
        """Who works; only behind a sign-in."""
        assert self.session is not None
        return self.session.who

    def typed(self, name: str) -> str:
        """The last thing that was typed into a field, without spaces around it."""
        found = self.form.get(name, ())
        return found[-1].strip() if found else ""

    def names_of(self, accounts: Sequence[str]) -> dict[str, str]:
        """Accounts that did something -> their names; empty for the one user of a computer."""
        known = self.casebook.accounts.names() if set(accounts) - {LOCAL.id} else {}
        return {one: "" if one == LOCAL.id else known.get(one, one[:6]) for one in accounts}

    def given_back(self) -> Mapping[str, Sequence[str]] | None:
        """What was typed here before the session was over; handed out once."""
        held = self.session.form if self.session else None
        if self.session is None or held is None or urlsplit(held.page).path != self.url:
            return None
        self.session.form = None
        return held.form

    def whole(self, name: str, default: int = 0) -> int:
        """A whole number from a field that no visitor types; the default for anything else."""
        text = self.typed(name)
        return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else default

    def book(self) -> Evidence:
        """The book with the clinic's own values."""
        return self.casebook.book(self.who)

    def found(self) -> PersonFile:
        """The person of the address."""
        return self.casebook.person(self.who, self.path["person"])

    def clock_told(self, found: PersonFile) -> str:
        """What is wrong with a clock, as a person's records show it; empty when nothing is."""
        today = self.casebook.today()
        later = found.ahead_of(today)
        day = self.say.day
        return "" if later is None else self.say("frame.clock", today=day(today), later=day(later))

    def person_bar(self, found: PersonFile, here: str) -> PersonBar:
        """The head of a person's page."""
        year = found.birth_year
        born = self.say("person.born", year=year) if year else self.say("person.born_unknown")
        return PersonBar(found.id, found.label, born, found.number, here, self.steps)


@dataclass(frozen=True)
class At:
    """Where a page answers.

    Parameters
    ----------
    path : str
        Its address, with ``{person}`` for an id.
    answer : callable
        From a visit to a page, a Go or a Download.
    methods : str
        ``GET``, ``POST`` or both with a space between.
    deed : str
        What the visitor's role must cover; empty before the sign-in.
    keeps : str
        Address of the page that shows the form, with the parts of the own address, of the query
        and of the form in braces: what was typed is kept for it while the session is over, and
        shown there after the sign-in. Empty where nothing is kept, as with passphrases.
    body_max : int
        Longest body, 0 = that of the settings [byte].
    """

    path: str
    answer: Callable[[Visit], Page | Go | Download]
    methods: str = "GET"
    deed: str = "read"
    keeps: str = ""
    body_max: int = 0
