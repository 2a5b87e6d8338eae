"""Pictures from outside: what is taken, what is refused, and that no file does harm.

Standards: PNG, third edition (W3C), 5.6 and 11.2; RFC 9649 (WebP); ITU-T T.81, annex B; CIPA DC-008
(Exif). The second way of turning a picture upright is Pillow's own; segno, which is not ours, draws
the codes that are read back.
"""

from __future__ import annotations

import io
import os
import pickle
import random
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import segno
from PIL import Image, ImageFilter, ImageOps

from rungwise import pictures
from rungwise.core.errors import InputError
from rungwise.pictures import codes_in, decode, is_picture, read_picture

SEED, FILES = 20261125, 1_000
CODE = "RW2" + "abcdefghij_KLMNOPQ-" * 20
SRC = str(Path(pictures.__file__).parents[1])


def drawn(width: int = 64, height: int = 40) -> Image.Image:
    """A picture in which no two corners are alike."""
    y, x = np.mgrid[:height, :width]
    parts = 255 * x // width, 255 * y // height, 128 + 0 * x
    return Image.fromarray(np.stack(parts, -1).astype(np.uint8))


def saved(picture: Image.Image, kind: str, **how: Any) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **how)
    return out.getvalue()


def corpus() -> dict[str, bytes]:
    """One small file of each sort that cameras and screens make."""
    plain = drawn()
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x9286] = 6, "Canary cameras", "Canary was here"
    exif.get_ifd(0x8825)[2] = (46.0, 30.0, 0.0)
    clear = plain.convert("RGBA")
    clear.putalpha(Image.linear_gradient("L").resize(plain.size))
    deep = Image.fromarray(np.arange(64 * 40, dtype=np.uint16).reshape(40, 64) * 25)
    return {
        "jpeg": saved(plain, "JPEG"),
        "jpeg-progressive": saved(plain, "JPEG", progressive=True, exif=exif),
        "jpeg-grey": saved(plain.convert("L"), "JPEG"),
        "jpeg-cmyk": saved(plain.convert("CMYK"), "JPEG"),
        "png": saved(plain, "PNG"),
        "png-palette": saved(plain.quantize(16), "PNG", transparency=3),
        "png-clear": saved(clear, "PNG"),
        "png-one-bit": saved(plain.convert("1"), "PNG"),
        "png-deep": saved(deep, "PNG"),
        "png-exif": saved(plain, "PNG", exif=exif),
        "webp": saved(plain, "WEBP"),
        "webp-lossless": saved(plain, "WEBP", lossless=True),
        "webp-clear": saved(clear, "WEBP", exif=exif),
    }


CORPUS = corpus()


def refused(data: bytes, read: Any = decode) -> str:
    """Why a file is refused."""
    with pytest.raises(InputError) as found:
        read(data)
    assert found.value.what == "picture"
    (fault,) = found.value.faults
    return fault.given


# ------------------------------------------------------------------ what is taken


@pytest.mark.parametrize("name", CORPUS)
def test_each_sort_of_picture_becomes_upright_red_green_blue(name: str) -> None:
    picture = decode(CORPUS[name])
    high, wide = (64, 40) if picture.facts.turned else (40, 64)
    assert picture.pixels.shape == (high, wide, 3)
    assert picture.pixels.dtype == np.uint8
    assert (picture.facts.width_px, picture.facts.height_px) == (wide, high)
    assert picture.facts.kind == name.split("-")[0].upper()
    assert picture.facts.turned == (name in ("jpeg-progressive", "png-exif", "webp-clear"))
    assert not picture.facts.mirrored


def test_pixels_are_those_that_were_drawn() -> None:
    assert np.array_equal(decode(CORPUS["png"]).pixels, np.asarray(drawn()))
    near = decode(CORPUS["jpeg"]).pixels.astype(int) - np.asarray(drawn())
    assert np.abs(near).mean() < 5
    deep = decode(CORPUS["png-deep"]).pixels[..., 0].ravel().astype(int)
    assert np.abs(deep - np.arange(64 * 40) * 25 / 257).max() <= 1
    clear = decode(CORPUS["png-clear"]).pixels
    assert clear[0, 0].min() > 250  # clear: white


