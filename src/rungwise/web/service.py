"""How the pages are to be served, as it was asked for at the terminal, and what is wrong with it.

One user on one computer needs nothing of this. As soon as another machine can reach the pages, or
a server keeps the records, several people work: everybody signs in by name, and outside of this
computer only HTTPS is served.
"""

from __future__ import annotations

import ipaddress
import os
import re
import ssl
import stat
from dataclasses import dataclass, field
from pathlib import Path

from rungwise.casebook import RECORDS, RecordsError, home_folder, is_protected, is_server
from rungwise.core.errors import Fault, InputError
from rungwise.web.access import Settings
from rungwise.web.setup_code import new_setup_code

__all__ = ["LOOPBACK", "PLACE", "Ready", "Service"]

LOOPBACK = "127.0.0.1"
#: Variable of the environment that holds the URL of the records' server.
PLACE = "RUNGWISE_RECORDS"
NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)*")
#: Forward secrecy and authenticated encryption alone, where a browser has no TLS 1.3.
CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"
SECRET_MAX = 10_000


@dataclass(frozen=True)
class Ready:
    """What was asked for, without a fault.

    Parameters
    ----------
    place : Path or str
        File of the records, or the URL of their server.
    settings : Settings
        How the pages are served.
    tls : SSLContext or None
        With the certificate; None without HTTPS of its own.
    protected : bool
        Whether nobody on the way to a server of the records can read or change what is sent.
    passphrase : str
        Of a file of records; empty = to be asked for.
    """

    place: Path | str = field(repr=False)
    settings: Settings = field(repr=False)
    tls: ssl.SSLContext | None
    protected: bool
    passphrase: str = field(repr=False)


@dataclass(frozen=True)
class Service:
    """What was asked for at the terminal.

    Parameters
    ----------
    folder : Path or None
        Where the records are, or are to be made; ``~/.rungwise`` by default.
    port : int
        Port to serve at; 0 takes a usual one [1].
    browser : bool
        Whether to open the browser, for one user on this computer.
    names : tuple of str
        Names under which browsers ask for the pages.
    address : str
        Address of this computer to serve at.
    certificate, certificate_key : Path or None
        Files of the certificate with its chain, and of its key, as PEM (RFC 7468).
    behind_proxy : bool
        Whether a proxy on this computer ends HTTPS and asks here.
    records : str
        URL of a PostgreSQL server, or a file that holds it; also from the environment.
    passphrase_file : Path or None
        File that holds the passphrase of the records, for a start without a terminal.
    """

    folder: Path | None = None
    port: int = 0
    browser: bool = True
    names: tuple[str, ...] = ()
    address: str = LOOPBACK
    certificate: Path | None = None
    certificate_key: Path | None = None
    behind_proxy: bool = False
    records: str = ""
    passphrase_file: Path | None = None

    @property
    def several(self) -> bool:
        """Whether several people work: each option of a clinic says so."""
        files = self.certificate, self.certificate_key, self.passphrase_file
        own = *files, self.names, self.behind_proxy, self._records
        return any(own) or self.address != LOOPBACK

    @property
    def https(self) -> bool:
        """Whether browsers are to come by HTTPS."""
        return self.certificate is not None or self.behind_proxy

    @property
    def _records(self) -> str:
        return self.records or os.environ.get(PLACE, "")

    def ready(self) -> Ready:
        """Judge what was asked for.

        Raises
        ------
        InputError
            Names every fault.
        """
        faults = self._address_faults()
        place = self._place(faults)
        tls = self._tls(faults)
        passphrase = ""
        if self.passphrase_file is not None and is_server(place):
            given = str(self.passphrase_file)
            faults.append(_fault("passphrase-file", given, "records in a file", "Leave it."))
        elif self.passphrase_file is not None:
            passphrase = _read_secret("passphrase-file", self.passphrase_file, faults)
        if faults:
            raise InputError("open", tuple(faults))
        settings = Settings()
        if self.several:
            hosts = tuple(_in_host(name.lower()) for name in self.names) or settings.hosts
            settings = Settings(hosts, self.https, named=True, setup_code=new_setup_code())
        protected = not is_server(place) or is_protected(place)
        return Ready(place, settings, tls, protected, passphrase)

    # -------------------------------------------------------------- judging

    def _address_faults(self) -> list[Fault]:
        faults = []
        try:
            local = ipaddress.ip_address(self.address).is_loopback
        except ValueError:
            allowed = "an address in numbers, such as 192.0.2.10 or ::1"
            faults.append(_fault("address", self.address, allowed, "One of this computer."))
            local = True
        if not local and self.behind_proxy:
            allowed = "an address of this computer alone, such as 127.0.0.1"
            remedy = "The proxy must be on this computer; else what it sends is open to read."
            faults.append(_fault("address", self.address, allowed, remedy))
        elif not local and self.certificate is None:
            remedy = "Give --certificate and --certificate-key, or a proxy: --behind-proxy."
            allowed = "127.0.0.1, as long as there is no HTTPS"
            faults.append(_fault("address", self.address, allowed, remedy))
        if self.behind_proxy and (self.certificate or self.certificate_key):
            allowed = "a proxy that ends HTTPS, or a certificate here"
            faults.append(_fault("behind-proxy", "both", allowed, "Leave one."))
        if (self.https or not local) and not self.names:
            remedy = "Give each name that browsers use: --serve-as clinic.example.org"
            faults.append(_fault("serve-as", "nothing", "a name or an address", remedy))
        for name in self.names:
            if not (_is_address(name) or NAME.fullmatch(name.lower())):
                allowed = "a name such as clinic.example.org, or an address in numbers"
                faults.append(_fault("serve-as", name, allowed, "Without https:// and port."))
        return faults

    def _place(self, faults: list[Fault]) -> Path | str:
        file = (self.folder or home_folder()) / RECORDS
        given = self._records
        if not given:
            return file
        where = "records" if self.records else PLACE
        url = given if is_server(given) else _read_secret(where, Path(given), faults)
        if not url:
            return file
        if not _is_place(url):
            allowed = "the URL of a PostgreSQL database, or a file that holds it"
            faults.append(_fault(where, "something else", allowed, "postgresql://user@host/name"))
            return file
        if given == self.records == url and _has_password(url):
            remedy = f"Put the URL into a file for you alone, or into {PLACE}."
            allowed = "no password here: every user of this computer sees it"
            faults.append(_fault("records", "a URL with a password", allowed, remedy))
        if self.folder is not None:
            allowed = "a folder or a server"
            faults.append(_fault("data", str(self.folder), allowed, "Leave one of the two."))
        return url

    def _tls(self, faults: list[Fault]) -> ssl.SSLContext | None:
        chain, key = self.certificate, self.certificate_key
        if chain is None and key is None:
            return None
        before = len(faults)
        if chain is None:
            faults.append(_fault("certificate", "nothing", "a file", "Give it with its key."))
        else:
            _read("certificate", chain, faults, "BEGIN CERTIFICATE")
        if key is None:
            faults.append(_fault("certificate-key", "nothing", "a file", "Give it, too."))
        else:
            text = _read_secret("certificate-key", key, faults, "PRIVATE KEY")
            if "ENCRYPTED" in text:
                allowed = "a key without a passphrase, for its owner alone"
                faults.append(_fault("certificate-key", str(key), allowed, "Take it off."))
        if chain is None or key is None or len(faults) > before:
            return None
        made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        made.minimum_version = ssl.TLSVersion.TLSv1_2
        made.set_ciphers(CIPHERS)
        made.set_alpn_protocols(["http/1.1"])
        made.options |= ssl.OP_NO_COMPRESSION | ssl.OP_NO_RENEGOTIATION
        try:
            made.load_cert_chain(chain, key, password="")
        except (ssl.SSLError, OSError) as error:
            given = f"{key}: {getattr(error, 'reason', None) or error}"
            allowed = f"the key that belongs to {chain}"
            faults.append(_fault("certificate-key", given, allowed, "Give the two that fit."))
            return None
        for name in self.names:
            if said := _refused(made, chain, name):
                allowed = f"a certificate that is good today for {name}"
                faults.append(_fault("certificate", said, allowed, "Give one that is."))
        return made


