"""The key of the records, and the two locks on it: a passphrase, and a printed recovery key.

The data key is 32 random bytes and never leaves the computer bare. The key file, beside the
records, holds it twice, each time inside a tiny SQLCipher file of its own (AES-256 with an HMAC on
each page) whose key is the scrypt of the passphrase or of the recovery key. Changing the passphrase
makes one new box; the records need not be written again. No cipher here is our own.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import secrets
import threading
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Any

from sqlcipher3 import dbapi2 as cipher

from rungwise.core.errors import Fault, InputError
from rungwise.plan_code import CROCKFORD
from rungwise.records.engine import raw_connection
from rungwise.records.errors import FullError, RecordsError, WrongKeyError
from rungwise.records.passwords import check_passphrase

__all__ = [
    "NewKeys",
    "change_passphrase",
    "check_key",
    "create_keys",
    "key_file_of",
    "new_recovery",
    "put_whole",
    "read_recovery",
    "stretch",
    "to_disk",
    "unlock",
    "unlock_by_recovery",
]

#: Work of scrypt: 2^17 blocks of 8, as OWASP's ASVS 5.0, appendix C, and RFC 7914 let one choose.
N, R, P = 2**17, 8, 1
GROUPS, SYMBOLS = 8, 4
_ONE_AT_A_TIME = threading.Lock()  # each takes 128 MiB


@dataclass(frozen=True)
class NewKeys:
    """A new data key, and the recovery key to print and lock away."""

    key: bytes
    recovery: str


def key_file_of(place: Path) -> Path:
    """The key file that belongs to a file of records."""
    return place.with_name(place.name + ".keys")


def create_keys(file: Path, passphrase: str, n: int = N) -> NewKeys:
    """Make a data key and its key file.

    Parameters
    ----------
    file : Path
        Must not exist yet.
    passphrase : str
        At least 15 characters, and no easy guess.
    n : int
        Work of scrypt, a power of two [1].

    Raises
    ------
    InputError
        The passphrase is too short, too long or too easy to guess.
    RecordsError
        The key file exists.
    """
    check_passphrase(passphrase)
    if file.exists():
        raise RecordsError(f"{file.name} is there already; a new key would lock the records away.")
    key, recovery = secrets.token_bytes(32), _new_recovery()
    held = {
        "format": 1,
        "fingerprint": _fingerprint(key),
        "passphrase": _box(file.parent, key, passphrase, n),
        "recovery": _box(file.parent, key, read_recovery(recovery), n),
    }
    put_whole(file, json.dumps(held).encode())
    return NewKeys(key, recovery)


def unlock(file: Path, passphrase: str) -> bytes:
    """The data key, by the passphrase.

    Raises
    ------
    WrongKeyError
        It does not fit.
    RecordsError
        There is no key file, or it is damaged.
    """
    return _unbox(file, "passphrase", passphrase)


def unlock_by_recovery(file: Path, recovery: str) -> bytes:
    """The data key, by the printed recovery key.

    Raises
    ------
    InputError
        Names the group that is mistyped.
    WrongKeyError
        It does not fit.
    """
    return _unbox(file, "recovery", read_recovery(recovery))


def change_passphrase(
    file: Path, key: bytes, passphrase: str, n: int = N, names: Sequence[str] = ()
) -> None:
    """Lock the same data key with another passphrase; the old one opens nothing from then on.

    Parameters
    ----------
    file : Path
        The key file.
    key : bytes
        The data key.
    passphrase : str
        The new one.
    n : int
        Work of scrypt, a power of two [1].
    names : sequence of str
        Of the clinic; no part of a good passphrase.

    Raises
    ------
    InputError
        The passphrase is too short, too long or too easy to guess.
    WrongKeyError
        The data key is not that of this file.
    """
    check_passphrase(passphrase, names)
    _change(file, key, "passphrase", passphrase, n)


def new_recovery(file: Path, key: bytes, n: int = N) -> str:
    """Make another recovery key; the printed one opens nothing from then on."""
    recovery = _new_recovery()
    _change(file, key, "recovery", read_recovery(recovery), n)
    return recovery


def check_key(file: Path, key: bytes) -> None:
    """Refuse a data key that is not that of a key file; so that damage is not called a wrong key.

    Raises
    ------
    WrongKeyError
        It is another.
    """
    if file.exists() and _read(file)["fingerprint"] != _fingerprint(key):
        raise WrongKeyError("This key is not that of these records.")


def read_recovery(text: str) -> str:
    """The symbols of a recovery key as it was typed: 8 groups of 4 and a check symbol.

    Raises
    ------
    InputError
        Names every group that is mistyped.
    """
    typed = text.upper().translate(str.maketrans("OIL", "011", "- \t\r\n"))
    groups = [typed[i : i + SYMBOLS + 1] for i in range(0, len(typed), SYMBOLS + 1)]
    faults = [
        Fault(
            f"group {n}", group, f"{SYMBOLS} symbols and their check", "Compare it with the print"
        )
        for n, group in enumerate(groups, 1)
        if not set(group) <= set(CROCKFORD) or _check(n, group[:SYMBOLS]) != group[SYMBOLS:]
    ]
    if len(groups) != GROUPS:
        faults.append(Fault("recovery key", f"{len(groups)} groups", f"{GROUPS}", "Type them all."))
    if faults:
        raise InputError("recovery key", tuple(faults))
    return "".join(group[:SYMBOLS] for group in groups)


def stretch(secret: str, salt: bytes, n: int = N) -> bytes:
    """32 bytes from a secret that somebody typed, by scrypt; one at a time, for the memory.

    Parameters
    ----------
    secret : str
        Normalised (NFKC) first.
    salt : bytes
        Random.
    n : int
        Work of scrypt, a power of two [1].

    Sources
    -------
    RFC 7914.
    """
    typed = unicodedata.normalize("NFKC", secret).encode()
    with _ONE_AT_A_TIME:
        return hashlib.scrypt(typed, salt=salt, n=n, r=R, p=P, maxmem=256 * n * R, dklen=32)


def put_whole(file: Path, data: bytes) -> None:
    """Write a small file, for its owner alone, so that it is whole at any time."""
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    part = file.with_name(f".{file.name}.{secrets.token_hex(4)}")
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        part.replace(file)
        to_disk(file.parent)
    finally:
        part.unlink(missing_ok=True)


def to_disk(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on the disk itself."""
    if path.is_dir() and os.name == "nt":  # Windows has no such call for a folder
        return
    handle = os.open(path, os.O_RDWR if path.is_file() else os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# ------------------------------------------------------------------ inside


def _new_recovery() -> str:
    groups = ["".join(map(secrets.choice, [CROCKFORD] * SYMBOLS)) for _ in range(GROUPS)]
    return "-".join(group + _check(n, group) for n, group in enumerate(groups, 1))


def _check(n: int, group: str) -> str:
    return CROCKFORD[hashlib.sha256(f"{n}:{group}".encode()).digest()[0] % len(CROCKFORD)]


def _fingerprint(key: bytes) -> str:
    return hashlib.sha256(b"fingerprint of a data key" + key).hexdigest()[:16]


def _box(folder: Path, key: bytes, secret: str, n: int) -> dict[str, Any]:
    """Put the data key into a tiny encrypted file."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    salt = secrets.token_bytes(16)
    with TemporaryDirectory(prefix=".box-", dir=folder) as made:
        path = Path(made, "box")
        raw = raw_connection(path, stretch(secret, salt, n))
        raw.execute("create table held (key blob)").close()
        raw.execute("insert into held values (?)", (key,)).close()
        raw.close()
        box = base64.b64encode(path.read_bytes()).decode()
    return {"n": n, "r": R, "p": P, "salt": salt.hex(), "box": box}


def _unbox(file: Path, lock: str, secret: str) -> bytes:
    held = _read(file)
    try:
        salt, n = bytes.fromhex(held[lock]["salt"]), int(held[lock]["n"])
        box = base64.b64decode(held[lock]["box"], validate=True)
    except (KeyError, TypeError, ValueError):
        raise RecordsError(f"{file.name} is damaged. Take the one beside a backup.") from None
    key = stretch(secret, salt, n)
    with _room_for(file.parent, box) as path:
        try:
            with closing(raw_connection(path, key)) as raw:
                (found,) = raw.execute("select key from held").fetchone()
        except cipher.DatabaseError:
            name = "recovery key" if lock == "recovery" else lock
            raise WrongKeyError(f"This {name} does not fit.") from None
    return bytes(found)


@contextmanager
def _room_for(folder: Path, box: bytes) -> Iterator[Path]:
    """Put a box, which is encrypted, where there is room: a full disk must not lock anybody out."""
    why = ""
    for place in (Path("/dev/shm"), Path(gettempdir()), folder):
        try:
            made = TemporaryDirectory(prefix=".box-", dir=place)
        except OSError as error:
            why = str(error.strerror)
            continue
        with made:
            path = Path(made.name, "box")
            try:
                path.write_bytes(box)
            except OSError as error:
                why = str(error.strerror)
                continue
            yield path
            return
    raise FullError(f"The records cannot be unlocked: {why}.")


def _read(file: Path) -> dict[str, Any]:
    try:
        held: dict[str, Any] = json.loads(file.read_bytes())
        if held["format"] != 1:
            raise RecordsError(f"{file.name} was written by a newer rungwise.")
    except OSError:
        raise RecordsError(f"{file.name} is missing. Take the one beside a backup.") from None
    except (ValueError, KeyError, TypeError):
        raise RecordsError(f"{file.name} is damaged. Take the one beside a backup.") from None
    return held


def _change(file: Path, key: bytes, lock: str, secret: str, n: int) -> None:
    held = _read(file)
    if held["fingerprint"] != _fingerprint(key):
        raise WrongKeyError("This key is not that of these records.")
    held[lock] = _box(file.parent, key, secret, n)
    put_whole(file, json.dumps(held).encode())
