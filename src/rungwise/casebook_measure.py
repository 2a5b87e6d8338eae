"""Measuring aids behind the pages: a photograph or a recording in, a reading to be confirmed out.

Off until the clinic switches them on. A photograph is decoded by :mod:`rungwise.pictures` in a
process of its own; what is kept of it, in memory, is a smaller copy made anew from its pixels. The
core computes, the therapist confirms; nothing is saved here but what is asked for by its own verb.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from typing import TYPE_CHECKING

import numpy as np

from rungwise.casebook import Casebook
from rungwise.casebook_office import desk
from rungwise.clinic.measure import AID, reps_now, stance_now
from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.photo import PhotoReading, card_from_clicks, measure
from rungwise.core.photo_checks import Refused, refused
from rungwise.core.photo_many import Combined, combine
from rungwise.core.terms import Exam, Side
from rungwise.pictures import read_picture
from rungwise.recordings import KINDS, PLATE, TIMES, headings_of
from rungwise.records import Who

if TYPE_CHECKING:
    from rungwise.core.photo import Card, Spot

__all__ = [
    "AID",
    "CORNERS",
    "MARKS",
    "NEEDED",
    "RECORDINGS",
    "Column",
    "Combined",
    "Photo",
    "PhotoReading",
    "Recorded",
    "Refused",
    "aids_on",
    "aids_there",
    "columns_of",
    "keep_photo",
    "known_length",
    "read_photo",
    "read_recorded",
    "take_photo",
    "take_recording",
    "together",
]

#: Where the card's sides meet, with the clock from the upper left; marks along the foot.
CORNERS = ("corner_1", "corner_2", "corner_3", "corner_4")
MARKS = ("heel", "shaft_back", "shaft_front", "joint", "phalanx", "tip")
NEEDED = ("shaft_back", "joint", "phalanx")
#: Longest side of the copy that is shown and may be kept [px], and its quality.
SHOWN_PX, QUALITY = 2400, 88
#: The random draws that an interval is checked by are always the same ones.
SEED = 20261125
#: What a recording can be of -> the columns that it needs, and those that it may have.
RECORDINGS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "pressure": (("ap", "ml"), ()),
    "plate": (PLATE, ()),
    "acceleration": (("x", "y", "z"), ()),
    "raises": (("x", "y", "z"), ("gx", "gy", "gz")),
    "rhythm": (("x", "y", "z"), ("gx", "gy", "gz")),
}
Place = tuple[float, float]


# ------------------------------------------------------------------ whether there are any


def aids_there() -> bool:
    """Whether the libraries of the measuring aids are installed."""
    return all(find_spec(name) is not None for name in ("scipy", "cv2"))


def aids_on(casebook: Casebook, who: Who) -> bool:
    """Whether the clinic uses measuring aids: they are there, and were switched on."""
    return aids_there() and desk(casebook, who).aids == "on"


# ------------------------------------------------------------------ photographs


@dataclass(frozen=True, eq=False)
class Photo:
    """A photograph as it is measured: a smaller copy, and what was found on the whole one.

    Parameters
    ----------
    side : {"right", "left"}
        Which foot it shows, from its inner side.
    size_px : (int, int)
        Width and height of the photograph [px].
    jpeg : bytes
        The copy, made anew from the pixels alone.
    coarser : float
        Pixels of the photograph in one of the copy.
    card : Card or None
        The card that was found.
    spots : mapping of str to Spot
        Coloured dots that were found, by the names of their marks.
    refused : tuple of Refused
        Why there is no card, or there are no dots.
    turned, mirrored : bool
        Whether it lay on a side, or was stored as in a mirror, and was put right.
    focal_35mm_mm : float or None
        Focal length that was noted beside it, for 35 mm film [mm].
    """

    side: Side
    size_px: tuple[int, int]
    jpeg: bytes
    coarser: float
    card: Card | None
    spots: Mapping[str, Spot]
    refused: tuple[Refused, ...]
    turned: bool
    mirrored: bool
    focal_35mm_mm: float | None

    @property
    def corners_px(self) -> tuple[Place, ...]:
        """Corners of the card that was found [px]; empty without one."""
        if self.card is None:
            return ()
        return tuple((float(x), float(y)) for x, y in self.card.corners_px)


def take_photo(
    casebook: Casebook, who: Who, person: str, data: bytes, side: Side, book: Evidence
) -> Photo:
    """Decode a photograph and look for the card and the dots; nothing is saved.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        Who measures.
    person : str
        Id of the person.
    data : bytes
        JPEG, PNG or WebP.
    side : {"right", "left"}
        Which foot it shows.
    book : Evidence
        The clinic's book.

    Raises
    ------
    InputError
        It is refused, damaged, too large, or smaller than a thumbnail.
    """
    import cv2

    from rungwise.photo.look import card_and_dots

    with casebook.store.work(who) as work:
        work.allow("add")
        work.note_deed("measure", person, "photograph")
    found = read_picture(data)
    pixels, wide, high = found.pixels, found.facts.width_px, found.facts.height_px
    if min(wide, high) < 64:
        fault = Fault("photos", f"{wide} × {high} pixels", "a photograph", "Choose another.")
        raise InputError("photograph", (fault,))
    focal = found.facts.focal_35mm_mm
    card, spots = card_and_dots(pixels, book, focal_35mm_mm=focal)
    shrink = min(1.0, SHOWN_PX / max(wide, high))
    shown = cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    if shrink < 1:
        size = round(wide * shrink), round(high * shrink)
        shown = cv2.resize(shown, size, interpolation=cv2.INTER_AREA)
    jpeg = cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1].tobytes()
    faults = [one for one in (card, spots) if isinstance(one, Refused)]
    return Photo(
        side,
        (wide, high),
        jpeg,
        1 / shrink,
        None if isinstance(card, Refused) else card,
        {} if isinstance(spots, Refused) else spots,
        tuple(dict.fromkeys(faults)),
        found.facts.turned,
        found.facts.mirrored,
        focal,
    )


def read_photo(
    photo: Photo,
    corners: Sequence[Place] | None,
    marks: Mapping[str, Place | None],
    book: Evidence,
    heel_to_mtp_mm: float | None = None,
) -> PhotoReading | Refused:
    """The bend by one photograph, from where its corners and marks stand.

    Parameters
    ----------
    photo : Photo
        The photograph.
    corners : sequence of (float, float), optional
        The card's four corners where they were moved [px]; None leaves those that were found.
    marks : mapping of str to (float, float) or None
        Marks [px]; None stands for the coloured dot that was found there.
    book : Evidence
        The clinic's book.
    heel_to_mtp_mm : float, optional
        Heel to joint as measured at the examination [mm].
    """
    card: Card | Refused | None = photo.card
    if corners is not None:
        sd = book.value("photo.corner.click_sd_px") * photo.coarser
        at = np.array(corners, dtype=np.float64)
        if len(at) != 4 or _area(at) < 1:
            return refused("wrong_aspect", book) if len(at) == 4 else refused("card_missing", book)
        focal = photo.focal_35mm_mm
        card = card_from_clicks(at, photo.size_px, book, focal_35mm_mm=focal, sd_px=sd)
    if card is None:
        return photo.refused[0] if photo.refused else refused("card_missing", book)
    if isinstance(card, Refused):
        return card
    return measure(
        card,
        {name: photo.spots[name] if at is None else at for name, at in marks.items()},
        book,
        side=photo.side,
        rng=np.random.default_rng(SEED),
        heel_to_mtp_mm=heel_to_mtp_mm,
        click_sd_px=book.value("photo.click.sd_px") * photo.coarser,
    )


def _area(at: object) -> float:
    """Area that four points span [px²]."""
    points = np.asarray(at, dtype=np.float64)
    middle = points.mean(axis=0)
    order = np.argsort(np.arctan2(*(points - middle).T[::-1]))
    x, y = points[order].T
    return float(abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2)


def together(
    readings: Sequence[PhotoReading], book: Evidence
) -> tuple[PhotoReading | Combined | None, tuple[Fault, ...]]:
    """What the photographs of one foot come to together, or why they cannot be taken together.

    Parameters
    ----------
    readings : sequence of PhotoReading
        Of one foot.
    book : Evidence
        The clinic's book.
    """
    if len(readings) < 2:
        return (readings[0] if readings else None), ()
    try:
        return combine(readings, book), ()
    except InputError as error:
        return None, error.faults


def known_length(exam: Exam | None, side: Side) -> float | None:
    """Heel to joint as it was measured at the latest examination [mm]; None when it was not."""
    return None if exam is None else exam.number("heel_to_mtp_mm", side)


def keep_photo(casebook: Casebook, who: Who, person: str, photo: Photo) -> None:
    """Keep the smaller copy of a photograph as a document of the person.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        Who asked for it.
    person : str
        Id of the person.
    photo : Photo
        The photograph.
    """
    with casebook.store.work(who) as work:
        work.add_document(person, f"photograph, {photo.side} foot", "image/jpeg", photo.jpeg)


# ------------------------------------------------------------------ recordings


@dataclass(frozen=True)
class Column:
    """A column that a recording needs.

    Parameters
    ----------
    role : str
        What it is.
    units : tuple of str
        Units that it may have.
    needed : bool
        Whether nothing can be read without it.
    """

    role: str
    units: tuple[str, ...]
    needed: bool


@dataclass(frozen=True)
class Recorded:
    """What a recording came to.

    Parameters
    ----------
    headline : str
        The first line of its report, in English.
    rows : tuple of (str, float, str, float or None)
        Values: name, value, unit, and the ratio beyond which a change is more than error.
    raises : tuple of (float, float, float, float, float)
        Of each heel raise: start, up, hold, down [s] and turn [deg].
    told : tuple of str
        How it was made, in English sentences.
    constants : tuple of (str, float)
        Numbers that it was made with.
    conventions : tuple of (str, str)
        Ways of counting, by name; empty where there are none.
    """

    headline: str
    rows: tuple[tuple[str, float, str, float | None], ...] = ()
    raises: tuple[tuple[float, float, float, float, float], ...] = ()
    told: tuple[str, ...] = ()
    constants: tuple[tuple[str, float], ...] = ()
    conventions: tuple[tuple[str, str], ...] = ()


def take_recording(
    casebook: Casebook, who: Who, person: str, data: bytes, kind: str
) -> tuple[tuple[str, str], ...]:
    """The headings of a recording, each with its unit or nothing; nothing is saved.

    Parameters
    ----------
    casebook : Casebook
        The open records.
    who : Who
        Who measures.
    person : str
        Id of the person.
    data : bytes
        CSV.
    kind : str
        One of the :data:`RECORDINGS`.

    Raises
    ------
    InputError
        It is no CSV with a heading line, too long, or of no known kind.
    """
    if kind not in RECORDINGS:
        fault = Fault("kind", kind[:20] or "–", ", ".join(RECORDINGS), "Choose one.")
        raise InputError("recording", (fault,))
    with casebook.store.work(who) as work:
        work.allow("add")
        work.note_deed("measure", person, "recording")
    if not data:
        fault = Fault("file", "no file", "a file", "Choose one.")
        raise InputError("recording", (fault,))
    return headings_of(data)


def columns_of(kind: str) -> tuple[Column, ...]:
    """The columns that a kind of recording needs and may have, the time first."""
    needed, optional = RECORDINGS[kind]
    units = {"time": TIMES} | {r: u for known in KINDS.values() for r, u in known.roles.items()}
    roles = ("time", *needed, *optional)
    return tuple(Column(role, tuple(units[role]), role not in optional) for role in roles)


def read_recorded(
    data: bytes,
    kind: str,
    chosen: Mapping[str, tuple[str, str]],
    how: Mapping[str, str],
    book: Evidence,
) -> Recorded:
    """What a recording comes to.

    Parameters
    ----------
    data : bytes
        CSV.
    kind : str
        One of the :data:`RECORDINGS`.
    chosen : mapping of str to (str, str)
        Column -> its heading, and the unit where the heading says none.
    how : mapping of str to str
        ``surface``, ``eyes``, ``ap`` and ``thickness_mm``; ``counted`` = ``authors`` counts as the
        authors of the open data set did.
    book : Evidence
        The clinic's book.

    Raises
    ------
    InputError
        Every fault of the file and of what was told.
    """
    faults = [
        Fault(role, "no column", "a column of the file", "Choose one.")
        for role in ("time", *RECORDINGS[kind][0])
        if role not in chosen
    ]
    if faults:
        raise InputError("recording", tuple(faults))
    words = [f"{role}={name}[{unit}]" if unit else f"{role}={name}"
             for role, (name, unit) in chosen.items()]  # fmt: skip
    if kind in ("raises", "rhythm"):
        facts, text = reps_now(data, words, book, any_movement=kind == "rhythm")
    else:
        facts, text = stance_now(
            data,
            words,
            book,
            kind,
            how.get("counted") == "authors",
            how.get("surface", ""),
            how.get("eyes", ""),
            how.get("ap", ""),
            _thickness(how.get("thickness_mm", "")),
        )
    return _recorded(facts, text.partition("\n")[0])


def _thickness(typed: str) -> float:
    """Height of a plate's surface over the plane of its moments, as typed [mm]."""
    try:
        found = float(typed.replace(",", ".") or 0)
    except ValueError:
        found = -1.0
    if not 0 <= found <= 500:
        fault = Fault("thickness_mm", typed[:20], "0 to 500 mm", "Type a number.")
        raise InputError("recording", (fault,))
    return found


