"""Every version of every note's text, in the plan's folder; lines are only ever added."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from rungwise.core.errors import Fault, InputError
from rungwise.core.note import KINDS
from rungwise.locked import alone_in

__all__ = ["NOTES", "KeptNote", "keep_note", "kept_notes"]

NOTES = "notes.jsonl"


@dataclass(frozen=True)
class KeptNote:
    """One version of a note's text.

    Parameters
    ----------
    kind : str
        Which kind of note.
    on : date
        Day that the note is of.
    version : int
        1 for the text as it was made, then the therapist's own [1].
    by : str
        Who wrote or signs it; empty when not said.
    entered : date
        Day on which it was kept.
    text : str
        The text.
    based_on : str
        Digest of the version before; of the note as it was made for the first one.
    digest : str
        SHA-256 of the text, in hexadecimal.
    """

    kind: str
    on: date
    version: int
    by: str
    entered: date
    text: str
    based_on: str
    digest: str


def keep_note(
    folder: Path, kind: str, on: date, text: str, by: str, entered: date, based_on: str = ""
) -> KeptNote:
    """Keep a text as the next version of a note; a text that is there already is not kept twice.

    Parameters
    ----------
    folder : Path
        The plan's folder.
    kind : str
        Which kind of note.
    on : date
        Day that the note is of.
    text : str
        The text.
    by : str
        Who wrote it.
    entered : date
        The day of today.
    based_on : str
        Digest of the note as it was made, for a first version; a later one always points at
        the version before it.

    Raises
    ------
    InputError
        An unknown kind, an empty text, an earlier line that is damaged, or a file that cannot be
        written.
    """
    faults = []
    if kind not in KINDS:
        faults.append(Fault("kind", kind, ", ".join(KINDS), "Choose one."))
    if not text.strip():
        faults.append(Fault("text", "nothing", "the text of a note", "Write it."))
    if faults:
        raise InputError("note", tuple(faults))
    text = text.replace("\r\n", "\n").encode("utf-8", "replace").decode()
    digest = hashlib.sha256(text.encode()).hexdigest()
    with alone_in(folder):
        before = [one for one in kept_notes(folder, kind) if one.on == on]
        if before and before[-1].digest == digest:
            return before[-1]
        version = before[-1].version + 1 if before else 1
        earlier = before[-1].digest if before else based_on
        kept = KeptNote(kind, on, version, by, entered, text, earlier, digest)
        _append(folder / NOTES, kept)
    return kept


def kept_notes(folder: Path, kind: str | None = None) -> tuple[KeptNote, ...]:
    """Every version that was kept, in the order in which they were; those of one kind if named.

    Raises
    ------
    InputError
        A line that is damaged, or whose text is not the one that was kept.
    """
    path = folder / NOTES
    try:
        raw = path.read_bytes() if path.exists() else b""
    except OSError as error:
        raise _refused(path, error) from None
    found = []
    for number, line in enumerate(raw[: raw.rfind(b"\n") + 1].splitlines(), 1):
        one = _read(line)
        if one is None:
            where = f"{path}, line {number}"
            remedy = "It was changed by hand, or the disk is damaged: restore it from a copy."
            fault = Fault(where, "another text", "a line as it was kept", remedy)
            raise InputError("notes", (fault,))
        found.append(one)
    return tuple(one for one in found if kind in (None, one.kind))


def _read(line: bytes) -> KeptNote | None:
    """A line as it was kept; None when it is not."""
    try:
        data: dict[str, Any] = json.loads(line)
        data["on"] = date.fromisoformat(data["on"])
        data["entered"] = date.fromisoformat(data["entered"])
        one = KeptNote(**data)
        whole = hashlib.sha256(one.text.encode()).hexdigest() == one.digest
    except (ValueError, TypeError, KeyError, AttributeError):
        return None
    return one if whole else None


def _append(path: Path, kept: KeptNote) -> None:
    """Add one line, whole or not at all: a line without its end is cut off first."""
    data = asdict(kept) | {"on": kept.on.isoformat(), "entered": kept.entered.isoformat()}
    try:
        with path.open("a+b") as file:
            file.truncate(path.read_bytes().rfind(b"\n") + 1)
            file.write(json.dumps(data).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise _refused(path, error) from None


def _refused(path: Path, error: OSError) -> InputError:
    why = error.strerror or str(error)
    return InputError("notes", (Fault("notes", str(path), "a file that can be written", why),))
