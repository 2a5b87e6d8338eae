"""The frame: where each page answers, what every request must show first, and what errors say."""

from __future__ import annotations

import asyncio
import logging
import secrets
import traceback
from collections import defaultdict
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from functools import partial
from importlib.resources import files
from typing import Any
from urllib.parse import quote, urlencode

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartParser
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rungwise.casebook import (
    Casebook,
    ConflictError,
    FullError,
    NotAllowedError,
    SignInError,
    UnknownError,
)
from rungwise.casebook_office import back_up_if_due
from rungwise.core.errors import Fault, InputError, RungwiseError
from rungwise.web import parts
from rungwise.web.access import Access, Held, Session, Settings
from rungwise.web.page import STEPS, TOPS, At, Download, Go, Page, Visit
from rungwise.web.pages import ROUTES
from rungwise.web.pages.errors import Problem, conflict_told, typed_in
from rungwise.web.words import LANGUAGES, say_in

__all__ = ["create_app"]

log = logging.getLogger("rungwise.web")
CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": CSP,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "x-frame-options": "DENY",
    "cache-control": "no-store",
}
HSTS = "max-age=31536000; includeSubDomains"
STATIC = {
    "app.css": "text/css; charset=utf-8",
    "app.js": "text/javascript; charset=utf-8",
    "htmx.min.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
    "measure.js": "text/javascript; charset=utf-8",
}
TONGUE = "rungwise-language"
FIELDS_MAX, FILES_MAX, LOCK_EVERY_S = 5000, 50, 15
MultiPartParser.spool_max_size = 0  # what is uploaded stays in memory, never in a file
YEAR_S = 365 * 24 * 3600
#: All that an account reaches that must have a second factor and has none.
SETS_UP = ("/settings/second-factor", "/settings/second-factor/confirm")


def create_app(casebook: Casebook, settings: Settings | None = None) -> Starlette:
    """The pages of a casebook, to be served.

    Parameters
    ----------
    casebook : Casebook
        The records; they may be new, locked or open.
    settings : Settings, optional
        How they are served; for one user on this computer by default.
    """
    settings = settings or Settings()
    if casebook.on_server:  # a server has no passphrase of ours that could ask who comes
        settings = replace(settings, named=True)
    frame = _Frame(casebook, settings, Access(casebook, settings))

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        watch = asyncio.create_task(_watch(frame.access))
        try:
            yield
        finally:
            watch.cancel()
            with suppress(asyncio.CancelledError):
                await watch
            casebook.lock()

    routes = [Route("/static/{name}", _static, methods=["GET"])]
    routes += [
        Route(at.path, frame.endpoint(at), methods=at.methods.split(), name=f"{at.path} {i}")
        for i, at in enumerate(ROUTES)
    ]
    app = Starlette(
        routes=routes, lifespan=life, exception_handlers={HTTPException: frame.no_such_page}
    )
    app.add_middleware(_Guard, settings=settings)
    app.state.access = frame.access
    return app


async def _watch(access: Access) -> None:
    """Lock the records when nobody is there, and make the backup of each hour."""
    while True:
        await asyncio.sleep(LOCK_EVERY_S)
        await run_in_threadpool(access.lock_if_idle)
        try:
            await run_in_threadpool(back_up_if_due, access.casebook)
        except RungwiseError as error:
            log.error("no backup was made: %s", type(error).__name__)


async def _static(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in STATIC:
        raise HTTPException(404)
    data = (files("rungwise.web") / "static" / name).read_bytes()
    return Response(data, media_type=STATIC[name], headers={"cache-control": "max-age=3600"})


class _Guard:
    """What holds for every answer: the host's name is ours, and the headers are set."""

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self.app, self.settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name.lower() for name, _ in message["headers"]}
                wanted = dict(HEADERS)
                if self.settings.https:
                    wanted["strict-transport-security"] = HSTS
                message["headers"] = [
                    *message["headers"],
                    *(
                        (k.encode(), v.encode())
                        for k, v in wanted.items()
                        if k.encode() not in given
                    ),
                ]
            await send(message)

        host = dict(scope["headers"]).get(b"host", b"").decode("latin-1")
        if _without_port(host) not in self.settings.hosts:
            plain = Response("Not served under this name.\n", 421, media_type="text/plain")
            await plain(scope, receive, with_headers)
            return
        await self.app(scope, receive, with_headers)


def _without_port(host: str) -> str:
    name, colon, port = host.rpartition(":")
    return name if colon and port.isdigit() else host


class _TooLongError(Exception):
    """A body is longer than it may be."""


