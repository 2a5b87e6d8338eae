"""One writer at a time, to a file or a folder: a lock of the operating system, if it has one."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

__all__ = ["alone", "alone_in"]

#: Windows locks bytes, not files: one far behind the end.
FAR = 1 << 30


@contextmanager
def alone(file: BinaryIO) -> Iterator[bool]:
    """Wait until nobody else writes to a file, and let nobody in until the block ends.

    Parameters
    ----------
    file : binary file
        Open for writing.

    Yields
    ------
    bool
        Whether it is locked: some network and foreign file systems know no locks.
    """
    try:
        _lock(file)
        held = True
    except OSError:
        held = False
    try:
        yield held
    finally:
        if held:
            _unlock(file)


@contextmanager
def alone_in(folder: Path) -> Iterator[bool]:
    """Wait until nobody else writes into a folder or puts another in its place, until the end.

    The lock is a file beside the folder, since the folder itself may be put in place anew; it is
    taken away again where the system allows. Not to be nested.

    Parameters
    ----------
    folder : Path
        Which folder; it need not be there.

    Yields
    ------
    bool
        Whether it is locked: not where nothing can be written beside it, nor where there are no
        locks.
    """
    folder = folder.resolve()
    path = folder.parent / f".{folder.name}.lock"
    while True:
        try:
            file = path.open("ab")
        except OSError:
            yield False
            return
        with file, alone(file) as held:
            if held and not _there(file, path):
                continue  # another one took it away while this one waited
            try:
                yield held
            finally:
                if held:
                    with suppress(OSError):
                        path.unlink()
            return


def _there(file: BinaryIO, path: Path) -> bool:
    """Whether an open file is still the one at its path."""
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except OSError:
        return False


if sys.platform == "win32":

    def _lock(file: BinaryIO) -> None:
        file.seek(FAR)
        msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)

    def _unlock(file: BinaryIO) -> None:
        file.seek(FAR)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)

else:

    def _lock(file: BinaryIO) -> None:
        fcntl.flock(file, fcntl.LOCK_EX)

    def _unlock(file: BinaryIO) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)
