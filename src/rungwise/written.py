"""Write a file or a folder all or nothing: killed processes and full disks leave the old one."""

from __future__ import annotations

import glob
import os
import shutil
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from secrets import token_hex

from rungwise.core.errors import Fault, InputError

__all__ = ["write_file", "write_folder"]

#: Age at which a folder in the making was left by a killed process [s].
STALE_S = 3600


#: What shows that a folder holds plans of rungwise.
MARKS = frozenset({"plan.json", "plans.json"})


def write_file(path: Path, data: bytes, replace: bool = False, can_replace: bool = True) -> Path:
    """Write one file, all or nothing: a killed process or a full disk leaves an old one as it was.

    Parameters
    ----------
    path : Path
        Where; must not exist unless ``replace``.
    data : bytes
        What.
    replace : bool
        Whether an earlier file may be replaced.
    can_replace : bool
        Whether the one who asks could say so; told when the file is there.

    Raises
    ------
    InputError
        When the file is there and may not be replaced, or cannot be written.
    """
    made: Path | None = None
    try:
        path = path.resolve()
        if path.is_dir() or (path.exists() and not replace):
            raise FileExistsError
        path.parent.mkdir(parents=True, exist_ok=True)
        for left in path.parent.glob(".rungwise-????????"):
            if time.time() - left.stat().st_mtime > STALE_S:  # by a process that was killed
                left.unlink(missing_ok=True)
        made = path.parent / f".rungwise-{token_hex(4)}"
        with made.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        _put_file(made, path, replace)
    except FileExistsError as error:
        if not path.exists():  # a file stands where its folder should be
            raise _cannot_write(path, error, "file") from None
        alone = path.is_dir() or not can_replace
        remedy = "Name another." if alone else "Name another, or add --replace."
        fault = Fault("out", str(path), "a file that is not there yet", remedy)
        raise InputError("output", (fault,)) from None
    except OSError as error:
        raise _cannot_write(path, error, "file") from None
    finally:
        if made is not None:
            made.unlink(missing_ok=True)
    return path


def _put_file(made: Path, path: Path, replace: bool) -> None:
    """Put a whole file in its place by one step; one that came there meanwhile stays."""
    if not replace:
        try:
            os.link(made, path)
        except FileExistsError:
            raise
        except OSError:  # a file system without links
            if path.exists():
                raise FileExistsError from None
        else:
            return
    made.replace(path)


def write_folder(
    folder: Path,
    content: Mapping[str, bytes],
    replace: bool = False,
    marks: frozenset[str] = MARKS,
) -> list[Path]:
    """Write files into a new folder, all or nothing.

    They are written beside it first and put in place by one rename, so a killed process or a full
    disk leaves the old folder as it was.

    Parameters
    ----------
    folder : Path
        Where; must not exist, or be empty, unless ``replace``.
    content : mapping of str to bytes
        Relative name -> content.
    replace : bool
        Whether an earlier folder of the same make may be replaced.
    marks : frozenset of str
        Names of which an earlier folder of the same make holds one.

    Raises
    ------
    InputError
        When the folder is there and may not be replaced, or cannot be written.
    """
    try:
        folder = folder.resolve()
        _recover(folder)
        _check_free(folder, replace, marks)
    except OSError as error:
        raise _cannot_write(folder, error) from None
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as error:
        raise _cannot_write(folder, error) from None
    try:
        for name, data in content.items():
            path = made / name
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        made.chmod(0o755)
        _put_in_place(made, folder)
    except OSError as error:
        raise _cannot_write(folder, error) from None
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return [folder / name for name in content]


def _recover(folder: Path) -> None:
    """Put back a folder whose replacement was killed between its two renames."""
    for part in folder.parent.glob(f".{glob.escape(folder.name)}-????????"):
        if time.time() - part.stat().st_mtime > STALE_S:  # left by a process that was killed
            shutil.rmtree(part, ignore_errors=True)
    if folder.exists():
        return
    for old in folder.parent.glob(f".{glob.escape(folder.name)}-old-*/{glob.escape(folder.name)}"):
        old.rename(folder)
        old.parent.rmdir()
        return


def _check_free(folder: Path, replace: bool, marks: frozenset[str]) -> None:
    if folder.exists() and not folder.is_dir():
        fault = Fault("out", str(folder), "a folder", "Name a folder that is not there yet.")
        raise InputError("output", (fault,))
    there = sorted(p.name for p in folder.iterdir()) if folder.is_dir() else []
    ours = bool(marks & set(there))
    if there and not (replace and ours):
        remedy = (
            "Name another, or add --replace." if ours else "Name another; it holds other files."
        )
        fault = Fault("out", str(folder), "a folder that is not there yet, or empty", remedy)
        raise InputError("output", (fault,))


def _put_in_place(made: Path, folder: Path) -> None:
    if not folder.exists():
        made.rename(folder)
        return
    old = Path(tempfile.mkdtemp(prefix=f".{folder.name}-old-", dir=folder.parent))
    folder.rename(old / folder.name)
    try:
        made.rename(folder)
    except OSError:
        (old / folder.name).rename(folder)
        raise
    finally:
        shutil.rmtree(old, ignore_errors=True)


def _cannot_write(place: Path, error: OSError, what: str = "folder") -> InputError:
    fault = Fault("out", str(place), f"a {what} that can be written", error.strerror or str(error))
    return InputError("output", (fault,))
