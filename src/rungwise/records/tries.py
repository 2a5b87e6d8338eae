"""Failed tries at a passphrase, kept while the records are locked and nothing can be written there.

A small file beside the records, for its owner alone, holds for each address how often it failed and
since when it waits. Whoever can write it could as well take the key file and guess elsewhere: it
stops guessing through the pages, across restarts. What it says can never open anything, and never
makes anybody wait longer than 15 minutes.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from threading import Lock

from rungwise.records.errors import FullError
from rungwise.records.keys import put_whole

__all__ = ["FORGET_S", "FREE_TRIES", "LONGEST_WAIT_S", "Tries", "tries_file_of", "wait_after_s"]

FREE_TRIES, LONGEST_WAIT_S, FORGET_S = 5, 15 * 60, 24 * 3600
KEYS_MOST, READ_MOST, COUNT_MOST = 64, 64 * 1024, 10**6
#: Stands for every address when the file cannot be read.
ANY = "*"


def tries_file_of(place: Path) -> Path:
    """The file of failed tries that belongs to a file of records."""
    return place.with_name(place.name + ".tries")


def wait_after_s(failures: int) -> int:
    """How long the next try waits after so many failures [s]; five are free, then it doubles.

    Parameters
    ----------
    failures : int
        Failures so far [1].
    """
    over = failures - FREE_TRIES
    return min(2 ** min(over, 20), LONGEST_WAIT_S) if over >= 0 else 0


@dataclass(frozen=True)
class _Failed:
    """How often somebody failed, from when on that one waits, and how long [s]."""

    failures: int
    since_s: float
    wait_s: int

    def left_s(self, now_s: float) -> float:
        """What is left of the wait [s]; a clock that was set back begins it anew."""
        return max(0.0, self.wait_s - max(0.0, now_s - self.since_s))

    def is_old(self, now_s: float) -> bool:
        """Whether it is so long ago that it is forgotten."""
        return now_s - self.since_s > FORGET_S


class Tries:
    """Failed tries by address, in memory and in a file.

    Parameters
    ----------
    file : Path or None
        Where they are kept; None = in memory alone.
    """

    def __init__(self, file: Path | None) -> None:
        self._file = file
        self._lock = Lock()
        self._failed = _read(file) if file is not None else {}

    def wait_s(self, address: str, now_s: float) -> int:
        """How long an address must wait before it may try [s], 0 = not at all.

        Parameters
        ----------
        address : str
            Where from.
        now_s : float
            What time it is [s].
        """
        key = _key(address)
        with self._lock:
            found = self._failed.get(key)
            if found is None:
                return 0
            if found.since_s > now_s:  # the clock was set back: it waits from now on, once
                found = _Failed(found.failures, now_s, found.wait_s)
                self._put(key, found)
            return ceil(found.left_s(now_s))

    def begin(self, address: str, now_s: float) -> int:
        """Count a try before it is made, so that killing the program does not undo it.

        Parameters
        ----------
        address : str
            Where from.
        now_s : float
            What time it is [s].

        Returns
        -------
        int
            How long it must wait instead [s]; 0 = it was counted and may be made.
        """
        if wait_s := self.wait_s(address, now_s):
            return wait_s
        key = _key(address)
        with self._lock:
            old = [k for k, one in self._failed.items() if k != ANY and one.is_old(now_s)]
            for gone in old:
                del self._failed[gone]
            found = self._failed.get(key) or self._failed.get(ANY)
            failures = min(found.failures if found else 0, COUNT_MOST) + 1
            self._put(key, _Failed(failures, now_s, wait_after_s(failures)))
        return 0

    def take_back(self, address: str) -> None:
        """Do not count the last try: nothing was guessed, only mistyped."""
        key = _key(address)
        with self._lock:
            found = self._failed.pop(key, None)
            if found is not None and found.failures > 1:
                self._failed[key] = _Failed(found.failures - 1, found.since_s, 0)
            self._write()

    def forget(self, address: str) -> None:
        """Forget what an address failed at, once it has opened the records."""
        with self._lock:
            gone = [key for key in (_key(address), ANY) if self._failed.pop(key, None)]
            if gone:
                self._write()

    def _put(self, key: str, made: _Failed) -> None:
        self._failed.pop(key, None)
        while len(self._failed) >= KEYS_MOST:
            self._failed.pop(min(self._failed, key=lambda k: self._failed[k].failures))
        self._failed[key] = made
        self._write()

    def _write(self) -> None:
        if self._file is None:
            return
        told = {key: [f.failures, f.since_s, f.wait_s] for key, f in self._failed.items()}
        try:
            put_whole(self._file, json.dumps({"format": 1, "failed": told}).encode())
        except (OSError, FullError):
            return  # a full disk must not lock anybody out; memory still counts


def _key(address: str) -> str:
    return hashlib.sha256(f"records\0{address}".encode()).hexdigest()[:32]


def _read(file: Path) -> dict[str, _Failed]:
    """What a file says, as far as it can be believed; if broken, the free tries are used up."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        handle = os.open(file, flags)
    except FileNotFoundError:
        return {}
    except OSError:
        return _broken()
    try:
        text = os.read(handle, READ_MOST) if stat.S_ISREG(os.fstat(handle).st_mode) else b""
        told = json.loads(text)["failed"]
        return {str(key)[:32]: _believed(*one) for key, one in list(told.items())[:KEYS_MOST]}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return _broken()
    finally:
        os.close(handle)


def _believed(failures: int, since_s: float, wait_s: int) -> _Failed:
    if not all(type(n) in (int, float) and -(10**12) < n < 10**12 for n in (failures, since_s)):
        raise ValueError("not a number of tries")
    count = min(max(int(failures), 1), COUNT_MOST)
    if type(wait_s) is not int:
        raise ValueError("not a time")
    return _Failed(count, float(since_s), min(max(wait_s, 0), wait_after_s(count)))


def _broken() -> dict[str, _Failed]:
    return {ANY: _Failed(FREE_TRIES, 0.0, 0)}
