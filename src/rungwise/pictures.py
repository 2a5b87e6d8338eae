"""Pictures from outside: the one safe way from bytes to pixels, and to the QR codes in them.

JPEG, PNG and WebP only, by their first bytes, whatever their name says. Size and completeness are
read off the header by rules of our own before any decoder runs. The decoders then run in a process
of its own, which may neither write a file nor take more than its share of memory and time: a file
that makes one of them fail takes nothing else with it. Pixels come back upright, and one number of
the camera, its focal length; every word that came with them (place, day, maker, thumbnail) stays
behind. Nothing is written to a disk.

Sources
-------
PNG, third edition (W3C, 2025), 5.6 and 11.2; RFC 9649 (WebP), 2; ITU-T T.81 (JPEG), annex B;
CIPA DC-008 (Exif), orientation; ISO/IEC 18004 (QR); limits of size: std_17, 5.2.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import asdict, dataclass
from io import BytesIO
from pathlib import Path
from threading import BoundedSemaphore
from typing import TYPE_CHECKING, Any, BinaryIO

from rungwise.core.errors import Fault, InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "BYTES_MAX",
    "PIXELS_MAX",
    "Facts",
    "Picture",
    "codes_in",
    "decode",
    "facts_told",
    "is_picture",
    "read_picture",
]

BYTES_MAX, PIXELS_MAX, SIDE_MAX = 20_000_000, 40_000_000, 30_000
#: Longest time and most memory of the process that decodes, and how many run at once.
TIME_S, MEMORY_BYTES, AT_ONCE = 20, 2**30, 2
JPEG, PNG = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"
#: Start of each frame of a JPEG that says its size; the others are tables or reserved.
FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
ALONE = {0x01, *range(0xD0, 0xD8)}
#: Scans of a JPEG beyond which no camera goes: each is a pass over the whole picture.
SCANS_MAX = 200
MIRRORED, TURNED, ORIENTATION = {2, 4, 5, 7}, {3, 5, 6, 7, 8}, 0x0112
#: Where a camera notes its focal length for 35 mm film, and what is believed of it [mm].
CAMERA, FILM, FILM_MM = 0x8769, 0xA405, (5, 1000)
_turns = BoundedSemaphore(AT_ONCE)


@dataclass(frozen=True)
class Facts:
    """What is kept of a picture beside its pixels.

    Parameters
    ----------
    kind : str
        ``JPEG``, ``PNG`` or ``WEBP``.
    width_px, height_px : int
        Size, upright [px].
    turned : bool
        Whether it lay on a side or upside down and was turned upright.
    mirrored : bool
        Whether it was stored as in a mirror and was turned round.
    focal_35mm_mm : float or None
        Focal length that would give the same picture on 35 mm film [mm], where a camera noted one.
    """

    kind: str
    width_px: int
    height_px: int
    turned: bool = False
    mirrored: bool = False
    focal_35mm_mm: float | None = None


@dataclass(frozen=True)
class Picture:
    """An upright picture.

    Parameters
    ----------
    pixels : (height, width, 3) array of uint8
        Red, green, blue, 0 to 255 [1]; what was clear is white.
    facts : Facts
        What is known of it.
    """

    pixels: NDArray[np.uint8]
    facts: Facts


def is_picture(data: bytes) -> bool:
    """Whether a file starts as a picture of a kind that is read here."""
    return data.startswith((JPEG, PNG)) or (data[:4], data[8:12]) == (b"RIFF", b"WEBP")


def facts_told(data: bytes) -> Facts:
    """Kind and size of a picture as its header tells them, before anything is decoded.

    Parameters
    ----------
    data : bytes
        The file.

    Raises
    ------
    InputError
        Another kind of file; too many bytes or pixels; cut off; a moving picture.
    """
    if not is_picture(data):
        raise _refused("another kind of file", "JPEG, PNG or WebP", "Choose a picture.")
    if len(data) > BYTES_MAX:
        given, allowed = f"{len(data) / 1e6:.0f} MB", f"at most {BYTES_MAX / 1e6:.0f} MB"
        raise _refused(given, allowed, "Make it smaller.")
    reader = _jpeg if data.startswith(JPEG) else _png if data.startswith(PNG) else _webp
    try:
        facts = reader(data)
    except (IndexError, ValueError):
        raise _broken() from None
    wide, high = facts.width_px, facts.height_px
    if wide * high > PIXELS_MAX or max(wide, high) > SIDE_MAX:
        given = f"{wide} × {high} pixels"
        allowed = f"at most {PIXELS_MAX / 1e6:.0f} million, and {SIDE_MAX} on a side"
        raise _refused(given, allowed, "Make it smaller.")
    if not wide or not high:
        raise _broken()
    return facts


def read_picture(data: bytes) -> Picture:
    """Pixels of a picture, decoded in a process of its own.

    Parameters
    ----------
    data : bytes
        The file.

    Raises
    ------
    InputError
        It is refused, damaged, or takes too much memory or time.
    """
    import numpy as np

    told, answer, start = _asked("pixels", data)
    facts = Facts(**told)
    pixels = np.frombuffer(answer, np.uint8, offset=start)
    return Picture(pixels.reshape(facts.height_px, facts.width_px, 3), facts)


def codes_in(data: bytes) -> tuple[str, ...]:
    """Texts of the QR codes in a picture, each once, read in a process of its own.

    Parameters
    ----------
    data : bytes
        The file.

    Raises
    ------
    InputError
        It is refused, damaged, or takes too much memory or time.
    """
    told = _asked("codes", data)[0]
    return tuple(dict.fromkeys(map(str, told["codes"])))


def decode(data: bytes) -> Picture:
    """Pixels of a picture, decoded in this very process; else use :func:`read_picture`.

    Parameters
    ----------
    data : bytes
        The file.

    Raises
    ------
    InputError
        It is refused or damaged.
    """
    import warnings

    import numpy as np
    from PIL import Image

    told = facts_told(data)
    Image.MAX_IMAGE_PIXELS = PIXELS_MAX
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # remarks about tags that are thrown away anyway
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(BytesIO(data), formats=(told.kind,)) as found:
                if found.size != (told.width_px, told.height_px):
                    raise _broken()
                found.load()
                way = found.getexif().get(ORIENTATION, 1)
                focal = _focal_35mm_mm(found)
                pixels = np.asarray(_in_colour(found))
    except InputError:
        raise
    except MemoryError:
        raise _too_much() from None
    except Exception:  # noqa: BLE001 - whatever a decoder says of a file, the file is broken
        raise _broken() from None
    way = way if way in range(1, 9) else 1
    pixels = np.ascontiguousarray(_upright(pixels, way))
    high, wide = pixels.shape[:2]
    return Picture(pixels, Facts(told.kind, wide, high, way in TURNED, way in MIRRORED, focal))


# ------------------------------------------------------------------ headers


def _jpeg(data: bytes) -> Facts:
    if data.count(b"\xff\xda") > SCANS_MAX:
        raise ValueError("scans")
    at = 2
    while True:
        if data[at] != 0xFF:
            raise ValueError("marker")
        while data[at] == 0xFF:
            at += 1
        marker = data[at]
        at += 1
        if marker in FRAMES:
            high, wide = _big(data, at + 3, 2), _big(data, at + 5, 2)
            return Facts("JPEG", wide, high)
        if marker in (0xD9, 0xDA):
            raise ValueError("no frame")
        if marker not in ALONE:
            at += max(_big(data, at, 2), 2)


def _png(data: bytes) -> Facts:
    if data[12:16] != b"IHDR":
        raise ValueError("header")
    at = len(PNG)
    while True:
        kind, end = data[at + 4 : at + 8], at + 12 + _big(data, at, 4)
        if end > len(data):
            raise ValueError("cut off")
        if kind == b"acTL":
            raise _moving()
        if kind == b"IEND":
            return Facts("PNG", _big(data, 16, 4), _big(data, 20, 4))
        at = end


def _webp(data: bytes) -> Facts:
    if _little(data, 4, 4) + 8 > len(data):
        raise ValueError("cut off")
    kind = data[12:16]
    if kind == b"VP8X":
        if data[20] & 2:
            raise _moving()
        return Facts("WEBP", _little(data, 24, 3) + 1, _little(data, 27, 3) + 1)
    if kind == b"VP8L" and data[20] == 0x2F:
        bits = _little(data, 21, 4)
        return Facts("WEBP", (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1)
    if kind == b"VP8 " and data[23:26] == b"\x9d\x01\x2a":
        return Facts("WEBP", _little(data, 26, 2) & 0x3FFF, _little(data, 28, 2) & 0x3FFF)
    raise ValueError("header")


def _big(data: bytes, at: int, length: int) -> int:
    return int.from_bytes(_part(data, at, length), "big")


def _little(data: bytes, at: int, length: int) -> int:
    return int.from_bytes(_part(data, at, length), "little")


def _part(data: bytes, at: int, length: int) -> bytes:
    if at + length > len(data):
        raise ValueError("cut off")
    return data[at : at + length]


def _refused(given: str, allowed: str, remedy: str) -> InputError:
    return InputError("picture", (Fault("file", given, allowed, remedy),))


def _broken() -> InputError:
    return _refused("a damaged picture", "a whole one", "Take or save it anew.")


def _too_much() -> InputError:
    return _refused("more work than a picture may make", "a plain one", "Make it smaller.")


def _moving() -> InputError:
    return _refused("a moving picture", "a still one", "Choose another.")


# ------------------------------------------------------------------ pixels


def _in_colour(found: Any) -> Any:
    """The same picture in red, green and blue, on white where it was clear."""
    from PIL import Image

    if found.mode.startswith("I"):  # 16 bits each
        found = found.point(lambda value: value / 257).convert("L")
    if "transparency" in found.info or found.mode in ("LA", "PA", "RGBA", "La", "RGBa"):
        clear = found.convert("RGBA")
        found = Image.new("RGBA", clear.size, "white")
        found.alpha_composite(clear)
    return found if found.mode == "RGB" else found.convert("RGB")


def _focal_35mm_mm(found: Any) -> float | None:
    """The focal length that a camera noted, for 35 mm film [mm]; None where it cannot be read."""
    try:
        film = found.getexif().get_ifd(CAMERA).get(FILM)
    except Exception:  # noqa: BLE001 - a camera's notes may be anything, and the picture still whole
        return None
    return float(film) if isinstance(film, int) and FILM_MM[0] <= film <= FILM_MM[1] else None


def _upright(pixels: NDArray[np.uint8], way: int) -> NDArray[np.uint8]:
    """Turn a picture as its orientation says, 1 to 8 (Exif)."""
    if way >= 5:
        pixels = pixels.transpose(1, 0, 2)
    if way in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if way in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return pixels


def _codes(picture: Picture) -> list[str]:
    import zxingcpp
    from PIL import Image

    grey = Image.fromarray(picture.pixels).convert("L")
    found = zxingcpp.read_barcodes(grey, formats=zxingcpp.barcode_formats_from_str("QRCode"))
    return [code.text for code in found]


# ------------------------------------------------------------------ the process of its own


def _asked(what: str, data: bytes) -> tuple[dict[str, Any], bytes, int]:
    """What that process says, its whole answer, and where the pixels start in it."""
    facts_told(data)  # most of what is refused never gets as far as a decoder
    kept = ("SYSTEMROOT", "PATH", "LD_LIBRARY_PATH")
    room = {name: os.environ[name] for name in kept if name in os.environ}
    room |= {"PYTHONPATH": str(Path(__file__).parents[1]), "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-P", "-B", "-m", "rungwise.pictures", what]
    with _turns:
        try:
            done = subprocess.run(
                command, input=data, capture_output=True, timeout=TIME_S, env=room, check=False
            )
        except subprocess.TimeoutExpired:
            raise _too_much() from None
    start = done.stdout.find(b"\n") + 1
    if done.returncode or not start:
        raise _too_much()
    told: dict[str, Any] = json.loads(done.stdout[:start])
    if "fault" in told:
        raise InputError("picture", (Fault(*told["fault"]),))
    return told, done.stdout, start


def _bounded() -> None:
    """Forbid this process to write a file, to dump its memory, and to take more than its share."""
    try:
        import resource
    except ImportError:  # Windows: the time is bounded from outside
        return
    for what, most in (
        (resource.RLIMIT_AS, MEMORY_BYTES),
        (resource.RLIMIT_CPU, TIME_S),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
    ):
        resource.setrlimit(what, (most, most))


def main(what: str, come: BinaryIO, go: BinaryIO) -> None:
    """Answer one question about one picture: facts and pixels, or the texts of its codes.

    Parameters
    ----------
    what : str
        ``pixels`` or ``codes``.
    come, go : binary files
        The picture, and the answer: a line of JSON, then the pixels.
    """
    try:
        picture = decode(come.read(BYTES_MAX + 1))
    except InputError as error:
        fault = error.faults[0]
        said = {"fault": [fault.field, fault.given, fault.allowed, fault.remedy]}
        go.write(json.dumps(said).encode() + b"\n")
        return
    told = asdict(picture.facts) if what == "pixels" else {"codes": _codes(picture)}
    go.write(json.dumps(told).encode() + b"\n")
    if what == "pixels":
        go.write(picture.pixels.data)


if __name__ == "__main__":
    _bounded()
    main(sys.argv[1], sys.stdin.buffer, sys.stdout.buffer)