# ------------------------------------------------------------------ small parts


def _read_secret(option: str, path: Path, faults: list[Fault], holds: str = "") -> str:
    """The first line of a file that its owner alone may read, or all of it where it holds a key.

    Parameters
    ----------
    option : str
        What named it.
    path : Path
        The file; a pipe or an open descriptor (``/dev/fd/3``) is taken as well.
    faults : list of Fault
        Is told what is wrong; the answer is empty then.
    holds : str
        What must be in it; then the whole text is given.
    """
    try:
        found = path.stat()
    except OSError:
        found = None
    if found is not None and stat.S_ISREG(found.st_mode) and os.name == "posix":
        # a key that the system keeps for a group of services belongs to its administrator
        loose = 0o077 if found.st_uid == os.geteuid() else 0o027
        if found.st_uid not in (os.geteuid(), 0) or found.st_mode & loose:
            allowed = "a file that its owner alone may read"
            given = f"{path} with mode {stat.S_IMODE(found.st_mode):04o}"
            faults.append(_fault(option, given, allowed, f"chmod 600 {path}"))
            return ""
    text = _read(option, path, faults, holds)
    return text if holds or not text else text.splitlines()[0].strip("\r\n")


def _read(option: str, path: Path, faults: list[Fault], holds: str = "") -> str:
    try:
        with path.open(encoding="utf-8") as file:
            text = file.read(SECRET_MAX * (100 if holds else 1))
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "not UTF-8"
        faults.append(_fault(option, f"{path}: {why}", "a file to read", "Check the path."))
        return ""
    if holds not in text or not text.strip():
        allowed = f"PEM with {holds}" if holds else "one line"
        faults.append(_fault(option, str(path), allowed, "Is it the right file?"))
        return ""
    return text


def _refused(server: ssl.SSLContext, chain: Path, name: str) -> str:
    """Why a browser would refuse a certificate under a name, whoever signed it; empty = it fits."""
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.load_verify_locations(chain)
    client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    there, here = ssl.MemoryBIO(), ssl.MemoryBIO()
    asks = client.wrap_bio(there, here, server_hostname=name)
    answers = server.wrap_bio(here, there, server_side=True)
    open_ends = [asks, answers]
    for _ in range(10):
        for end in list(open_ends):
            try:
                end.do_handshake()
                open_ends.remove(end)
            except ssl.SSLWantReadError:
                continue
            except ssl.SSLCertVerificationError as error:
                return str(error.verify_message).rstrip(".")
            except ssl.SSLError as error:
                return str(error.reason or error)
        if not open_ends:
            break
    return ""


def _is_place(url: str) -> bool:
    """Whether a text is the URL of a server that can be read."""
    try:
        is_protected(url)
    except RecordsError:
        return False
    return is_server(url)


def _has_password(url: str) -> bool:
    return bool(re.match(r"[a-z+]+://[^/@]*:[^/@]+@", url)) or "password=" in url


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _in_host(name: str) -> str:
    """A name as it stands in a request."""
    return f"[{name}]" if ":" in name else name


def _fault(option: str, given: str, allowed: str, remedy: str) -> Fault:
    return Fault(option if option == PLACE else f"--{option}", given, allowed, remedy)
