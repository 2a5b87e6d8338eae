"""Measuring aids: the bend of the big toe on photographs, by marks that are dragged.

Nothing is saved here. A photograph is held in memory by the session that took it; its reading goes,
by one act, into the form of the examination, which the therapist still saves.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import ClassVar

from rungwise.casebook import PersonFile, UnknownError
from rungwise.casebook_measure import (
    CORNERS,
    MARKS,
    NEEDED,
    RECORDINGS,
    Combined,
    PhotoReading,
    Refused,
    aids_on,
    keep_photo,
    known_length,
    read_photo,
    take_photo,
    together,
)
from rungwise.core.errors import Fault, InputError
from rungwise.core.terms import SIDES, Side
from rungwise.web.access import Held
from rungwise.web.exam_text import MOST_GROUPS, MOST_READINGS, WAYS
from rungwise.web.page import At, Download, Go, Page, Visit, told
from rungwise.web.pages.examination import start_values
from rungwise.web.shelf import PHOTOS_MOST, Item, Shelf

__all__ = ["BASE", "ROUTES", "entered", "entrance", "measure", "now_s", "shelf_of"]

#: Longest form with photographs, five of a phone [byte].
PHOTOS_MAX = 60_000_000
BEND, INSTRUMENT = "mtp_dorsiflexion_deg", "photograph"
#: Where a mark waits that nobody has placed yet: share of the width from the heel's side on, and of
#: the height, where no foot is.
WAITING = dict(zip(MARKS, (0.12, 0.4, 0.52, 0.62, 0.74, 0.86), strict=True))
LEVEL = 0.94
_PLACE = re.compile(r"-?[0-9]{1,6}(?:[.,][0-9]{1,4})?")


@dataclass(frozen=True)
class Handle:
    """A corner or a mark on a photograph.

    Parameters
    ----------
    name : str
        Its name.
    x, y : str
        Where it stands, as text [px]; empty when nobody has placed it.
    at_x, at_y : str
        Where it is drawn [px].
    found : bool
        Whether the program found it there.
    """

    name: str
    x: str
    y: str
    at_x: str
    at_y: str
    found: bool


@dataclass(frozen=True)
class Whole:
    """What the photographs of one foot come to together.

    Parameters
    ----------
    side : str
        Which foot.
    read : PhotoReading, Combined or None
        The reading; None when there is none.
    of : int
        How many photographs there are of this foot [1].
    used : int
        How many of them were read [1].
    faults : tuple of Fault
        Why they cannot be taken together.
    """

    side: Side
    read: PhotoReading | Combined | None
    of: int
    used: int
    faults: tuple[Fault, ...]


@dataclass(frozen=True, kw_only=True)
class MeasureOff(Page):
    """The measuring aids are not used in this clinic, or not installed."""

    template: ClassVar[str] = "measure_off.html"


@dataclass(frozen=True, kw_only=True)
class Measure(Page):
    """What can be measured, and what was."""

    template: ClassVar[str] = "measure.html"
    url: str = told("Address of this page.")
    back: bool = told("Whether an examination is open and waits.")
    photos: tuple[Item, ...] = told("The photographs, in the order in which they came.")
    most: int = told("How many photographs there may be.", PHOTOS_MOST)
    wholes: tuple[Whole, ...] = told("What they come to, foot by foot.")
    methods: tuple[str, ...] = told("Ways in which the toe can be bent.")
    kinds: tuple[str, ...] = told("What a recording can be of.", tuple(RECORDINGS))
    sides: tuple[str, ...] = told("The sides in the order of the form.", SIDES)


@dataclass(frozen=True, kw_only=True)
class MeasurePhoto(Page):
    """One photograph with its corners and marks."""

    template: ClassVar[str] = "measure_photo.html"
    url: str = told("Address of this photograph.")
    up: str = told("Address of the page of all photographs.")
    item: Item = told("The photograph.")  # noqa: RUF009
    number: int = told("Which one it is, from 1.")
    corners: tuple[Handle, ...] = told("The card's corners.")
    marks: tuple[Handle, ...] = told("The marks along the foot.")
    needed: tuple[str, ...] = told("Marks without which there is no angle.", NEEDED)
    following: str = told("Address of the next photograph; empty after the last.")
    methods: tuple[str, ...] = told("Ways in which the toe can be bent.")
    beside: MeasurePart = told("What it comes to, as the part beside it.")  # noqa: RUF009


@dataclass(frozen=True, kw_only=True)
class MeasurePart(Page):
    """What a photograph comes to, and all of that foot together."""

    template: ClassVar[str] = "measure_read.html"
    read: PhotoReading | None = told("The reading; None when it is refused.")  # noqa: RUF009
    refused: tuple[Refused, ...] = told("Why it is refused, or what was not found.")
    whole: Whole | None = told("All photographs of this foot together; None for a single one.")  # noqa: RUF009
    wrong: tuple[Fault, ...] = told("Places that cannot be.", ())


# ------------------------------------------------------------------ photographs


def entrance(visit: Visit) -> Page:
    """Show what can be measured, or that the aids are off."""
    if aids_on(visit.casebook, visit.who):
        return measure(visit)
    bar = visit.person_bar(visit.found(), "measure")
    return MeasureOff(title=visit.say("measuring.title"), person=bar)


def measure(visit: Visit, faults: tuple[Fault, ...] = ()) -> Measure:
    """Show what can be measured, and what was."""
    found, url = entered(visit)
    items = shelf_of(visit).of(found.id, now_s(visit))
    for item in items:
        _read(visit, found, item)
    return Measure(
        title=visit.say("measuring.title"),
        person=visit.person_bar(found, "measure"),
        url=url,
        back=_aside(visit, found) is not None,
        photos=items,
        wholes=tuple(w for side in SIDES if (w := _whole(visit, items, side)).of),
        methods=_methods(visit),
        faults=faults,
        status=422 if faults else 200,
    )


def photos(visit: Visit) -> Page | Go:
    """Take photographs in, as far as they can be read; nothing is saved."""
    found, url = entered(visit)
    side = _side(visit)
    given = [data for name, data in visit.files.items() if name.startswith("photos") and data]
    if side is None or not given:
        field, key = (
            ("side", "measuring.choose_side") if given else ("photos", "measuring.choose_photo")
        )
        fault = Fault(field, "–", visit.say(key), "")
        return measure(visit, (fault,))
    faults: list[Fault] = []
    taken: list[Item] = []
    for number, data in enumerate(given[: PHOTOS_MOST + 1], 1):
        try:
            photo = take_photo(visit.casebook, visit.who, found.id, data, side, visit.book())
            item = shelf_of(visit).add(found.id, photo, now_s(visit))
        except InputError as error:
            faults += [replace(fault, field=f"photo_{number}") for fault in error.faults]
            continue
        item.corners = _texts(zip(CORNERS, photo.corners_px, strict=False))
        item.marks = _texts((name, spot.at_px) for name, spot in photo.spots.items())
        taken.append(item)
    if faults:
        return measure(visit, tuple(faults))
    return Go(f"{url}/{taken[0].id}")


def _texts(places: Iterable[tuple[str, tuple[float, float]]]) -> dict[str, tuple[str, str]]:
    """Places as their fields show them."""
    return {name: (f"{x:.1f}", f"{y:.1f}") for name, (x, y) in places}


def photo(visit: Visit, wrong: tuple[Fault, ...] = ()) -> Page | Go:
    """Show a photograph with its marks; take them anew where they were moved."""
    found, up = entered(visit)
    items = shelf_of(visit).of(found.id, now_s(visit))
    item = _item(visit, found)
    if visit.method == "POST":
        wrong = _moved(visit, item)
        if not visit.part and not wrong:
            return Go(f"{up}/{item.id}")
    beside = _part(visit, found, items, item, wrong)
    if visit.part:
        return beside
    place = items.index(item)
    following = items[place + 1].id if place + 1 < len(items) else ""
    return MeasurePhoto(
        title=visit.say(
            "measuring.photo_title", n=place + 1, of_side=visit.say(f"of.{item.photo.side}")
        ),
        person=visit.person_bar(found, "measure"),
        url=f"{up}/{item.id}",
        up=up,
        item=item,
        number=place + 1,
        corners=_corners(item),
        marks=_marks(item),
        following=following and f"{up}/{following}",
        methods=_methods(visit),
        beside=beside,
        faults=wrong,
        status=422 if wrong else 200,
    )


def _part(
    visit: Visit, found: PersonFile, items: Sequence[Item], item: Item, wrong: tuple[Fault, ...]
) -> MeasurePart:
    for one in items:
        _read(visit, found, one)
    read = item.read
    whole = _whole(visit, items, item.photo.side)
    lacking = item.photo.refused if not item.corners or not item.marks else ()
    refused = (read,) if isinstance(read, Refused) else ()
    return MeasurePart(
        title=visit.say("measuring.read_title"),
        read=None if isinstance(read, Refused) else read,
        refused=tuple({one.why: one for one in (*lacking, *refused)}.values()),
        whole=whole if whole.of > 1 else None,
        wrong=wrong,
    )


def _moved(visit: Visit, item: Item) -> tuple[Fault, ...]:
    """Take the places of a form; returns those that cannot be."""
    faults: list[Fault] = []
    found: dict[str, tuple[str, str]] = {}
    for name in (*CORNERS, *MARKS):
        x, y = (visit.typed(f"{name}.{axis}").replace(",", ".") for axis in "xy")
        if not x and not y:
            continue
        if not all(
            _inside(text, size) for text, size in zip((x, y), item.photo.size_px, strict=True)
        ):
            allowed = visit.say(
                "measuring.inside", w=item.photo.size_px[0], h=item.photo.size_px[1]
            )
            faults.append(Fault(name, f"{x[:12] or '–'}, {y[:12] or '–'}", allowed, ""))
        else:
            found[name] = x, y
    item.corners = {name: found[name] for name in CORNERS if name in found}
    item.marks = {name: found[name] for name in MARKS if name in found}
    item.read = None
    return tuple(faults)


def _inside(text: str, size: int) -> bool:
    return _PLACE.fullmatch(text) is not None and 0 <= float(text) <= size - 1


def _corners(item: Item) -> tuple[Handle, ...]:
    """The corners; those that are not placed wait as a card in the upper middle."""
    w, h = item.photo.size_px
    across, down = 0.15 * w, 0.15 * w / 1.586
    ways = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    wait = [(w / 2 + across * i, 0.3 * h + down * j) for i, j in ways]
    seen = dict(zip(CORNERS, item.photo.corners_px, strict=False))
    return tuple(
        _handle(
            name, item.corners, at, _texts([(name, seen[name])])[name] if name in seen else None
        )
        for name, at in zip(CORNERS, wait, strict=True)
    )


def _marks(item: Item) -> tuple[Handle, ...]:
    """The marks; those that are not placed wait in their order along the foot."""
    w, h = item.photo.size_px
    seen = _texts((name, spot.at_px) for name, spot in item.photo.spots.items())
    ways = {n: share if item.photo.side == "left" else 1 - share for n, share in WAITING.items()}
    return tuple(
        _handle(name, item.marks, (ways[name] * w, LEVEL * h), seen.get(name)) for name in MARKS
    )


def _handle(
    name: str,
    placed: Mapping[str, tuple[str, str]],
    wait: tuple[float, float],
    seen: tuple[str, str] | None,
) -> Handle:
    at = placed.get(name)
    x, y = at or (f"{wait[0]:.1f}", f"{wait[1]:.1f}")
    return Handle(
        name, at[0] if at else "", at[1] if at else "", x, y, at is not None and at == seen
    )


def _read(visit: Visit, found: PersonFile, item: Item) -> None:
    """Read a photograph, where that was not done since its marks moved."""
    if item.read is not None:
        return
    seen = _texts(zip(CORNERS, item.photo.corners_px, strict=False))
    spots = _texts((name, spot.at_px) for name, spot in item.photo.spots.items())
    corners = None
    if item.corners != seen:
        corners = [_float(item.corners[name]) for name in CORNERS if name in item.corners]
    marks = {name: None if spots.get(name) == at else _float(at) for name, at in item.marks.items()}
    known = known_length(found.exam, item.photo.side)
    item.read = read_photo(item.photo, corners, marks, visit.book(), known)


def _float(at: tuple[str, str]) -> tuple[float, float]:
    return float(at[0]), float(at[1])


def _whole(visit: Visit, items: Sequence[Item], side: Side) -> Whole:
    mine = [item for item in items if item.photo.side == side]
    readings = [i.read for i in mine if i.read is not None and not isinstance(i.read, Refused)]
    read, faults = together(readings, visit.book())
    return Whole(side, read, len(mine), len(readings), faults)


def picture(visit: Visit) -> Download:
    """The copy of a photograph, for the session that took it alone."""
    found, _ = entered(visit)
    return Download(_item(visit, found).photo.jpeg, "image/jpeg", "photograph.jpg", inline=True)


def drop(visit: Visit) -> Go:
    """Take a photograph away."""
    found, url = entered(visit)
    shelf_of(visit).drop(found.id, _item(visit, found).id)
    return Go(url)


def keep(visit: Visit) -> Go:
    """Keep a copy of a photograph in the record, when that is ticked."""
    found, url = entered(visit)
    item = _item(visit, found)
    if visit.typed("keep") == "yes" and not item.kept:
        keep_photo(visit.casebook, visit.who, found.id, item.photo)
        item.kept = True
    return Go(f"{url}/{item.id}")


def use(visit: Visit) -> Page | Go:
    """Put the reading of a foot into the examination's form, which is still to be saved."""
    assert visit.session is not None
    found, _ = entered(visit)
    side, method = _side(visit), visit.typed("method")
    items = shelf_of(visit).of(found.id, now_s(visit))
    for item in items:
        _read(visit, found, item)
    whole = _whole(visit, items, side) if side else None
    faults = []
    if method not in _methods(visit):
        faults.append(Fault("method", "–", visit.say("measuring.choose_method"), ""))
    if whole is None or whole.read is None:
        faults.append(Fault("photos", "–", visit.say("measuring.no_reading"), ""))
    if side is None or whole is None or whole.read is None or faults:
        return measure(visit, tuple(faults))
    aside = _aside(visit, found)
    values: dict[str, Sequence[str]] = {**(start_values(visit, found) if aside is None else aside)}
    place = _place(values, side, (method, INSTRUMENT, whole.read.zero))
    values |= {
        f"{place}.v1": [f"{round(whole.read.bend_deg)}"],
        f"{place}.method": [method],
        f"{place}.instrument": [INSTRUMENT],
        f"{place}.zero": [whole.read.zero],
        f"{place}.sem": [f"{ceil(whole.read.sd_deg * 10) / 10:.1f}"],
        f"{place}.aid": ["confirmed" if visit.typed("aid") == "confirmed" else ""],
    }
    page = f"/people/{found.id}/exam"
    visit.session.form = Held(page, page, values)
    visit.session.held["measured"] = f"{place}.v1"
    return Go(page)


