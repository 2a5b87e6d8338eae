"""Serve the pages: on this computer to one user, or to a clinic's machines by HTTPS."""

from __future__ import annotations

import logging
import os
import signal
import socket
import sys
import webbrowser
from getpass import getpass
from threading import Timer

import uvicorn
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from rungwise.casebook import Casebook
from rungwise.core.errors import Fault, InputError
from rungwise.web.app import create_app
from rungwise.web.service import LOOPBACK, Ready, Service

__all__ = ["OverHttps", "Service", "serve"]

PORT, PORTS_TRIED = 8321, 20
PROXIES = ["127.0.0.1", "::1"]


def serve(asked: Service) -> None:
    """Serve one clinic's records until the program is stopped.

    Parameters
    ----------
    asked : Service
        Where the records are, and how they are served.

    Raises
    ------
    InputError
        Names every fault of what was asked for; the port is taken.
    RecordsError
        The records cannot be opened.
    """
    os.umask(0o077)
    if sys.platform != "win32":
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # told to stop = Ctrl+C
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(name)s %(message)s")
    ready = asked.ready()
    casebook = Casebook(ready.place)
    with _bound(asked.address, asked.port, tries=1 if asked.several else PORTS_TRIED) as bound:
        try:
            if asked.several:
                _open(casebook, ready)
            bound.listen()  # so that who is told can ask at once
            _tell(asked, ready, casebook, bound.getsockname()[1])
            uvicorn.Server(_config(asked, ready, casebook)).run(sockets=[bound])
        except KeyboardInterrupt:
            pass
        finally:
            casebook.lock()


def _config(asked: Service, ready: Ready, casebook: Casebook) -> uvicorn.Config:
    app: ASGIApp = create_app(casebook, ready.settings)
    if asked.behind_proxy:
        app = OverHttps(app)
    tls = ready.tls
    return uvicorn.Config(
        app,
        access_log=False,
        log_level="warning",
        server_header=False,
        proxy_headers=asked.behind_proxy,
        forwarded_allow_ips=PROXIES,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=5,
        ssl_context_factory=None if tls is None else lambda *_: tls,
    )


class OverHttps:
    """Answers only what a proxy says that it came by HTTPS.

    Parameters
    ----------
    app : ASGIApp
        The pages.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse."""
        if scope["type"] == "http" and scope["scheme"] != "https":
            says = "Served by HTTPS alone; the proxy must say so: X-Forwarded-Proto: https\n"
            await Response(says, 403, media_type="text/plain")(scope, receive, send)
            return
        await self.app(scope, receive, send)


# ------------------------------------------------------------------ at the terminal


def _open(casebook: Casebook, ready: Ready) -> None:
    """Open the records before anybody can ask for a page, so that no key travels."""
    is_new = casebook.state == "new"
    if casebook.on_server:
        if is_new:
            casebook.create()
        else:
            casebook.unlock()
        return
    if not is_new:
        casebook.unlock(ready.passphrase or _asked("Passphrase of the records: "))
        return
    if not sys.stdout.isatty():
        remedy = "Start it once at a terminal: the recovery key is shown there to be printed."
        fault = Fault("records", "none yet, and no terminal", "records", remedy)
        raise InputError("open", (fault,))
    passphrase = ready.passphrase or _asked("New passphrase of the records: ")
    if not ready.passphrase and _asked("The same once more: ") != passphrase:
        fault = Fault("passphrase", "two that differ", "the same twice", "Start again.")
        raise InputError("open", (fault,))
    recovery = casebook.create(passphrase)
    sys.stdout.write(
        f"Recovery key, shown this once:\n\n  {recovery}\n\nIf the passphrase is lost, only this "
        "key opens the records. Print it and lock it away, not beside this computer.\n"
    )


def _asked(prompt: str) -> str:
    if not sys.stdin.isatty():
        remedy = "Start it at a terminal, or give --passphrase-file FILE."
        fault = Fault("passphrase", "nothing", "the passphrase of the records", remedy)
        raise InputError("open", (fault,))
    return getpass(prompt)


def _tell(asked: Service, ready: Ready, casebook: Casebook, port: int) -> None:
    """Say where the pages are, and what the first account is made with."""
    say = sys.stdout.write
    own = "https" if ready.tls else "http"
    usual = 443 if asked.https else 80
    end = "/" if port == usual or asked.behind_proxy else f":{port}/"
    names = ready.settings.hosts if asked.names else ("localhost",)
    address = f"{'https' if asked.https else 'http'}://{names[0]}{end}"
    where = "" if asked.https else " (only on this computer)"
    say(f"rungwise is open at {address}{where}. Stop it: Ctrl+C\n")
    if asked.behind_proxy:
        say(f"The proxy asks at {own}://{asked.address}:{port}/\n")
    if not ready.protected:
        say(
            "Warning: the way to the database is not protected (sslmode in its URL). Who is on "
            "that way can read and change records. Leave sslmode out, and the certificate is "
            "checked.\n"
        )
    if asked.several and not casebook.named:
        say(
            f"There is no account yet. The first one is made at {address} with this setup code, "
            f"good once: {ready.settings.setup_code}\n"
        )
    sys.stdout.flush()
    if asked.browser and not asked.several:
        opener = Timer(0.7, webbrowser.open, (address,))
        opener.daemon = True
        opener.start()


def _bound(address: str, port: int, tries: int) -> socket.socket:
    """A socket on one address of this computer."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    for tried in [port] if port else range(PORT, PORT + tries):
        found = socket.socket(family, socket.SOCK_STREAM)
        if sys.platform != "win32":
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind((address, tried))
        except OSError:
            found.close()
            continue
        return found
    where = "" if address == LOOPBACK else f" at {address}"
    allowed = f"a port that is free{where}"
    fault = Fault("port", str(port or PORT), allowed, "Name another: --port N")
    raise InputError("open", (fault,))
