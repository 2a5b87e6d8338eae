"""QR codes drawn by the phone page, against segno's matrices and zxing-cpp's reading of the screen.

Standard: ISO/IEC 18004:2015, 7.4 to 7.10. What is expected comes from segno, which is not ours;
zxing-cpp reads the pixels with no knowledge of either writer.
"""

from __future__ import annotations

import io
import random
import string
import sys
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import pytest

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
segno = pytest.importorskip("segno", reason="segno is not installed")
from playwright.sync_api import Browser, Page, sync_playwright  # noqa: E402
from segno import consts, encoder  # noqa: E402

from rungwise.plan_code import HomePlan, write_log_code, write_plan_code  # noqa: E402
from tests.browser.chromium import CHROMIUM  # noqa: E402
from tests.edges.test_plan_code import random_log, random_plan  # noqa: E402

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
LETTERS = string.ascii_letters + string.digits + "-_"
#: Most letters at level M up to version 20 and at level L in version 40 (ISO/IEC 18004, table 7).
MOST_AT_M, MOST_AT_L = 666, 2953
#: A square of 320 css px with two screen px each; a full version 40 has 3.4 px a module there.
WIDTH, SCALE = 320, 2
LENGTHS = [
    *map(int, "1 2 14 15 26 27 42 62 63 84 106 122 152 180 181 213 251 287 331 362 412".split()),
    *map(int, "450 504 560 624 666 667 858 859 1000 1200 1367 1368 1600 1900 2132 2300".split()),
    MOST_AT_L,
]
#: Texts whose mask hangs on the share of dark modules (7.8.3.1, N4); any other is near one half.
UNEVEN = ("Z" * 5, "L" * 10, "p" * 12, "P" * 27, "B" * 40)


def texts() -> list[str]:
    """Invented letters of each length, and codes as the page makes them."""
    rnd = random.Random(18004)
    found = ["".join(rnd.choices(LETTERS, k=n)) for n in LENGTHS] + [*UNEVEN]
    for sessions in (1, 4, 12, 30):
        plan: HomePlan = random_plan(rnd)
        found += [write_log_code(random_log(rnd, plan, sessions), plan), write_plan_code(plan)]
    return found


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    script = (files("rungwise.phone") / "qr.js").read_text("utf-8")
    with sync_playwright() as player:
        browser: Browser = player.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        context = browser.new_context(
            viewport={"width": WIDTH, "height": 480}, device_scale_factor=SCALE
        )
        opened = context.new_page()
        opened.set_content("<!doctype html><style>body{margin:0;background:#444}</style>")
        opened.add_script_tag(content=script)
        yield opened
        browser.close()


def rows_of(page: Page, text: str) -> list[str]:
    """The matrix as text, 1 for dark."""
    found: list[str] = page.evaluate(
        "text => qr.matrix(text).map(row => row.map(Number).join(''))", text
    )
    return found


def told(rows: list[str]) -> tuple[int, str, int]:
    """Version, level and mask, read off the size and the format bits (ISO/IEC 18004, 7.9)."""
    head = int(rows[8][:5], 2) ^ 0b10101
    return (len(rows) - 17) // 4, "MLHQ"[head >> 3], head & 7


