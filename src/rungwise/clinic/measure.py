"""Measuring aids: stance and repetitions from a recording. The therapist confirms what they say."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec

from rungwise.core.errors import Fault, InputError
from rungwise.core.evidence import Evidence

__all__ = ["AID", "need_extra", "reps_now", "stance_now"]

#: Said wherever an aid's result is shown.
AID = "A measuring aid. Check it, by a goniometer or by counting yourself, before you use it."


def need_extra() -> None:
    """See that the libraries of the measuring aids are there.

    Raises
    ------
    InputError
        They are not; says how to get them.
    """
    absent = [name for name in ("scipy", "cv2") if find_spec(name) is None]
    if absent:
        remedy = "Measuring aids are off until then: pip install 'rungwise[measure]'"
        fault = Fault("extra", f"{', '.join(absent)} not installed", "the extra 'measure'", remedy)
        raise InputError("measuring aids", (fault,))


def stance_now(
    data: bytes,
    columns: Sequence[str],
    book: Evidence,
    source: str = "pressure",
    authors: bool = False,
    surface: str = "",
    eyes: str = "",
    ap: str = "",
    thickness_mm: float = 0.0,
) -> tuple[dict[str, object], str]:
    """Describe a trial of quiet stance: as facts, and as text.

    Parameters
    ----------
    data : bytes
        CSV.
    columns : sequence of str
        Which column is which, ``ROLE=COLUMN[unit]``.
    book : Evidence
        The evidence book.
    source : {"pressure", "plate", "acceleration"}
        What was recorded.
    authors : bool
        Count as the open data set's authors did: nothing prepared, n / rate.
    surface, eyes : str
        What was stood on and how, where it is known.
    ap : {"", "x", "y"}
        For a plate: the axis that runs from heel to toe.
    thickness_mm : float
        For a plate: from the plane of its moments up to the surface [mm].

    Raises
    ------
    InputError
        The extra is not installed; every fault of the file.
    """
    need_extra()
    from rungwise.core.stance import AUTHORS, OURS, stance_of
    from rungwise.core.sway import sway_of
    from rungwise.measures.aids import stance_report, sway_report
    from rungwise.recordings import KINDS, pressure_of, read_recording, read_roles

    if source not in KINDS or source == "turning":
        fault = Fault("of", source, "pressure, plate, acceleration", "Name what was recorded.")
        raise InputError("stance", (fault,))
    row = read_recording(data, KINDS[source], read_roles(columns))
    if source == "acceleration":
        sway = sway_of(row, book)
        return {"aid": AID, "sway": sway}, sway_report(sway, AID)
    if source == "plate":
        row = pressure_of(row, ap, thickness_mm)
    found = stance_of(row, book, AUTHORS if authors else OURS, surface, eyes)
    return {"aid": AID, "stance": found}, stance_report(found, AID)


def reps_now(
    data: bytes, columns: Sequence[str], book: Evidence, any_movement: bool = False
) -> tuple[dict[str, object], str]:
    """Count heel raises, or any repeated movement, in a recording: as facts, and as text.

    Parameters
    ----------
    data : bytes
        CSV with acceleration ``x``, ``y``, ``z`` and, if there is, turning ``gx``, ``gy``, ``gz``.
    columns : sequence of str
        Which column is which, ``ROLE=COLUMN[unit]``.
    book : Evidence
        The evidence book.
    any_movement : bool
        Count any repeated movement by its rhythm, in place of heel raises.

    Raises
    ------
    InputError
        The extra is not installed; every fault of the file.
    """
    need_extra()
    from rungwise.core.reps import count_by_rhythm, heel_raises_in
    from rungwise.measures.aids import raises_report, rhythm_report
    from rungwise.recordings import read_movement, read_roles

    acceleration, turning = read_movement(data, read_roles(columns))
    if any_movement:
        rhythm = count_by_rhythm(acceleration, turning, book)
        return {"aid": AID, "rhythm": rhythm}, rhythm_report(rhythm, AID)
    found = heel_raises_in(acceleration, turning, book)
    return {"aid": AID, "heel_raises": found}, raises_report(found, AID)