class _Frame:
    """Turns a request into a visit, asks the page, and renders what it answers."""

    def __init__(self, casebook: Casebook, settings: Settings, access: Access) -> None:
        self.casebook, self.settings, self.access = casebook, settings, access
        self.steps = frozenset(
            step for step, below in STEPS.items() if _has_page(f"/people/{{person}}{below}")
        )
        self.tops = {key: url for key, url in TOPS.items() if _has_page(url)}
        self.environment = Environment(
            loader=PackageLoader("rungwise.web"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.environment.filters.update(parts.FILTERS)

    def endpoint(self, at: At) -> Any:
        """What answers at one address."""

        async def answer(request: Request) -> Response:
            visit = self._visit(request)
            try:
                if request.method == "POST":
                    visit = await self._with_form(request, visit, at)
                return await run_in_threadpool(self._answer, at, visit)
            except _TooLongError:
                return self._problem(visit, 413)

        return answer

    async def no_such_page(self, request: Request, error: Exception) -> Response:
        """Answer for an address that there is not, or a way of asking that it does not take."""
        status = error.status_code if isinstance(error, HTTPException) else 404
        visit = await run_in_threadpool(self._visit, request)
        return self._problem(visit, 405 if status == 405 else 404)

    # -------------------------------------------------------------- in

    def _visit(self, request: Request) -> Visit:
        cookie = request.cookies.get(self.settings.cookie, "")
        fresh = cookie if 20 <= len(cookie) <= 100 else self.access.new_token()
        session = self.access.session(fresh)
        tongue = request.cookies.get(TONGUE, self.settings.language)
        return Visit(
            method=request.method,
            url=request.url.path,
            path=request.path_params,
            query=request.query_params,
            form={},
            files={},
            casebook=self.casebook,
            access=self.access,
            settings=self.settings,
            session=session,
            token=self.access.form_token(fresh),
            cookie=fresh,
            address=request.client.host if request.client else "",
            say=say_in(tongue),
            part=request.headers.get("hx-request") == "true",
            steps=self.steps,
            tops=self._tops(session),
        )

    def _tops(self, session: Session | None) -> dict[str, str]:
        """Pages of the top bar that a visitor may see."""
        if session is None:
            return {}
        deeds = {at.path: at.deed for at in ROUTES}
        return {
            key: url
            for key, url in self.tops.items()
            if any(session.who.may(deed) for deed in deeds[url].split())
        }

    async def _with_form(self, request: Request, visit: Visit, at: At) -> Visit:
        if not self._same_origin(request):
            return visit  # without a form its token is missing, too: refused below
        most = at.body_max or self.settings.body_max
        body = bytearray()
        async for chunk in request.stream():
            body += chunk
            if len(body) > most:
                raise _TooLongError
        request._body = bytes(body)  # noqa: SLF001 - read once here, so that its length is bounded
        form: dict[str, list[str]] = {}
        held: dict[str, bytes] = {}
        try:
            async with request.form(
                max_files=FILES_MAX, max_fields=FIELDS_MAX, max_part_size=most
            ) as found:
                for name, value in found.multi_items():
                    if isinstance(value, UploadFile):
                        again = sum(one.partition(".")[0] == name for one in held)
                        held[f"{name}.{again + 1}" if again else name] = await value.read()
                    else:
                        form.setdefault(name, []).append(value)
        except HTTPException:
            form = {}
        return replace(visit, form=form, files=held)

    def _same_origin(self, request: Request) -> bool:
        """Whether a form was sent by one of our own pages, as the browser says."""
        site = request.headers.get("sec-fetch-site")
        origin = request.headers.get("origin")
        scheme = "https" if self.settings.https else "http"
        ours = f"{scheme}://{request.headers.get('host', '')}"
        if site is None and origin is None:
            return False
        return site in (None, "same-origin") and origin in (None, ours)

    # -------------------------------------------------------------- answer

    def _answer(self, at: At, visit: Visit) -> Response:
        if any("\0" in str(part) for part in visit.path.values()):
            return self._problem(visit, 404)
        empty = [name for name, typed in visit.form.items() if any("\0" in one for one in typed)]
        if empty:  # no text holds this sign, and a server refuses it
            faults = [Fault(name, "a NUL sign", "a text", "Type it again.") for name in empty]
            return self._problem(visit, 422, faults=tuple(faults))
        if visit.method == "POST" and not self.access.form_fits(visit.cookie, visit.typed("token")):
            return self._problem(visit, 403, "form")
        if (out := self._out(at, visit)) is not None:
            return out
        if at.deed:
            assert visit.session is not None
            if self.access.held_back(visit.session) and at.path not in SETS_UP:
                return self._rendered(visit, Go(SETS_UP[0]))
            if not any(visit.session.who.may(deed) for deed in at.deed.split()):
                return self._problem(visit, 403, "role")
        try:
            return self._rendered(visit, at.answer(visit))
        except RungwiseError as error:
            return self._failed(visit, error)
        except Exception as error:  # noqa: BLE001 - a page must never show what went wrong inside
            return self._broken(visit, error)

    def _out(self, at: At, visit: Visit) -> Response | None:
        """The way to the sign-in, what was typed being kept; None for who may go on."""
        goes = bool(at.keeps and visit.typed("hold"))  # the page locks itself, nobody being there
        if not goes and (visit.session is not None or not at.deed):
            return None
        if at.keeps and visit.method == "POST":
            self.access.hold(visit.cookie, _held(at, visit))
        if visit.part:
            return Response(status_code=204, headers={"hx-redirect": "/enter"})
        return RedirectResponse("/enter", 303)

    def _failed(self, visit: Visit, error: RungwiseError) -> Response:
        if isinstance(error, InputError):
            return self._problem(visit, 422, faults=error.faults)
        if isinstance(error, ConflictError):
            return self._rendered(visit, conflict_told(visit, error))
        status = {UnknownError: 404, NotAllowedError: 403, SignInError: 403, FullError: 507}
        code = next((c for kind, c in status.items() if isinstance(error, kind)), 500)
        return self._problem(visit, code, "role" if code == 403 else "", said=str(error))

    def _broken(self, visit: Visit, error: Exception) -> Response:
        number = secrets.token_hex(4)
        frames = " < ".join(
            f"{frame.name}:{frame.lineno}"
            for frame in reversed(traceback.extract_tb(error.__traceback__)[-6:])
        )
        log.error("%s: %s in %s", number, type(error).__name__, frames)  # no text of anybody's
        return self._problem(visit, 500, said=number)

    def _problem(
        self,
        visit: Visit,
        status: int,
        kind: str = "",
        said: str = "",
        faults: tuple[Fault, ...] = (),
    ) -> Response:
        key = f"problem.{status}_{kind}" if kind else f"problem.{status}"
        page = Problem(
            title=visit.say(f"problem.{status}_title"),
            says=visit.say(key),
            number=said,
            faults=faults,
            status=status,
        )
        return self._rendered(visit, page)

    def _rendered(self, visit: Visit, found: Page | Go | Download) -> Response:
        if isinstance(found, Go):
            if visit.part:
                made = Response(status_code=204, headers={"hx-redirect": found.url})
            else:
                made = RedirectResponse(found.url, 303)
            if found.leave:
                made.headers["clear-site-data"] = '"cache", "storage"'
            if found.language in LANGUAGES:
                made.set_cookie(
                    TONGUE,
                    found.language,
                    max_age=YEAR_S,
                    path="/",
                    secure=self.settings.https,
                    httponly=True,
                    samesite="strict",
                )
            self._set_cookie(made, found.token or visit.cookie)
            return made
        if isinstance(found, Download):
            how = "inline" if found.inline else "attachment"
            headers = {"content-disposition": f'{how}; filename="{found.name}"'}
            return Response(found.data, media_type=found.media, headers=headers)
        text = self.environment.get_template(found.template).render(
            page=found,
            say=visit.say,
            visit=visit,
            signed=visit.session,
            name=visit.say.name,
            day=visit.say.day,
            field_name=partial(parts.name_of_field, visit.say),
            languages=LANGUAGES,
            faults=parts.by_field(found.faults),
            held=_given_back(visit),
        )
        made = Response(text, found.status, media_type="text/html")
        self._set_cookie(made, visit.cookie)
        return made

    def _set_cookie(self, made: Response, token: str) -> None:
        made.set_cookie(
            self.settings.cookie,
            token,
            path="/",
            secure=self.settings.https,
            httponly=True,
            samesite="strict",
        )


def _held(at: At, visit: Visit) -> Held:
    """What was typed, for the page that shows its form."""
    form: dict[str, Sequence[str]] = dict(visit.form)
    for name in ("token", "hold"):
        form.pop(name, None)
    if "base" in form:  # a conflict that was not settled yet: it comes up again when it is saved
        form = {**typed_in(visit), "expected": form["base"], "corrects": form.get("corrects", ())}
    known = {**visit.query, **{name: values[-1] for name, values in form.items() if values}}
    parts_of = defaultdict(str, {k: quote(v, safe="") for k, v in known.items()}, **visit.path)
    action = visit.url + (f"?{urlencode(visit.query)}" if visit.query else "")
    return Held(at.keeps.format_map(parts_of), action, form)


def _given_back(visit: Visit) -> Held | None:
    """A form of this page that was open when the session was over, if no page took it itself."""
    held = visit.session.form if visit.session and visit.method == "GET" else None
    return held if visit.given_back() is not None else None


def _has_page(path: str) -> bool:
    return any(at.path == path and "GET" in at.methods.split() for at in ROUTES)