def by_the_standard(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let segno follow 7.4.10: padding bits only when the bits end within a codeword.

    segno 1.6.6 puts eight more zero bits behind a stream that ends on a codeword, so that pad
    codewords come one later. Readers stop at the terminator and do not see it; the modules, and
    with them the mask, are others.
    """
    real: Any = encoder.write_padding_bits

    def padded(buff: Any, version: Any, length: int) -> None:
        if length % 8:
            real(buff, version, length)

    monkeypatch.setattr(encoder, "write_padding_bits", padded)


def segno_rows(text: str, version: int, level: str, mask: int | None) -> tuple[list[str], int]:
    made = segno.make(
        text, error=level, version=version, mask=mask, mode="byte", boost_error=False, micro=False
    )
    return ["".join(map(str, row)) for row in made.matrix], made.mask


@pytest.mark.parametrize("text", texts(), ids=lambda text: f"{text[:4]}-{len(text)}")
def test_each_module_and_the_mask_are_segnos(
    page: Page, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    rows = rows_of(page, text)
    version, level, mask = told(rows)
    by_the_standard(monkeypatch)
    assert segno_rows(text, version, level, mask)[0] == rows
    assert segno_rows(text, version, level, None) == (rows, mask)


@pytest.mark.parametrize("level", ["L", "M"])
def test_full_symbols_are_those_of_segno_as_it_comes(page: Page, level: str) -> None:
    """With no room to pad, nothing in segno needs mending: each version that the page may choose.

    Level L is chosen above version 20 only.
    """
    rnd = random.Random(7)
    for version in range(1, 21) if level == "M" else range(21, 41):
        capacity: Any = consts.SYMBOL_CAPACITY[version]
        bits = capacity[getattr(consts, "ERROR_LEVEL_" + level)]
        text = "".join(rnd.choices(LETTERS, k=bits // 8 - (2 if version < 10 else 3)))
        rows = rows_of(page, text)
        assert told(rows)[:2] == (version, level)
        assert segno_rows(text, version, level, None) == (rows, told(rows)[2])


def test_the_smallest_version_at_the_level_of_the_rule(page: Page) -> None:
    for text in texts():
        version, level, _ = told(rows_of(page, text))
        assert level == ("M" if len(text) <= MOST_AT_M else "L")
        least = segno.make(text, error=level, mode="byte", boost_error=False, micro=False)
        assert version == least.version


def test_what_does_not_fit_gives_nothing(page: Page) -> None:
    for text in ("a" * (MOST_AT_L + 1), "5 €"):
        assert page.evaluate("text => qr.matrix(text)", text) is None
        assert page.evaluate("text => qr.svg(text)", text) is None


def read_off_screen(page: Page, text: str) -> list[str]:
    zxing = pytest.importorskip("zxingcpp", reason="zxing-cpp is not installed")
    image = pytest.importorskip("PIL.Image", reason="Pillow is not installed")
    page.evaluate(
        """([text, width]) => {
          const drawn = qr.svg(text);
          drawn.setAttribute('width', width);
          document.body.replaceChildren(drawn);
        }""",
        [text, WIDTH],
    )
    shot = page.locator("svg").screenshot()
    picture = image.open(io.BytesIO(shot))
    assert picture.size == (WIDTH * SCALE, WIDTH * SCALE)
    return [one.text for one in zxing.read_barcodes(picture)]


def test_an_outside_reader_reads_it_off_a_small_phone(page: Page) -> None:
    assert {len(text): read_off_screen(page, text) == [text] for text in texts()} == {
        len(text): True for text in texts()
    }


def test_black_on_white_with_a_quiet_zone_in_dark_and_forced_colours(page: Page) -> None:
    """The quiet zone is four modules on each side (ISO/IEC 18004, 6.3.8)."""
    try:
        for colours in ("none", "active"):
            page.emulate_media(color_scheme="dark", forced_colors=colours)
            assert read_off_screen(page, "RW1Lquiet") == ["RW1Lquiet"]
        box = page.evaluate(
            """() => {
              const drawn = document.querySelector('svg'), {x, y, width, height} =
                drawn.firstChild.getBBox();
              return [drawn.getAttribute('viewBox'), x, y, width, height, drawn.childNodes.length];
            }"""
        )
        assert box == ["0 0 29 29", 4, 4, 21, 21, 1]
    finally:
        page.emulate_media(color_scheme="light", forced_colors="none")


def test_letters_of_latin_1_are_read_back(page: Page) -> None:
    assert read_off_screen(page, "señal ¿bien?") == ["señal ¿bien?"]


def test_time_for_a_thousand_letters_is_told(
    page: Page, capsys: pytest.CaptureFixture[str]
) -> None:
    """Told, not judged: the machine is shared. What is judged is that the drawing is the same."""
    text = ("RW1L" + LETTERS * 16)[:1000]
    first, last, times = page.evaluate(
        """text => {
          const times = [], drawn = [];
          for (let i = 0; i < 9; i++) {
            const start = performance.now();
            drawn.push(qr.svg(text).outerHTML);
            times.push(performance.now() - start);
          }
          return [drawn[0], drawn.at(-1), times];
        }""",
        text,
    )
    assert first == last
    with capsys.disabled():
        told_as = f"first {times[0]:.0f} ms, median {sorted(times)[4]:.0f} ms"
        sys.stdout.write(f"\nqr.svg of 1000 letters: {told_as}\n")
