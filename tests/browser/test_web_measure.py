"""Measuring in the system's browser: marks dragged to the truth, by hand and by keys alone.

Photographs are drawn (``tests/measure/scenes.py``). Standards: WCAG 2.2 (std §3.1): 1.4.3, 1.4.10,
2.1.1, 2.4.7, 2.5.7, 4.1.3; axe-core's rules.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe is not installed")
pytest.importorskip("cv2", reason="the extra 'measure' is not installed")
from playwright.sync_api import Page, expect

from rungwise.web.exam_text import values_of
from tests.browser.chromium import CHROMIUM
from tests.browser.test_web_frame import NEEDED, begin, clean, fill
from tests.browser.test_web_frame import address as address
from tests.browser.test_web_frame import page as page
from tests.measure.scenes import Scene, draw_scene
from tests.web.kit import EXAMS
from tests.web.test_measure import shot, stance

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
WALKER = values_of(EXAMS["hill-walker-grade-2"])


def clicked() -> tuple[int, Scene]:
    """A photograph without coloured dots: every mark is placed by hand."""
    seed = next(n for n in range(60) if not (s := draw_scene(n)).dots and len(s.marks) > 3)
    return seed, shot(seed)[0]


def with_person(page: Page, address: str) -> str:
    """Switch the aids on and add a person; returns the address of the person."""
    begin(page, address)
    page.goto(f"{address}/settings")
    page.locator("#aids").select_option("on")
    page.locator('form[action="/settings/desk"] button').click()
    page.goto(f"{address}/people/new")
    page.locator('[name="label"]').fill("N-102")
    page.locator("main button.main").click()
    return page.url.removesuffix("/exam")


def photographed(page: Page, url: str, seed: int, folder: Path) -> Scene:
    scene, data = shot(seed)
    file = folder / "toe.jpg"
    file.write_bytes(data)
    page.goto(f"{url}/measure")
    page.locator("#f-photos").set_input_files(file)
    page.locator(f'[type="radio"][value="{scene.side}"]').check()
    page.get_by_role("button", name="Look at them").click()
    expect(page.locator("#stage")).to_be_visible()
    return scene


def on_screen(page: Page, scene: Scene, x: float, y: float) -> tuple[float, float]:
    """Where a place of the photograph stands on the screen."""
    box = page.locator("#stage").bounding_box()
    assert box
    return box["x"] + x * box["width"] / scene.size[0], box["y"] + y * box["height"] / scene.size[1]


def drag(page: Page, scene: Scene, name: str, to: tuple[float, float]) -> None:
    handle = page.locator(f'[data-name="{name}"]')
    handle.scroll_into_view_if_needed()
    box = handle.locator(".hit").bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(*on_screen(page, scene, *to), steps=6)
    expect(page.locator("#lens")).to_be_visible()
    page.mouse.up()


def read(page: Page) -> tuple[float, float, float]:
    told = page.locator("#beside .advised").first.inner_text()
    found = re.fullmatch(r"(-?[\d.]+)° \((-?[\d.]+)° to (-?[\d.]+)°\)", told)
    assert found, told
    return float(found[1]), float(found[2]), float(found[3])


def test_marks_are_dragged_to_the_truth_and_the_reading_goes_into_the_form(
    page: Page, address: str, tmp_path: Path
) -> None:
    url = with_person(page, address)
    page.goto(f"{url}/exam")
    fill(page, WALKER, NEEDED)
    page.get_by_role("button", name="Measure", exact=True).click()
    seed, scene = clicked()
    photographed(page, url, seed, tmp_path)
    expect(page.locator("#beside")).to_contain_text("coloured dots were found")
    for name, at in scene.marks_px().items():
        drag(page, scene, name, (float(at[0]), float(at[1])))
    expect(page.locator("#beside .advised").first).to_be_visible()
    page.wait_for_timeout(600)
    bend, low, high = read(page)
    assert low <= scene.bend_deg <= high
    assert abs(bend - scene.bend_deg) < 2
    clean(page, "a photograph with its marks")
    place = f"{scene.side}.mtp_dorsiflexion_deg.2"
    page.locator('[name="method"]').select_option("nonweightbearing_passive")
    page.locator('[name="aid"]').check()
    page.get_by_role("button", name="Use this reading").click()
    expect(page.locator("main [role=status]").first).to_contain_text("Nothing is saved yet")
    field = page.locator(f'[name="{place}.v1"]')
    expect(field).to_have_value(f"{round(bend)}")
    expect(field).to_be_focused()
    expect(page.locator('[name="therapist"]')).to_have_value(WALKER["therapist"][0])
    clean(page, "the examination with a reading")
    page.locator("form#exam button.main").click()
    page.wait_for_url(f"{url}/programme")


def test_marks_move_by_keys_alone_and_come_off(page: Page, address: str, tmp_path: Path) -> None:
    url = with_person(page, address)
    scene = photographed(page, url, 1, tmp_path)
    before = read(page)[0]
    assert abs(before - scene.bend_deg) < 2
    joint = page.locator('[data-name="joint"]')
    joint.focus()
    expect(page.locator("#lens")).to_be_visible()
    x = page.locator('[name="joint.x"]')
    start = float(x.input_value())
    for key, moved in (("ArrowRight", 1), ("Shift+ArrowRight", 11), ("ArrowLeft", 10)):
        page.keyboard.press(key)
        assert abs(float(x.input_value()) - start - moved) < 0.06
    expect(page.locator('#beside [role="status"]')).not_to_contain_text(f"{before:.1f}°")
    assert "x " in (joint.get_attribute("aria-label") or "")
    page.keyboard.press("Delete")
    expect(page.locator("#beside")).to_contain_text("Marks missing or unknown: joint")
    expect(joint).to_have_attribute("aria-label", re.compile("not placed yet"))
    x.fill(f"{start:.1f}")
    page.locator('[name="joint.y"]').fill(f"{scene.marks_px()['joint'][1]:.1f}")
    expect(page.locator("#beside .advised").first).to_be_visible()


def test_the_pages_of_measuring_are_clean(page: Page, address: str, tmp_path: Path) -> None:
    url = with_person(page, address)
    page.goto(f"{url}/measure")
    clean(page, "nothing measured")
    photographed(page, url, 1, tmp_path)
    clean(page, "a photograph")
    page.goto(f"{url}/measure")
    clean(page, "photographs")
    file = tmp_path / "stance.csv"
    file.write_bytes(stance())
    page.locator("#f-file").set_input_files(file)
    page.locator("#f-kind").select_option("pressure")
    page.get_by_role("button", name="Read it").click()
    clean(page, "columns")
    for role, column in (("time", "0"), ("ap", "1"), ("ml", "2")):
        page.locator(f"#f-{role}").select_option(column)
    page.locator("#f-ml_unit").select_option("cm")
    page.get_by_role("button", name="Read it").click()
    expect(page.locator("main section h2").first).to_contain_text("Stance")
    clean(page, "a report")