def _recorded(facts: Mapping[str, object], headline: str) -> Recorded:
    """The facts of a measuring aid, as a page shows them."""
    from rungwise.core.reps import HeelRaises, Rhythm
    from rungwise.core.stance import Stance
    from rungwise.core.sway import Sway

    found = next(value for name, value in facts.items() if name != "aid")
    if isinstance(found, Rhythm):
        if found.cannot:
            return Recorded(headline)
        rows = (("period", found.period_s, "s", None), ("likeness", found.likeness, "1", None))
        return Recorded(headline, rows)
    if isinstance(found, HeelRaises):
        each = tuple((r.start_s, r.up_s, r.hold_s, r.down_s, r.turn_deg) for r in found.raises)
        return Recorded(headline, (), each, found.steps, tuple(found.constants.items()))
    assert isinstance(found, Stance | Sway)
    values = tuple(
        (name, one.value, one.unit, one.mdc_ratio.value if one.mdc_ratio else None)
        for name, one in found.values.items()
    )
    told = found.steps
    ways: tuple[tuple[str, str], ...] = ()
    if isinstance(found, Sway):
        parts = tuple(f"quiet from {a:.1f} to {b:.1f} s" for a, b in found.held.parts_s)
        told = (*parts, *((f"Not described: {found.refused}.",) if found.refused else ()), *told)
    else:
        c = found.conventions
        ways = (("duration", c.duration), ("covariance", c.covariance), ("ellipse", c.ellipse))
    return Recorded(headline, values, (), told, tuple(found.constants.items()), ways)