def _place(values: Mapping[str, Sequence[str]], side: Side, ways: tuple[str, ...]) -> str:
    """The group of readings that is empty and of this way, or of none; never the first.

    The first group is left to what is read by hand, for the other foot may be read as it was.
    """
    base = f"{side}.{BEND}"
    for group in range(2, MOST_GROUPS + 1):
        place = f"{base}.{group}"
        if any(any(values.get(f"{place}.v{n}", ())) for n in range(1, MOST_READINGS + 1)):
            continue
        there = tuple("".join(values.get(f"{place}.{way}", ())[-1:]) for way in WAYS[:3])
        if not any(there) or there == ways:
            return place
    return f"{base}.{MOST_GROUPS}"


# ------------------------------------------------------------------ the examination waits


def aside(visit: Visit) -> Go:
    """Put what is typed into the examination aside, in memory, and go to the measuring aids."""
    assert visit.session is not None
    found, url = entered(visit)
    page = f"/people/{found.id}/exam"
    form = {name: typed for name, typed in visit.form.items() if name != "token"}
    visit.session.form = Held(page, page, form)
    visit.session.held["measured"] = "back"
    return Go(url)


def _aside(visit: Visit, found: PersonFile) -> Mapping[str, Sequence[str]] | None:
    held = visit.session.form if visit.session else None
    fits = held is not None and held.page.partition("?")[0] == f"/people/{found.id}/exam"
    return held.form if held is not None and fits else None


