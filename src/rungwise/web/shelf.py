"""What a session measures on: photographs and a recording, in memory alone, for a short time.

They go with the session: signing out, a lock or a time that runs out drops them. So does saving the
examination that they were read for, and half an hour without a touch.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from secrets import token_hex

from rungwise.casebook import UnknownError
from rungwise.casebook_measure import Photo, PhotoReading, Refused
from rungwise.core.errors import Fault, InputError

__all__ = ["PHOTOS_MOST", "Item", "Shelf", "Trace"]

PHOTOS_MOST = 5
#: Longest time without a touch [s], and most memory of a session [byte].
KEPT_S, BYTES_MAX = 30 * 60, 40_000_000


@dataclass
class Item:
    """A photograph that is being measured.

    Parameters
    ----------
    id : str
        Names it in addresses; made here.
    person : str
        Whose foot it shows.
    photo : Photo
        The picture and what was found on it.
    touched_s : float
        When it was last asked for, by the records' clock [s].
    corners, marks : dict
        Places as they stand in the fields, by name: x and y as text [px].
    read : PhotoReading, Refused or None
        What they come to; None when it was not asked since they moved.
    kept : bool
        Whether a copy stands in the record.
    """

    id: str
    person: str
    photo: Photo
    touched_s: float
    corners: dict[str, tuple[str, str]] = field(default_factory=dict)
    marks: dict[str, tuple[str, str]] = field(default_factory=dict)
    read: PhotoReading | Refused | None = None
    kept: bool = False


@dataclass
class Trace:
    """A recording that is being read.

    Parameters
    ----------
    person : str
        Whose it is.
    data : bytes
        The file.
    kind : str
        What it is of.
    touched_s : float
        When it was last asked for [s].
    """

    person: str
    data: bytes
    kind: str
    touched_s: float


class Shelf:
    """The photographs and the recording of one session."""

    def __init__(self) -> None:
        self._items: dict[str, Item] = {}
        self._trace: Trace | None = None

    def add(self, person: str, photo: Photo, now_s: float) -> Item:
        """Lay a photograph down.

        Parameters
        ----------
        person : str
            Whose foot it shows.
        photo : Photo
            The photograph.
        now_s : float
            Seconds of the records' clock [s].

        Raises
        ------
        InputError
            There are as many as there may be, or they take too much memory.
        """
        self.sweep(now_s)
        held = sum(len(item.photo.jpeg) for item in self._items.values()) + len(photo.jpeg)
        if len(self._items) >= PHOTOS_MOST or held > BYTES_MAX:
            allowed = f"at most {PHOTOS_MOST} photographs at a time"
            fault = Fault("photos", f"{len(self._items) + 1}", allowed, "Take one away first.")
            raise InputError("photographs", (fault,))
        item = Item(token_hex(16), person, photo, now_s)
        self._items[item.id] = item
        return item

    def of(self, person: str, now_s: float) -> tuple[Item, ...]:
        """The photographs of a person, in the order in which they came.

        Parameters
        ----------
        person : str
            Whose foot they show.
        now_s : float
            Seconds of the records' clock [s].
        """
        self.sweep(now_s)
        return tuple(item for item in self._items.values() if item.person == person)

    def get(self, person: str, photo: str, now_s: float) -> Item:
        """One photograph of a person.

        Parameters
        ----------
        person : str
            Whose foot it shows.
        photo : str
            Its name in addresses.
        now_s : float
            Seconds of the records' clock [s].

        Raises
        ------
        UnknownError
            This session has none of this name for this person.
        """
        self.sweep(now_s)
        item = self._items.get(photo)
        if item is None or item.person != person:
            raise UnknownError("There is no such photograph.")
        item.touched_s = now_s
        return item

    def lay(self, trace: Trace) -> None:
        """Put a recording in the place of the one before."""
        self._trace = trace

    def trace(self, person: str, now_s: float) -> Trace | None:
        """The recording of a person; None when this session has none.

        Parameters
        ----------
        person : str
            Whose it is.
        now_s : float
            Seconds of the records' clock [s].
        """
        self.sweep(now_s)
        if self._trace is None or self._trace.person != person:
            return None
        self._trace.touched_s = now_s
        return self._trace

    def drop(self, person: str, photo: str = "") -> None:
        """Drop one photograph of a person, or everything of the person."""
        gone = {key for key, item in self._items.items() if item.person == person}
        for key in gone & {photo} if photo else gone:
            self._items.pop(key, None)
        if not photo and self._trace is not None and self._trace.person == person:
            self._trace = None

    def sweep(self, now_s: float) -> None:
        """Drop what nobody touched for long.

        Parameters
        ----------
        now_s : float
            Seconds of the records' clock [s].
        """
        for key, item in tuple(self._items.items()):
            if not -KEPT_S < now_s - item.touched_s < KEPT_S:
                self._items.pop(key, None)
        if self._trace is not None and not -KEPT_S < now_s - self._trace.touched_s < KEPT_S:
            self._trace = None