@pytest.mark.parametrize("way", range(10))
def test_orientation_is_applied_as_by_a_second_way(way: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = way
    picture = drawn()
    found = decode(saved(picture, "PNG", exif=exif))
    picture.getexif()[0x0112] = way
    wanted = picture if way in (0, 9) else ImageOps.exif_transpose(picture)
    assert np.array_equal(found.pixels, np.asarray(wanted))
    assert found.facts.turned == (way in (3, 5, 6, 7, 8))
    assert found.facts.mirrored == (way in (2, 4, 5, 7))


def test_the_process_of_its_own_finds_the_same_and_no_word_comes_along() -> None:
    for name in ("jpeg-progressive", "png-clear", "webp"):
        here, there = decode(CORPUS[name]), read_picture(CORPUS[name])
        assert here.facts == there.facts
        assert np.array_equal(here.pixels, there.pixels)
        assert "Canary" not in repr(there.facts)


# ------------------------------------------------------------------ codes


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("tilt", [0, 7, 90, 200])
def test_a_code_is_read_from_a_screenshot_and_a_photograph(kind: str, tilt: float) -> None:
    out = io.BytesIO()
    segno.make_qr(CODE, error="l").save(out, kind="png", scale=5, border=4)
    sheet = Image.open(io.BytesIO(out.getvalue())).convert("RGB")
    table = Image.new("RGB", (1200, 1000), (120, 100, 80))
    table.paste(sheet, ((1200 - sheet.width) // 2, (1000 - sheet.height) // 2))
    photo = table.rotate(tilt, Image.Resampling.BICUBIC).filter(ImageFilter.GaussianBlur(0.8))
    noise = np.random.default_rng(SEED).normal(0, 6, (1000, 1200, 3))
    taken = Image.fromarray((np.asarray(photo) * 0.8 + 20 + noise).clip(0, 255).astype(np.uint8))
    assert codes_in(saved(taken, kind)) == (CODE,)
    assert codes_in(saved(ImageOps.mirror(taken), kind)) == (CODE,)


def test_a_picture_without_a_code_has_none() -> None:
    assert codes_in(CORPUS["jpeg"]) == ()


# ------------------------------------------------------------------ what is refused


@pytest.mark.parametrize(
    "data",
    [b"", b"GIF89a" + bytes(50), b"BM" + bytes(60), b"<svg xmlns='x'/>", b"%PDF-1.7", b"II*\0"],
)
def test_another_kind_of_file_is_refused_whatever_its_name(data: bytes) -> None:
    assert not is_picture(data)
    assert refused(data) == refused(data, read_picture) == "another kind of file"


def test_a_file_of_two_kinds_is_what_its_first_bytes_say() -> None:
    page = b"<script>alert(1)</script>"
    both = CORPUS["png"] + b"PK\x03\x04" + page
    assert np.array_equal(decode(both).pixels, decode(CORPUS["png"]).pixels)
    assert refused(b"\xff\xd8\xff" + page) == "a damaged picture"


def png_of(width: int, height: int) -> bytes:
    """A PNG that says a size, and packs black lines for a part of it."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        whole = kind + data
        return struct.pack(">I", len(data)) + whole + struct.pack(">I", zlib.crc32(whole))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(min(width * height * 3, 3_000_000)), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def test_a_bomb_is_refused_by_its_header_in_no_time() -> None:
    started = time.perf_counter()
    wide = bytearray(CORPUS["webp-clear"])
    wide[24:30] = b"\xff\x3f\x00\xff\x3f\x00"
    tall = CORPUS["jpeg"].replace(b"\x00\x28\x00\x40\x03", b"\xff\xff\xff\xff\x03")
    for data in (png_of(10_000, 10_000), png_of(31_000, 1), bytes(wide), tall):
        assert refused(data).endswith("pixels")
        assert refused(data, codes_in).endswith("pixels")
    assert time.perf_counter() - started < 1
    assert (
        refused(png_of(8_000, 5_000)) == "a damaged picture"
    )  # within the limit, but not all there
    assert refused(png_of(0, 5)) == "a damaged picture"
    assert refused(CORPUS["png"] + bytes(pictures.BYTES_MAX)) == "20 MB"


def test_a_picture_of_very_many_scans_is_refused() -> None:
    data = CORPUS["jpeg-progressive"]
    scan = data[data.rindex(b"\xff\xda") : -2]
    assert decode(data[:-2] + scan * 100 + data[-2:]).pixels.size
    assert refused(data[:-2] + scan * 200 + data[-2:]) == "a damaged picture"


def test_a_moving_picture_is_refused() -> None:
    frames = [drawn(), ImageOps.invert(drawn())]
    for kind in ("PNG", "WEBP"):
        moving = saved(frames[0], kind, save_all=True, append_images=frames[1:], duration=100)
        assert refused(moving) == "a moving picture"


@pytest.mark.parametrize("name", CORPUS)
def test_a_picture_that_was_cut_off_is_refused(name: str) -> None:
    data = CORPUS[name]
    for part in (12, 30, len(data) // 4, len(data) // 2, len(data) * 3 // 4, len(data) - 6):
        assert refused(data[:part]) in ("a damaged picture", "another kind of file")


def test_what_takes_too_much_is_refused_and_takes_nothing_with_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pictures, "TIME_S", 0.001)
    assert refused(CORPUS["png"], read_picture) == "more work than a picture may make"
    monkeypatch.setattr(pictures, "TIME_S", 20)
    monkeypatch.setattr(sys, "executable", "/bin/false")
    assert refused(CORPUS["png"], codes_in) == "more work than a picture may make"


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are those of Unix")
def test_the_process_that_decodes_can_write_no_file(tmp_path: Path) -> None:
    trial = (
        "import sys; from rungwise import pictures as p; p._bounded()\n"
        "try: open(sys.argv[1], 'wb', 0).write(b'x')\n"
        "except OSError: print('refused')\n"
        "try: bytearray(p.MEMORY_BYTES)\n"
        "except MemoryError: print('too much')\n"
    )
    ask = [sys.executable, "-c", trial, str(tmp_path / "x")]
    room = {**os.environ, "PYTHONPATH": SRC}
    done = subprocess.run(ask, env=room, capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:2] == ["refused", "too much"]


# ------------------------------------------------------------------ a thousand broken files


def broken(rnd: random.Random) -> bytes:
    """A file of the corpus with bytes changed, cut, doubled, put in, or its size rewritten."""
    data = bytearray(rnd.choice(list(CORPUS.values())))
    for _ in range(rnd.choice((1, 1, 2, 5, 30))):
        at = rnd.randrange(min(len(data), rnd.choice((40, 400, len(data)))))
        how = rnd.randrange(6)
        if how == 0:
            data[at] ^= 1 << rnd.randrange(8)
        elif how == 1:
            data[at : at + 4] = rnd.choice((bytes(4), b"\xff" * 4, rnd.randbytes(4)))
        elif how == 2:
            del data[at : at + rnd.randrange(1, 64)]
        elif how == 3:
            data[at:at] = data[: rnd.randrange(1, 200)]
        elif how == 4:
            data[at:at] = rnd.randbytes(rnd.randrange(1, 64))
        else:
            data = data[: rnd.randrange(4, len(data) + 1)]
        if len(data) < 4:
            break
    return bytes(data)


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are those of Unix")
def test_a_thousand_broken_files_do_no_harm() -> None:
    """All of them in one process under the limits of one picture: memory, time, no file written."""
    rnd = random.Random(SEED)
    files = [broken(rnd) for _ in range(FILES)]
    trial = (
        "import pickle, sys\n"
        "from rungwise import pictures as p\n"
        "from rungwise.core.errors import InputError\n"
        "files = pickle.load(sys.stdin.buffer)\n"
        "p._bounded()\n"
        "read = refused = 0\n"
        "for data in files:\n"
        "    try:\n"
        "        picture = p.decode(data)\n"
        "    except InputError: refused += 1\n"
        "    else:\n"
        "        assert picture.pixels.size <= 3 * p.PIXELS_MAX\n"
        "        p._codes(picture)\n"
        "        read += 1\n"
        "print(read, refused)\n"
    )
    room = {**os.environ, "PYTHONPATH": SRC, "OPENBLAS_NUM_THREADS": "1"}
    ask = [sys.executable, "-c", trial]
    done = subprocess.run(
        ask, input=pickle.dumps(files), env=room, capture_output=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr.decode()[-2000:]
    read, turned_away = map(int, done.stdout.split())
    assert read + turned_away == FILES
    assert read > 50
    assert turned_away > 500