# ------------------------------------------------------------------ shared


def entered(visit: Visit) -> tuple[PersonFile, str]:
    """The person and the address of this page; the aids must be switched on.

    Raises
    ------
    UnknownError
        They are not.
    """
    if not aids_on(visit.casebook, visit.who):
        raise UnknownError("Measuring aids are off.")
    found = visit.found()
    return found, f"/people/{found.id}/measure"


def shelf_of(visit: Visit) -> Shelf:
    """What this session measures on."""
    assert visit.session is not None
    return visit.session.shelf


def now_s(visit: Visit) -> float:
    """Seconds of the records' clock [s]."""
    return visit.access.now_s()


def _item(visit: Visit, found: PersonFile) -> Item:
    return shelf_of(visit).get(found.id, visit.path["photo"], now_s(visit))


def _side(visit: Visit) -> Side | None:
    return next((side for side in SIDES if side == visit.typed("side")), None)


def _methods(visit: Visit) -> tuple[str, ...]:
    return visit.book().measures[BEND].methods


BASE = "/people/{person}/measure"
ROUTES = (
    At("/people/{person}/exam/measure", aside, "POST", deed="add"),
    At(BASE, entrance, deed="add"),
    At(f"{BASE}/photos", photos, "POST", deed="add", body_max=PHOTOS_MAX),
    At(f"{BASE}/use", use, "POST", deed="add"),
    At(f"{BASE}/{{photo}}", photo, "GET POST", deed="add"),
    At(f"{BASE}/{{photo}}/picture", picture, deed="add"),
    At(f"{BASE}/{{photo}}/drop", drop, "POST", deed="add"),
    At(f"{BASE}/{{photo}}/keep", keep, "POST", deed="add"),
)
