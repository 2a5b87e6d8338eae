"""The measuring aids in the clinic's pages: off, on, what they hold, and what they hand on.

Photographs are drawn by ``tests/measure/scenes.py``, so that the true bend is known.
"""

from __future__ import annotations

import re
import zlib
from functools import cache
from pathlib import Path
from struct import pack
from typing import Any

import pytest

pytest.importorskip("cv2", reason="the extra 'measure' is not installed")
pytest.importorskip("scipy", reason="the extra 'measure' is not installed")
import cv2
import numpy as np

from rungwise.casebook import LOCAL
from rungwise.casebook_office import audit_of, save_desk
from rungwise.core.signals import Recording
from rungwise.web.exam_text import values_of
from rungwise.web.shelf import PHOTOS_MOST
from tests.core.heel_raises import heel_raises
from tests.core.test_sway import trial
from tests.measure.scenes import Scene, draw_scene, render
from tests.web.kit import BASE, EXAMS, Visitor

DESK = {"paper": "a4", "lock_minutes": "15", "hourly": "24", "daily": "14", "weekly": "8"}
PLACE = re.compile(r'name="(\w+)\.([xy])" value="([\d.]*)"')


@cache
def shot(seed: int = 1, kind: str = "told") -> tuple[Scene, bytes]:
    """A drawn photograph with coloured dots, as a camera would store it."""
    scene = draw_scene(seed, kind)
    packed = cv2.imencode(".jpg", render(scene)[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
    return scene, packed.tobytes()


def fitting(seed: int = 1) -> dict[str, list[str]]:
    """An examination in whose foot the drawn one fits: from the heel to the joint it is as long."""
    found = dict(values_of(EXAMS["hill-walker-grade-2"]))
    heel = shot(seed)[0].length("heel", "joint")
    for side in ("right", "left"):
        found[f"{side}.heel_to_mtp_mm"] = [f"{heel:.0f}"]
        found[f"{side}.foot_length_mm"] = [f"{heel / 0.73:.0f}"]
    return found


def examined(inside: Visitor) -> str:
    """Add a person and that examination; returns the address."""
    url = inside.person()
    inside.send(f"{url}/exam", fields={**fitting(), "expected": "0", "once": "exam-1"})
    return url


def switched(inside: Visitor) -> Visitor:
    save_desk(inside.casebook, LOCAL, {**DESK, "factor": "free", "aids": "on"}, 0)
    return inside


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return switched(Visitor(tmp_path).start())


def sent(
    inside: Visitor, url: str, files: list[tuple[str, bytes]], status: int = 303, **fields: Any
) -> str:
    """Send files with a form; returns the address that follows, or the page."""
    found = inside.client.post(
        url,
        data={"token": inside.token(), **fields},
        files=[(name, (f"{i}.bin", data)) for i, (name, data) in enumerate(files)],
        headers={"origin": BASE, "sec-fetch-site": "same-origin"},
    )
    assert found.status_code == status, (found.status_code, found.text[:1500])
    return found.headers["location"] if status == 303 else found.text


def photographed(inside: Visitor, url: str, *seeds: int) -> str:
    """Take drawn photographs of one foot in; returns the address of the first."""
    inside.get(f"{url}/measure")
    scenes = [shot(seed) for seed in seeds or (1,)]
    side = scenes[0][0].side
    files = [("photos", data) for _, data in scenes]
    return sent(inside, f"{url}/measure/photos", files, side=side)


def places(page: str) -> dict[str, str]:
    return {f"{name}.{axis}": value for name, axis, value in PLACE.findall(page)}


def interval(page: str) -> tuple[float, float, float]:
    """Bend and its interval, as the page says it first [deg]."""
    found = re.search(r"<strong>(-?[\d.]+)°</strong> \((-?[\d.]+)° to (-?[\d.]+)°\)", page)
    assert found, page[:3000]
    return float(found[1]), float(found[2]), float(found[3])


# ------------------------------------------------------------------ off by itself


def test_the_aids_are_off_until_they_are_switched_on(tmp_path: Path) -> None:
    inside = Visitor(tmp_path).start()
    url = examined(inside)
    assert "/measure" not in inside.get(url)
    assert "/exam/measure" not in inside.get(f"{url}/exam")
    assert "Measuring aids are off" in inside.get(f"{url}/measure")
    for below in ("measure/photos", "measure/use", "measure/recordings", "measure/capture"):
        inside.get(url)
        inside.send(f"{url}/{below}", 404)
    inside.send(f"{url}/exam/measure", 404)
    page = inside.get("/settings")
    assert re.search(r'<select id="aids" name="aids"><option value="off" selected>', page)
    expected = re.search(
        r'action="/settings/desk".*?name="expected" value="(\d+)"', page, re.DOTALL
    )
    assert expected
    inside.send(
        "/settings/desk", fields={**DESK, "factor": "by_itself", "aids": "on"}, expected=expected[1]
    )
    assert f'href="{url}/measure"' in inside.get(url)
    assert f'formaction="{url}/exam/measure"' in inside.get(f"{url}/exam")
    assert "Check it by goniometer" in inside.get(f"{url}/measure")


def test_the_setting_is_not_offered_without_the_extra(
    inside: Visitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = examined(inside)
    there = "rungwise.casebook_measure.find_spec"
    monkeypatch.setattr(there, lambda name: None if name == "cv2" else object())
    assert '<select id="aids"' not in inside.get("/settings")
    assert "Measuring aids are off" in inside.get(f"{url}/measure")
    assert "/measure" not in inside.get(url)


# ------------------------------------------------------------------ a photograph


def test_the_bend_of_a_drawn_foot_is_read_within_its_interval(inside: Visitor) -> None:
    url = examined(inside)
    page = inside.get(photographed(inside, url))
    bend, low, high = interval(page)
    truth = shot()[0].bend_deg
    assert low <= truth <= high
    assert abs(bend - truth) < 1.5
    assert "metatarsal shaft" in page
    assert "Heel to joint" in page
    assert "Check it by goniometer" in page
    found = places(page)
    assert all(found[f"corner_{n}.x"] for n in (1, 2, 3, 4))
    assert found["tip.x"] == ""
    assert "What is not" not in page


def test_marks_that_are_moved_change_the_reading_and_no_script_is_needed(inside: Visitor) -> None:
    url = examined(inside)
    first = photographed(inside, url)
    page = inside.get(first)
    before, at = interval(page)[0], places(page)
    moved = {**at, "phalanx.y": f"{float(at['phalanx.y']) - 40:.1f}"}
    after = interval(inside.send(first, fields=moved))[0]
    assert abs(after - before) > 5
    assert places(inside.page) == moved
    back = interval(inside.send(first, fields=at))[0]
    assert back == before


def test_a_part_of_the_page_answers_a_script(inside: Visitor) -> None:
    url = examined(inside)
    first = photographed(inside, url)
    at = places(inside.get(first))
    found = inside.client.post(
        first,
        data={"token": inside.token(), **at, "joint.x": "", "joint.y": ""},
        headers={"origin": BASE, "sec-fetch-site": "same-origin", "hx-request": "true"},
    )
    assert found.status_code == 200
    assert "<html" not in found.text
    assert "Marks missing or unknown: joint" in found.text


def test_places_that_cannot_be_are_named_and_nothing_is_read_from_them(inside: Visitor) -> None:
    url = examined(inside)
    first = photographed(inside, url)
    at = places(inside.get(first))
    for x in ("-3", "nan", "1e3", "99999", "<b>"):
        page = inside.send(first, 422, fields={**at, "joint.x": x})
        assert "inside the picture" in page
    headers = {"origin": BASE, "sec-fetch-site": "same-origin"}
    fields = {"token": inside.token(), **at, "joint.x": "<b>"}
    raw = inside.client.post(first, data=fields, headers=headers).text
    assert "&lt;b&gt;, " in raw
    assert "<b>" not in raw


def test_corners_that_are_clicked_stand_for_a_card_that_was_not_found(inside: Visitor) -> None:
    url = examined(inside)
    first = photographed(inside, url)
    scene, at = shot()[0], places(inside.get(first))
    for n, (x, y) in enumerate(scene.corners(), 1):
        at |= {f"corner_{n}.x": f"{x:.1f}", f"corner_{n}.y": f"{y:.1f}"}
    _, low, high = interval(inside.send(first, fields=at))
    assert low <= scene.bend_deg <= high
    at |= {"corner_2.x": "", "corner_2.y": ""}
    assert "No card of bank-card size" in inside.send(first, fields=at)
    same = {f"corner_{n}.{axis}": "500" for n in (1, 2, 3, 4) for axis in "xy"}
    assert "not of bank-card shape" in inside.send(first, fields={**at, **same})


def test_a_foot_of_another_length_than_the_examined_one_is_refused(inside: Visitor) -> None:
    url = inside.examined()
    page = inside.get(photographed(inside, url))
    assert "The foot is not in the card's plane" in page
    assert "°</strong>" not in page


@pytest.mark.parametrize(
    ("kind", "says"),
    [("card_missing", "No card of bank-card size"), ("mirrored", "The picture is mirrored")],
)
def test_a_view_that_cannot_be_used_says_why_and_what_to_do(
    inside: Visitor, kind: str, says: str
) -> None:
    url = examined(inside)
    inside.get(f"{url}/measure")
    seed = next(n for n in range(50) if draw_scene(n, kind).dots)
    scene, data = shot(seed, kind)
    first = sent(inside, f"{url}/measure/photos", [("photos", data)], side=scene.side)
    page = inside.get(first)
    assert says in page
    assert "°</strong>" not in page
    inside.send(f"{url}/measure/use", 422, side=scene.side, method="nonweightbearing_passive")


def test_several_photographs_are_one_reading(inside: Visitor) -> None:
    url = examined(inside)
    first = photographed(inside, url, 1, 1)
    page = inside.get(first)
    assert "Photographs read: 2 of 2" in page
    assert "All photographs" in page
    again = inside.get(f"{url}/measure")
    assert again.count('alt="Photograph') == 2


def test_the_picture_is_for_its_session_and_person_alone(inside: Visitor) -> None:
    url = examined(inside)
    other = inside.person("N-103")
    first = photographed(inside, url)
    found = inside.client.get(f"{first}/picture")
    assert found.headers["content-type"] == "image/jpeg"
    assert "inline" in found.headers["content-disposition"]
    assert found.headers["cache-control"] == "no-store"
    shown = cv2.imdecode(np.frombuffer(found.content, np.uint8), 1)
    assert shown is not None
    assert max(shown.shape) <= 2400
    photo = first.rpartition("/")[2]
    for end in ("", "/picture"):
        assert inside.client.get(f"{other}/measure/{photo}{end}").status_code == 404
        assert inside.client.get(f"{url}/measure/{photo[:-1]}0{end}").status_code == 404
    nobody, again = inside.another(), inside.another()
    assert nobody.get(f"{first}/picture").status_code == 303
    access = inside.app.state.access
    token = access.begin(LOCAL, "")
    again.cookies.set(access.settings.cookie, token, domain="localhost.local", path="/")
    assert again.get(url).status_code == 200
    assert again.get(f"{first}/picture").status_code == 404


def test_a_photograph_goes_with_the_session_with_time_and_when_it_is_taken_away(
    inside: Visitor,
) -> None:
    url = examined(inside)
    first = photographed(inside, url)
    shelf = next(iter(inside.app.state.access._sessions.values())).shelf
    inside.get(first)
    inside.send(f"{first}/drop", follow=False)
    assert inside.client.get(first).status_code == 404
    second = photographed(inside, url)
    inside.get(second)
    for _ in range(4):
        inside.clock.on(minutes=9)
        inside.get(url)
    assert shelf.of(url.rpartition("/")[2], inside.app.state.access.now_s()) == ()
    third = photographed(inside, url)
    inside.get(third)
    inside.send("/lock", follow=False)
    inside.come_back()
    assert inside.client.get(third).status_code == 404


def test_there_are_never_more_photographs_than_may_be(inside: Visitor) -> None:
    url = examined(inside)
    inside.get(f"{url}/measure")
    scene, data = shot()
    many = [("photos", data)] * (PHOTOS_MOST + 2)
    page = sent(inside, f"{url}/measure/photos", many, 422, side=scene.side)
    assert "at most 5 photographs at a time" in page
    assert page.count('alt="Photograph') == PHOTOS_MOST
    assert 'name="photos"' not in page


def bomb(wide: int, high: int) -> bytes:
    """A PNG of very many pixels in few bytes."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return pack(">I", len(body)) + kind + body + pack(">I", zlib.crc32(kind + body))

    head = chunk(b"IHDR", pack(">IIBBBBB", wide, high, 8, 0, 0, 0, 0))
    body = chunk(b"IDAT", zlib.compress(b"\0" * 1000))
    return b"\x89PNG\r\n\x1a\n" + head + body + chunk(b"IEND", b"")


def test_bombs_other_files_and_long_bodies_are_refused(inside: Visitor) -> None:
    url = examined(inside)
    inside.get(f"{url}/measure")
    bad = [bomb(29_000, 29_000), b"GIF89a" + b"\0" * 100, shot()[1][:5000], b"<svg/>"]
    page = sent(inside, f"{url}/measure/photos", [("photos", one) for one in bad], 422, side="left")
    for n in (1, 2, 3, 4):
        assert f"Photograph {n}" in page
    assert "at most 40 million" in page
    assert 'alt="Photograph' not in page
    tiny = cv2.imencode(".png", np.zeros((20, 20, 3), np.uint8))[1].tobytes()
    assert "20 × 20 pixels" in sent(
        inside, f"{url}/measure/photos", [("photos", tiny)], 422, side="left"
    )
    long = [("photos", b"\xff\xd8\xff" + b"\0" * 61_000_000)]
    sent(inside, f"{url}/measure/photos", long, 413, side="left")
    sent(
        inside, f"{url}/measure/recordings", [("file", b"a,b\n" * 6_000_000)], 413, kind="pressure"
    )


def test_the_names_of_photographs_are_never_used(inside: Visitor, tmp_path: Path) -> None:
    url = examined(inside)
    inside.get(f"{url}/measure")
    scene, data = shot()
    token = inside.token()
    for n in range(200):
        name = f'../../{n}"><script>evilname({n})</script>\r\n%00;\u202e.jpg'
        body = data if n % 100 == 0 else b"GIF89a"  # most never reach a decoder
        found = inside.client.post(
            f"{url}/measure/photos",
            data={"token": token, "side": scene.side},
            files=[("photos", (name, body, "text/html"))],
            headers={"origin": BASE, "sec-fetch-site": "same-origin"},
        )
        assert found.status_code in (303, 422)
        assert "evilname" not in found.text + found.headers.get("location", "")
        if found.status_code == 303:
            first = found.headers["location"]
            assert re.fullmatch(rf"{url}/measure/[0-9a-f]{{32}}", first)
            shown = inside.client.get(f"{first}/picture")
            assert shown.headers["content-type"] == "image/jpeg"
            assert "evilname" not in inside.get(first)
            inside.send(f"{first}/drop", follow=False)
    assert not [
        path for path in tmp_path.rglob("*") if "evilname" in path.name or ".jpg" in path.name
    ]


# ------------------------------------------------------------------ into the record


def exam_values(page: str) -> dict[str, str]:
    """What stands in the fields of the bend."""
    base = r"(?:right|left)\.mtp_dorsiflexion_deg\.\d\.\w+"
    found = dict(re.findall(rf'name="({base})"[^>]*? value="([^"]+)"', page))
    for name, options in re.findall(rf'<select id="[^"]*" name="({base})".*?>(.*?)</select>', page):
        chosen = re.search(r'value="(\w+)" selected', options)
        found |= {name: chosen[1]} if chosen else {}
    ticked = re.findall(rf'name="({base})" value="(\w+)" checked', page)
    return {**{k: v for k, v in found.items() if not k.endswith(".aid")}, **dict(ticked)}


def test_one_act_puts_the_reading_into_the_open_form_and_saves_nothing(inside: Visitor) -> None:
    url = examined(inside)
    first = photographed(inside, url)
    bend = interval(inside.get(first))[0]
    side = shot()[0].side
    saved = inside.casebook.person(LOCAL, url.rpartition("/")[2]).exams_written
    inside.send(f"{url}/measure/use", 422, side=side, method="by magic")
    page = inside.send(
        f"{url}/measure/use", side=side, method="nonweightbearing_passive", aid="confirmed"
    )
    assert inside.url == f"{url}/exam"
    assert "Nothing is saved yet" in page
    assert inside.casebook.person(LOCAL, url.rpartition("/")[2]).exams_written == saved
    place = f"{side}.mtp_dorsiflexion_deg.2"
    found = exam_values(page)
    assert found[f"{place}.v1"] == f"{round(bend)}"
    assert found[f"{place}.method"] == "nonweightbearing_passive"
    assert found[f"{place}.instrument"] == "photograph"
    assert found[f"{place}.zero"] == "metatarsal_shaft"
    assert 0 < float(found[f"{place}.sem"]) < 3
    assert found[f"{place}.aid"] == "confirmed"


def test_a_reading_that_nobody_confirmed_is_not_said_to_be(inside: Visitor) -> None:
    url = examined(inside)
    first = photographed(inside, url)
    inside.get(first)
    side = shot()[0].side
    page = inside.send(f"{url}/measure/use", side=side, method="nonweightbearing_passive")
    assert f"{side}.mtp_dorsiflexion_deg.2.aid" not in exam_values(page)


def test_what_was_typed_waits_while_one_measures_and_is_saved_with_the_reading(
    inside: Visitor,
) -> None:
    url = inside.person()
    inside.get(f"{url}/exam")
    fields = {**fitting(), "expected": "0", "once": "form-1"}
    inside.send(f"{url}/exam/measure", fields=fields)
    assert inside.url == f"{url}/measure"
    assert f'href="{url}/exam"' in inside.page
    first = photographed(inside, url)
    inside.get(first)
    side = shot()[0].side
    page = inside.send(
        f"{url}/measure/use", side=side, method="nonweightbearing_passive", aid="confirmed"
    )
    assert 'value="hill walk 6 km"' in page
    place = f"{side}.mtp_dorsiflexion_deg.2"
    more = {k: v for k, v in exam_values(page).items() if k.startswith(place)}
    inside.send(f"{url}/exam", fields={**fields, **more})
    person = inside.casebook.person(LOCAL, url.rpartition("/")[2])
    assert person.exam is not None
    readings = person.exam.readings("mtp_dorsiflexion_deg", side)
    assert readings[-1].instrument == "photograph"
    assert readings[-1].sem == float(more[f"{place}.sem"])
    assert inside.client.get(first).status_code == 404  # saved: the photograph is gone


def test_without_a_reading_the_open_form_comes_back_as_it_was(inside: Visitor) -> None:
    url = inside.person()
    inside.get(f"{url}/exam")
    inside.send(f"{url}/exam/measure", fields={"therapist": "R. Sol", "expected": "0"})
    page = inside.get(f"{url}/exam")
    assert 'value="R. Sol"' in page
    assert "open as you left it" in page
    assert "R. Sol" not in inside.get(f"{url}/exam")


@pytest.mark.on_file
def test_what_was_put_aside_outlives_a_lock(inside: Visitor) -> None:
    url = inside.person()
    inside.get(f"{url}/exam")
    inside.send(f"{url}/exam/measure", fields={"therapist": "R. Sol", "expected": "0"})
    first = photographed(inside, url)
    inside.clock.on(minutes=16)
    assert inside.client.get(first).status_code == 303
    inside.come_back()
    assert inside.url == f"{url}/exam"
    assert 'value="R. Sol"' in inside.page
    assert inside.client.get(first).status_code == 404


def test_a_copy_is_kept_only_when_it_is_ticked_and_tells_nothing_but_pixels(
    inside: Visitor,
) -> None:
    url = examined(inside)
    person = url.rpartition("/")[2]
    first = photographed(inside, url)
    inside.get(first)

    def documents() -> list[Any]:
        records = inside.casebook.person(LOCAL, person).records
        return [one for one in records if one.kind == "document"]

    inside.send(f"{first}/keep")
    assert documents() == []
    inside.send(f"{first}/keep", keep="yes")
    inside.send(f"{first}/keep", keep="yes")
    assert [one.facts["media"] for one in documents()] == ["image/jpeg"]
    assert "A copy of this photograph is in the record" in inside.page
    with inside.casebook.store.work(LOCAL) as work:
        data = work.document(person, 1)
    assert data.startswith(b"\xff\xd8\xff\xe0")
    assert b"Exif" not in data


def test_what_came_with_a_photograph_is_left_behind(inside: Visitor) -> None:
    from io import BytesIO

    from PIL import Image

    scene, data = shot()
    notes = Image.Exif()
    notes[0x010F] = "SECRET MAKER"
    notes.get_ifd(0x8769)[0xA405] = 26
    told = BytesIO()
    Image.open(BytesIO(data)).save(told, "JPEG", quality=95, exif=notes)
    assert b"SECRET MAKER" in told.getvalue()
    url = examined(inside)
    inside.get(f"{url}/measure")
    first = sent(inside, f"{url}/measure/photos", [("photos", told.getvalue())], side=scene.side)
    assert b"SECRET" not in inside.client.get(f"{first}/picture").content
    shelf = next(iter(inside.app.state.access._sessions.values())).shelf
    (item,) = shelf.of(url.rpartition("/")[2], inside.app.state.access.now_s())
    assert item.photo.focal_35mm_mm == 26


def test_measuring_and_keeping_stand_in_the_audit_without_a_value(inside: Visitor) -> None:
    url = examined(inside)
    first = photographed(inside, url)
    inside.get(first)
    inside.send(f"{first}/keep", keep="yes")
    rows, _, _ = audit_of(inside.casebook, LOCAL, url.rpartition("/")[2])
    did = [(row.did, row.detail) for row in rows]
    assert ("measure", "photograph") in did
    assert any(verb == "add" and "document" in detail for verb, detail in did)
    assert not [detail for _, detail in did if "°" in detail]


def test_a_reader_and_an_assistant_do_not_measure(inside: Visitor) -> None:
    url = examined(inside)
    access = inside.app.state.access
    from rungwise.casebook import Who

    for role in ("reader", "assistant"):
        token = access.begin(Who(f"{role}-1", frozenset((role,))), role)
        client = inside.another()
        client.cookies.set(access.settings.cookie, token, domain="localhost.local", path="/")
        assert client.get(f"{url}/measure").status_code == 403


# ------------------------------------------------------------------ recordings


def stance(seconds: float = 50, rate: float = 50) -> bytes:
    """A drawn centre of pressure, in cm."""
    rng = np.random.default_rng(7)
    t = np.arange(0, seconds, 1 / rate)
    ap, ml = np.cumsum(rng.normal(0, 0.02, (2, len(t))), axis=1)
    lines = [f"{a:.3f},{b:.5f},{c:.5f}" for a, b, c in zip(t, ap, ml, strict=True)]
    return ("Time [s],COPx [cm],COPy\n" + "\n".join(lines) + "\n").encode()


def test_a_recording_is_read_by_columns_that_are_told(inside: Visitor) -> None:
    url = examined(inside)
    inside.get(f"{url}/measure")
    at = sent(inside, f"{url}/measure/recordings", [("file", stance())], kind="pressure")
    page = inside.get(at)
    assert "COPx [cm]" in page
    assert "selected>COP" not in page  # nothing is guessed
    assert (
        "A column of the file" in inside.send(at, 422, fields={})
        or "a column of the file" in inside.page
    )
    page = inside.send(at, 422, time="0", ap="1", ml="2")
    assert "no unit" in page
    page = inside.send(at, 200, time="0", ap="1", ml="2", ml_unit="cm", surface="firm", eyes="open")
    assert "Area of the 95 % ellipse" in page
    assert re.search(r"Mean speed</th><td>[\d.]+ mm/s</td><td>× [\d.]+", page)
    assert "Check it by counting or timing yourself" in page
    assert "How it was made" in page


def csv_of(*recordings: Recording | None) -> bytes:
    """A recording as a file whose headings are ours, each with its unit."""
    known = [one for one in recordings if one is not None]
    heads, rows = ["time[s]"], [known[0].time_s]
    for one, names in zip(known, (("x", "y", "z"), ("gx", "gy", "gz")), strict=False):
        heads += [f"{name}[{one.unit}]" for name in names]
        rows += list(one.values)
    lines = [",".join(f"{value:.6f}" for value in line) for line in zip(*rows, strict=True)]
    return "\n".join([",".join(heads), *lines, ""]).encode()


def plate() -> bytes:
    """Forces and moments of somebody of 700 N who sways a little."""
    rng = np.random.default_rng(3)
    t = np.arange(0, 50, 1 / 50)
    x, y = np.cumsum(rng.normal(0, 0.0002, (2, len(t))), axis=1)
    rows = np.column_stack([t, 0 * t, 0 * t, 0 * t + 700, y * 700, -x * 700, 0 * t])
    lines = [",".join(f"{value:.6f}" for value in row) for row in rows]
    return ("time[s],fx[N],fy[N],fz[N],mx[N m],my[N m],mz[N m]\n" + "\n".join(lines)).encode()


@pytest.mark.parametrize("kind", ["plate", "acceleration", "raises", "rhythm"])
def test_every_kind_is_read_and_said_in_spanish(inside: Visitor, kind: str) -> None:
    acceleration, turning, truth = heel_raises(4)
    data = {"plate": plate(), "acceleration": csv_of(trial())}
    url = examined(inside)
    inside.client.cookies.set("rungwise-language", "es", domain="localhost.local", path="/")
    inside.get(f"{url}/measure")
    sent_so = data.get(kind) or csv_of(acceleration, turning)
    at = sent(inside, f"{url}/measure/recordings", [("file", sent_so)], kind=kind)
    page = inside.get(at)
    chosen = dict(re.findall(r'<select id="f-(\w+)".*?value="(\d+)" selected', page))
    assert set(chosen) >= {"time"}  # a heading that has our own name is no guess
    page = inside.send(at, 200, fields={**chosen, "ap": "x"})
    says = {
        "plate": "Velocidad media",
        "acceleration": "Sin centímetros",
        "raises": f"Elevaciones de talón: {len(truth.up_s)}",
        "rhythm": "Repeticiones:",
    }
    assert says[kind] in page
    shown = page.partition("<main")[2].partition("</main>")[0]
    assert 'lang="en"' not in shown, re.findall(r'<[^>]*lang="en">[^<]*', shown)


def test_a_recording_of_another_person_or_kind_is_not_there(inside: Visitor) -> None:
    url, other = examined(inside), inside.person("N-103")
    inside.get(f"{url}/measure")
    assert "Which column" not in inside.get(f"{url}/measure/recording")
    sent(inside, f"{url}/measure/recordings", [("file", stance())], 422, kind="magic")
    sent(inside, f"{url}/measure/recordings", [("file", b"\xff\xfe,\n1,2")], 422, kind="pressure")
    sent(inside, f"{url}/measure/recordings", [("file", b"")], 422, kind="pressure")
    sent(inside, f"{url}/measure/recordings", [("file", stance())], kind="pressure")
    assert "COPx" in inside.get(f"{url}/measure/recording")
    assert "COPx" not in inside.get(f"{other}/measure/recording")


def test_the_page_for_the_phone_is_handed_out_and_names_nobody(inside: Visitor) -> None:
    url = examined(inside)
    inside.get(f"{url}/measure")
    found = inside.client.post(
        f"{url}/measure/capture",
        data={"token": inside.token()},
        headers={"origin": BASE, "sec-fetch-site": "same-origin"},
    )
    assert found.headers["content-disposition"] == 'attachment; filename="measure.html"'
    assert "<html" in found.text
    assert "N-102" not in found.text
    assert url.rpartition("/")[2] not in found.text


def test_hostile_headings_stay_text(inside: Visitor) -> None:
    url = examined(inside)
    inside.get(f"{url}/measure")
    data = b'"<script>alert(1)</script>","""onload=""x",a[<b>]\n1,2,3\n'
    at = sent(inside, f"{url}/measure/recordings", [("file", data)], kind="pressure")
    raw = inside.client.get(at).text
    assert "<script>alert" not in raw
    assert "<b>" not in raw
    inside.get(at)
    inside.send(at, 422, time="0", ap="1", ml="2", time_unit="<i>", ap_unit="cm")


def test_what_is_refused_is_said_in_spanish(inside: Visitor) -> None:
    url = examined(inside)
    inside.client.cookies.set("rungwise-language", "es", domain="localhost.local", path="/")
    inside.get(f"{url}/measure")
    page = sent(inside, f"{url}/measure/photos", [("photos", b"GIF89a")], 422, side="left")
    assert "Elija una imagen." in page
    first = photographed(inside, url)
    at = places(inside.get(first))
    page = inside.send(first, fields={**at, "joint.x": "", "joint.y": ""})
    assert "Faltan marcas" in page or "Marcas que faltan" in page
    assert 'lang="en"' not in re.sub(r"<footer>.*", "", page, flags=re.DOTALL)
    columns = sent(inside, f"{url}/measure/recordings", [("file", stance(5))], kind="pressure")
    inside.get(columns)
    page = inside.send(columns, 422, time="0", ap="1", ml="2", ml_unit="cm")
    assert "Registre más tiempo" in page
