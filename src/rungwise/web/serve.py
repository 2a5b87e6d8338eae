"""Serve the pages on this computer, and open them in the browser."""

from __future__ import annotations

import logging
import os
import socket
import sys
import webbrowser
from pathlib import Path
from threading import Timer

import uvicorn

from rungwise.casebook import RECORDS, Casebook, home_folder
from rungwise.core.errors import Fault, InputError
from rungwise.web.access import Settings
from rungwise.web.app import create_app

__all__ = ["serve"]

LOOPBACK, PORT, PORTS_TRIED = "127.0.0.1", 8321, 20


def serve(folder: Path | None = None, port: int = 0, browser: bool = True) -> None:
    """Serve one clinic's records on this computer until it is stopped.

    Parameters
    ----------
    folder : Path, optional
        Where the records are, or are to be made; ``~/.rungwise`` by default.
    port : int
        Port to serve at; 0 takes the first that is free [1].
    browser : bool
        Whether to open the browser.

    Raises
    ------
    InputError
        The port is taken.
    """
    os.umask(0o077)
    casebook = Casebook((folder or home_folder()) / RECORDS)
    bound = _bound(port)
    address = f"http://localhost:{bound.getsockname()[1]}/"
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(name)s %(message)s")
    sys.stdout.write(f"rungwise is open at {address} (only on this computer). Stop it: Ctrl+C\n")
    sys.stdout.flush()
    if browser:
        opener = Timer(0.7, webbrowser.open, (address,))
        opener.daemon = True
        opener.start()
    config = uvicorn.Config(
        create_app(casebook, Settings()),
        access_log=False,
        log_level="warning",
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=5,
    )
    try:
        uvicorn.Server(config).run(sockets=[bound])
    except KeyboardInterrupt:
        pass
    finally:
        casebook.lock()
        bound.close()


def _bound(port: int) -> socket.socket:
    """A socket on the loopback address alone."""
    for tried in [port] if port else range(PORT, PORT + PORTS_TRIED):
        found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind((LOOPBACK, tried))
        except OSError:
            found.close()
            continue
        return found
    fault = Fault("port", str(port or PORT), "a port that is free", "Name another: --port N")
    raise InputError("open", (fault,))
