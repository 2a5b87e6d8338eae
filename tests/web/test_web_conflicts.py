"""Two at once: each difference is chosen on its own, nothing typed is lost, nothing is run.

The two sides are two clients of one program, as two tabs or two computers of a clinic are.
"""

from __future__ import annotations

import random
import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from rungwise.casebook import LOCAL, PersonFile
from rungwise.casebook_book import own_values
from rungwise.web.exam_text import values_of
from rungwise.web.merge import BOTH, MINE, SAME, THEIRS, compare, compare_texts, merge, text_of
from tests.web.kit import EXAMS, PASSPHRASE, Visitor
from tests.web.test_web_course import answers, later, led, planned, take
from tests.web.test_web_office import BOOK, settable

WALKER = values_of(EXAMS["hill-walker-grade-2"])
BEND = "right.mtp_dorsiflexion_deg"
HOSTILE = "<script>alert(1)</script>\"'&amp;{{7*7}}"


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


def person_of(inside: Visitor, url: str) -> PersonFile:
    return inside.casebook.person(LOCAL, url.rpartition("/")[2])


def hidden(raw: str) -> dict[str, list[str]]:
    """Fields that travel along with the form of a conflict, and what is chosen in it."""
    found: dict[str, list[str]] = {}
    form = raw[raw.index('id="conflict"') :]
    form = form[: form.index("</form>")]
    for name, value in re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)">', form):
        found.setdefault(unescape(name), []).append(unescape(value))
    chosen = r'<input type="radio" name="([^"]*)" value="(\w+)" checked'
    found |= {unescape(name): [value] for name, value in re.findall(chosen, form)}
    return found


def conflict(inside: Visitor, url: str, fields: dict[str, Any]) -> str:
    """Send a form that comes too late; returns the page as it is sent."""
    headers = {"origin": "http://localhost:8000", "sec-fetch-site": "same-origin"}
    inside.get("/book")
    data = {**fields, "token": inside.token()}
    found = inside.client.post(url, data=data, headers=headers)
    assert found.status_code == 409, found.text[:2000]
    inside.page = unescape(found.text)
    return found.text


def settle(
    inside: Visitor,
    raw: str,
    url: str,
    status: int = 303,
    take: dict[str, str] | None = None,
    **chosen: str,
) -> str:
    """Choose and save; ``chosen`` by the key of the difference, with ``__`` for a point."""
    fields = hidden(raw)
    chosen |= take or {}
    fields |= {f"take.{key.replace('__', '.')}": [word] for key, word in chosen.items()}
    return inside.send(url, status, fields={"action": "merge", **fields})


def rows(raw: str) -> dict[str, tuple[str, str, str, str]]:
    """Label -> what both started from, mine, theirs, what is taken."""
    found = {}
    for part in re.findall(r'<fieldset class="differs.*?</fieldset>', raw, re.S):
        label = re.findall(r"<legend>(.*?)</legend>", part, re.S)[0]
        text = r'<span class="(?:said|small)">(.*?)</span>'
        base, _, sides = part.partition('<div class="pair">')
        began = re.findall(text, base, re.S)
        mine, theirs = re.findall(text, sides, re.S)[:2]
        taken = re.findall(r'value="(\w+)" checked', part)
        found[unescape(label)] = (
            unescape(began[0]) if began else "",
            unescape(mine),
            unescape(theirs),
            taken[0] if taken else "",
        )
    return found


# ------------------------------------------------------------------ the merge itself


def test_a_field_that_one_side_changed_is_taken_and_a_clash_is_not() -> None:
    base = {"a": "1", "b": "1", "c": "1", "d": "1"}
    mine = {"a": "2", "b": "1", "c": "2", "d": "3", "e": "new"}
    theirs = {"a": "1", "b": "2", "c": "3", "d": "3"}
    found = compare(base, mine, theirs, {}, str, lambda _, value: value)
    assert {one.key: (one.taken, one.clash) for one in found} == {
        "a": (MINE, False),
        "b": (THEIRS, False),
        "c": ("", True),
        "e": (MINE, False),
    }
    assert merge(mine, theirs, found) == {"a": "2", "b": "2", "c": "3", "d": "3", "e": "new"}
    chosen = compare(base, mine, theirs, {"c": MINE, "b": MINE}, str, lambda _, value: value)
    assert merge(mine, theirs, chosen) == {"a": "2", "b": "1", "c": "2", "d": "3", "e": "new"}
    unknown = compare(None, mine, theirs, {}, str, lambda _, value: value)
    assert all(one.clash and not one.taken and one.base is None for one in unknown)


def test_a_field_that_one_side_emptied_is_emptied() -> None:
    found = compare({"a": "1"}, {}, {"a": "1"}, {}, str, lambda _, value: value)
    assert [(one.taken, one.mine, one.theirs) for one in found] == [(MINE, "", "1")]
    assert merge({}, {"a": "1"}, found) == {}


def test_texts_are_compared_line_by_line() -> None:
    base = "one\ntwo\nthree\nfour\nfive"
    found = compare_texts(base, "one\nTWO\nthree\nfour\n5", "one\ntwo\nthree\nnew\nfour\nV", {}, "")
    assert [(one.mine, one.theirs, one.taken) for one in found] == [
        ("one", "one", SAME),
        ("TWO", "two", MINE),
        ("three", "three", SAME),
        ("", "new", THEIRS),
        ("four", "four", SAME),
        ("5", "V", ""),
    ]
    assert text_of(found) == "one\nTWO\nthree\nnew\nfour\nV\n5"  # nothing is lost before a choice


def test_texts_come_back_whole_whatever_they_hold() -> None:
    luck = random.Random(5)

    def text() -> str:
        return "\n".join(luck.choice(["a", "b", "c", ""]) for _ in range(luck.randint(0, 8)))

    all_of = {word: {str(n): word for n in range(40)} for word in (MINE, THEIRS, BOTH)}
    for _ in range(3000):
        base, mine, theirs = text() if luck.random() < 0.8 else None, text(), text()
        assert text_of(compare_texts(base, mine, theirs, all_of[MINE], "")) == mine
        assert text_of(compare_texts(base, mine, theirs, all_of[THEIRS], "")) == theirs
        if base is not None:
            assert text_of(compare_texts(base, mine, base, {}, "")) == mine
            assert text_of(compare_texts(base, base, theirs, {}, "")) == theirs
        both = text_of(compare_texts(base, mine, theirs, {}, "")).split("\n")
        assert {line for line in theirs.split("\n") if line} <= set(both) | set(
            (base or "").split("\n")
        )


# ------------------------------------------------------------------ examinations


def two_corrections(
    inside: Visitor, mine: dict[str, Any], theirs: dict[str, Any]
) -> tuple[str, str]:
    """Theirs is saved first, as version 2; returns the person's address, and the page to choose."""
    url = inside.examined()
    start = {**WALKER, "expected": "1", "corrects": "1"}
    inside.get(f"{url}/exam?correct=yes")
    inside.send(f"{url}/exam", fields={**start, **theirs, "once": "theirs"})
    return url, conflict(inside, f"{url}/exam", {**start, **mine, "once": "mine"})


def test_only_fields_that_differ_are_listed_with_what_both_started_from(inside: Visitor) -> None:
    mine = {"therapist": "Second", "person.mass_kg": "70", f"{BEND}.1.v1": "44"}
    theirs = {"therapist": "First", "person.height_cm": "171", f"{BEND}.1.v1": "41"}
    _, raw = two_corrections(inside, mine, theirs)
    found = rows(raw)
    way = "(sitting, passive, goniometer, metatarsal shaft)"
    bend = "Upward bend of the big toe, right foot"
    assert found == {
        "Examined by": ("R. Alder, PT", "Second", "First", ""),
        "Body height": ("165 cm", "165 cm", "171 cm", THEIRS),
        "Body mass": ("68 kg", "70 kg", "68 kg", MINE),
        bend: (f"27, 28, 29 ° {way}", f"44, 28, 29 ° {way}", f"41, 28, 29 ° {way}", ""),
    }


@pytest.mark.parametrize("word", [MINE, THEIRS])
def test_the_choice_is_saved_on_top_of_theirs(inside: Visitor, word: str) -> None:
    mine = {"therapist": "Second", "person.mass_kg": "70", f"{BEND}.1.v1": "44"}
    theirs = {"therapist": "First", "person.height_cm": "171", f"{BEND}.1.v1": "41"}
    url, raw = two_corrections(inside, mine, theirs)
    settle(inside, raw, f"{url}/exam", 422)
    assert "Still to choose: 2" in inside.page
    assert person_of(inside, url).exam_version == 2
    settle(inside, raw, f"{url}/exam", therapist=word, right__mtp_dorsiflexion_deg=word)
    found = person_of(inside, url)
    assert found.exam is not None
    assert [r.corrects for r in found.records if r.kind == "exam"] == [None, 1, 2]
    assert found.exam.therapist == ("Second" if word == MINE else "First")
    assert (found.exam.person.height_cm, found.exam.person.mass_kg) == (171, 70)
    reading = found.exam.readings("mtp_dorsiflexion_deg", "right")[0].value
    assert reading == (44 if word == MINE else 41)


def test_a_field_that_one_side_changed_can_be_turned_back(inside: Visitor) -> None:
    url, raw = two_corrections(inside, {"person.mass_kg": "70"}, {"person.height_cm": "171"})
    settle(inside, raw, f"{url}/exam", person__mass_kg=THEIRS, person__height_cm=MINE)
    exam = person_of(inside, url).exam
    assert exam is not None
    assert (exam.person.height_cm, exam.person.mass_kg) == (165, 68)


def test_activities_are_told_apart_by_their_name(inside: Visitor) -> None:
    mine = {"activity.2.name": "Run", "activity.2.rating": "3", "activity.2.target": "8"}
    theirs = {"activity.2.name": "Dance", "activity.2.rating": "5", "activity.2.target": "8"}
    url, raw = two_corrections(inside, mine, theirs)
    assert {key: row[3] for key, row in rows(raw).items()} == {
        "Activity: dance": THEIRS,
        "Activity: run": MINE,
    }
    settle(inside, raw, f"{url}/exam")
    exam = person_of(inside, url).exam
    assert exam is not None
    assert {one.name for one in exam.activities} == {"hill walk 6 km", "Dance", "Run"}


def test_a_third_version_meanwhile_is_a_conflict_again(inside: Visitor) -> None:
    url, raw = two_corrections(inside, {"person.mass_kg": "70"}, {"person.height_cm": "171"})
    first = raw
    third = {**WALKER, "person.height_cm": "172", "person.mass_kg": "71"}
    inside.get(f"{url}/exam?correct=yes")
    more = {"expected": "2", "corrects": "2", "once": "third"}
    inside.send(f"{url}/exam", fields={**third, **more})
    raw = conflict(inside, f"{url}/exam", {"action": "merge", **hidden(first)})
    assert rows(raw) == {
        "Body height": ("171 cm", "171 cm", "172 cm", THEIRS),
        "Body mass": ("68 kg", "70 kg", "71 kg", ""),
    }
    settle(inside, raw, f"{url}/exam", person__mass_kg=MINE)
    exam = person_of(inside, url).exam
    assert exam is not None
    assert (exam.person.height_cm, exam.person.mass_kg) == (172, 70)


def test_a_new_examination_is_not_mixed_with_a_correction_of_the_last(inside: Visitor) -> None:
    url = inside.examined()
    later(inside, days=14)
    today = inside.casebook.today().isoformat()
    inside.get(f"{url}/exam?correct=yes")
    start = {**WALKER, "expected": "1"}
    theirs = {"corrects": "1", "person.height_cm": "171", f"{BEND}.1.v1": "41", "once": "theirs"}
    inside.send(f"{url}/exam", fields={**start, **theirs})
    mine = {**start, "date": today, f"{BEND}.1.v1": "50", "once": "mine"}
    raw = conflict(inside, f"{url}/exam", mine)
    assert "is another examination" in inside.page
    found = rows(raw)
    assert found["Body height"] == ("165 cm", "165 cm", "171 cm", THEIRS)
    assert found["Upward bend of the big toe, right foot"][3] == MINE
    settle(inside, raw, f"{url}/exam")
    records = person_of(inside, url)
    assert records.exam is not None
    assert [r.corrects for r in records.records if r.kind == "exam"] == [None, 1, None]
    assert records.exam.readings("mtp_dorsiflexion_deg", "right")[0].value == 50
    assert records.exam.person.height_cm == 171


def test_two_first_examinations_are_laid_side_by_side(inside: Visitor) -> None:
    url = inside.person()
    start = {**WALKER, "expected": "0"}
    inside.send(f"{url}/exam", fields={**start, "person.height_cm": "171", "once": "theirs"})
    raw = conflict(inside, f"{url}/exam", {**start, "once": "mine"})
    assert rows(raw) == {"Body height": ("nothing", "165 cm", "171 cm", "")}


def test_hostile_text_stays_text_on_both_sides(inside: Visitor) -> None:
    mine = {
        "therapist": HOSTILE,
        "activity.2.name": HOSTILE,
        "activity.2.rating": "3",
        "activity.2.target": "8",
    }
    url, raw = two_corrections(inside, mine, {"therapist": f"b{HOSTILE}"})
    assert "<script>alert" not in raw
    assert rows(raw)["Examined by"][1:3] == (HOSTILE, f"b{HOSTILE}")
    settle(inside, raw, f"{url}/exam", therapist=MINE)
    exam = person_of(inside, url).exam
    assert exam is not None
    assert exam.therapist == HOSTILE
    assert HOSTILE in {one.name for one in exam.activities}


@pytest.mark.on_file
def test_a_conflict_outlives_the_lock(inside: Visitor) -> None:
    url, raw = two_corrections(inside, {"therapist": "Second"}, {"therapist": "First"})
    inside.send(f"{url}/exam", fields={**hidden(raw), "hold": "yes"})
    inside.send("/enter/sign-in", passphrase=PASSPHRASE)
    assert 'value="Second"' in inside.page
    assert 'name="expected" value="1"' in inside.page  # so that saving it shows both sides again


# ------------------------------------------------------------------ programme


def pin(family: str, why: str, step: str = "1") -> str:
    words = {"family": family, "side": "right", "why": why, "by": "R. A."}
    told = "".join(f'{key} = "{word}"\n' for key, word in words.items())
    return f"[[pin]]\n{told}dose_step = {step}\n"


def test_own_choices_of_two_programmes_are_chosen_one_by_one(inside: Visitor) -> None:
    url = inside.examined()
    plan = person_of(inside, url)
    draft = inside.casebook.draft(plan, inside.casebook.book(LOCAL))
    first, second = [e.family for e in draft.exercises if e.side == "right" and not e.both][:2]
    theirs = pin(first, "theirs first") + pin(second, "theirs alone")
    inside.get(f"{url}/programme")
    inside.send(f"{url}/programme", action="keep", expected="0", pins=theirs, once="theirs")
    mine = {"action": "keep", "expected": "0", "pins": pin(first, "mine first", "2"), "once": "m"}
    raw = conflict(inside, f"{url}/programme", mine)
    assert "Somebody kept another programme meanwhile" in inside.page
    found = rows(raw)
    assert sorted(row[3] for row in found.values()) == ["", THEIRS]
    assert any("mine first" in row[1] and "theirs first" in row[2] for row in found.values())
    settle(inside, raw, f"{url}/programme", 422)
    # look at it first: nothing is kept by that
    fields = {**hidden(raw), f"take.{first}.right": [MINE]}
    inside.send(f"{url}/programme", 200, fields={"action": "merge_look", **fields})
    assert "This is a draft." in inside.page
    assert "mine first" in inside.page
    assert "theirs alone" in inside.page
    assert person_of(inside, url).plan_version == 1
    settle(inside, raw, f"{url}/programme", take={f"{first}__right": MINE})
    kept = person_of(inside, url)
    assert kept.plan is not None
    assert kept.plan_version == 2
    reasons = {e.pin.why for e in kept.plan.exercises if e.pin}
    assert reasons == {"mine first", "theirs alone"}


# ------------------------------------------------------------------ notes


def test_two_texts_of_a_note_are_merged_line_by_line(inside: Visitor) -> None:
    url = planned(inside)
    note = {"kind": "visit", "action": "keep"}
    inside.get(f"{url}/notes?kind=visit")
    start = "Came in.\nSat.\nWalks well.\nHome."
    inside.send(f"{url}/notes", fields={**note, "follows": "0", "once": "n1", "text": start})
    theirs = f"Came in at nine.\nSat.\nWalks well.\nNew shoes.\nHome {HOSTILE}."
    inside.send(f"{url}/notes", fields={**note, "follows": "1", "once": "n2", "text": theirs})
    mine = "Came in.\nSat.\nWalks well, no limp.\nHome by bus."
    raw = conflict(inside, f"{url}/notes", {**note, "follows": "1", "once": "n3", "text": mine})
    assert "<script>alert" not in raw
    found = rows(raw)
    assert [row[3] for row in found.values()] == [THEIRS, ""]
    settle(inside, raw, f"{url}/notes", 422)
    fields = {**hidden(raw), "action": ["merge_edit"]}
    inside.send(f"{url}/notes", 200, fields=fields)
    assert "Walks well, no limp.\nHome by bus." in inside.page  # back in the form, as typed
    settle(inside, raw, f"{url}/notes", take={"2": BOTH})
    texts = [r.body for r in person_of(inside, url).records if r.kind == "note"]
    assert len(texts) == 3
    assert texts[-1] == (
        f"Came in at nine.\nSat.\nWalks well.\nNew shoes.\nHome {HOSTILE}.\n"
        "Walks well, no limp.\nHome by bus."
    )


def test_lines_that_only_one_side_changed_are_taken(inside: Visitor) -> None:
    url = planned(inside)
    note = {"kind": "visit", "action": "keep"}
    inside.get(f"{url}/notes?kind=visit")
    lines = [f"Line {n}." for n in range(9)]
    start = {**note, "follows": "0", "once": "n1", "text": "\n".join(lines)}
    inside.send(f"{url}/notes", fields=start)
    theirs = "\n".join(["Theirs.", *lines[1:]])
    inside.send(f"{url}/notes", fields={**note, "follows": "1", "once": "n2", "text": theirs})
    mine = "\n".join([*lines[:8], "Mine."])
    raw = conflict(inside, f"{url}/notes", {**note, "follows": "1", "once": "n3", "text": mine})
    assert "7 lines alike" in inside.page
    settle(inside, raw, f"{url}/notes")
    text = [r.body for r in person_of(inside, url).records if r.kind == "note"][-1]
    assert text == "\n".join(["Theirs.", *lines[1:8], "Mine."])


# ------------------------------------------------------------------ advice


def test_answers_that_still_fit_are_offered_and_no_other(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=10)
    take(inside, url, led(inside, url, 10))
    inside.get(f"{url}/advice")
    told = {**answers(inside, "keep"), "once": "mine"}
    told |= {k.replace(".kind", ".why"): f"own {k}" for k in told if k.endswith(".kind")}
    was = re.findall(r'name="([\w.]+\.was\.\w+)" value="([^"]*)"', inside.page)
    told |= dict(was)
    changed = next(name for name, _ in was if name.endswith(".was.now"))
    told[changed] = "Another setting. 9 × 9"
    gone = {"gone_family.left.was.outcome": "x", "gone_family.left.kind": "accept"}
    later(inside, days=1)  # another day is another advice, and every line says the same
    inside.get(f"{url}/advice")
    inside.send(f"{url}/advice", 409, fields={**told, **gone})
    line = changed.removesuffix(".was.now")
    lines = {name.removesuffix(".kind") for name in told if name.endswith(".kind")}
    offered = set(re.findall(r'name="([\w.]+)\.again" value="keep"', inside.page))
    assert offered == lines - {line}
    assert "Another setting. 9 × 9" in inside.page
    assert "answer anew" in inside.page
    assert 'value="keep" checked' not in inside.page
    assert "No longer in the advice" in inside.page
    for one in lines:
        assert f"own {one}.kind" in inside.page
    # confirmed for all but one: that one is asked for, the confirmed stay
    hidden_now = dict(re.findall(r'name="(seen|expected|once)" value="(\w+)"', inside.page))
    sent = {f"{one}.again": "keep" for one in offered} | {f"{one}.why": "w" for one in lines}
    inside.send(f"{url}/advice", 422, fields={**sent, **hidden_now, "by": "R. A."})
    assert inside.page.count('value="keep" checked') == len(offered)
    inside.send(
        f"{url}/advice",
        fields={**sent, f"{line}.kind": "keep", **hidden_now, "by": "R. A."},
    )
    assert person_of(inside, url).plan_version == 2


# ------------------------------------------------------------------ settings and own values


def test_the_clinics_lines_are_merged_line_by_line(inside: Visitor) -> None:
    inside.get("/settings")
    inside.send("/settings/clinic", fields={"name": "North", "phone": "1", "expected": "0"})
    inside.get("/settings")
    theirs = {"name": "South", "phone": "1", "email": "a@example.org", "expected": "1"}
    inside.send("/settings/clinic", fields=theirs)
    mine = {"name": HOSTILE, "phone": "2", "expected": "1"}
    raw = conflict(inside, "/settings/clinic", mine)
    assert "<script>alert" not in raw
    assert sorted(row[3] for row in rows(raw).values()) == ["", MINE, THEIRS]
    settle(inside, raw, "/settings/clinic", 422)
    settle(inside, raw, "/settings/clinic", name=MINE)
    inside.get("/settings")
    for text in (HOSTILE, 'value="2"', "a@example.org"):
        assert text in inside.page


def test_how_pages_behave_is_merged_line_by_line(inside: Visitor) -> None:
    inside.get("/settings")
    start = {"paper": "a4", "lock_minutes": "10", "hourly": "5", "daily": "5", "weekly": "5"}
    start |= {"factor": "by_itself", "aids": "off"}
    inside.send("/settings/desk", fields={**start, "expected": "0"})
    inside.get("/settings")
    inside.send("/settings/desk", fields={**start, "lock_minutes": "5", "expected": "1"})
    mine = {**start, "paper": "us-letter", "expected": "1"}
    raw = conflict(inside, "/settings/desk", mine)
    assert [row[3] for row in rows(raw).values()] == [MINE, THEIRS]
    settle(inside, raw, "/settings/desk")
    from rungwise.casebook_office import desk

    kept = desk(inside.casebook, LOCAL)
    assert (kept.paper, kept.lock_minutes, kept.version) == ("us-letter", 5, 3)


def test_one_own_value_is_chosen_and_another_rows_is_no_conflict(inside: Visitor) -> None:
    key = settable()
    other = next(k for k in BOOK.rows if k != key and k.startswith(key.partition(".")[0] + "."))
    row = BOOK.rows[key]
    assert row.low is not None
    assert row.high is not None
    fields = {"by": "R. A.", "why": "study", "expected": "0"}
    url = f"/book/row/{key}"
    inside.get(url)
    inside.send(url, fields={**fields, "value": f"{row.low:g}"})
    raw = conflict(inside, url, {**fields, "value": f"{row.high:g}", "why": HOSTILE})
    assert "<script>alert" not in raw
    found = rows(raw)
    assert [(row[0], row[3]) for row in found.values()] == [("nothing", "")]
    settle(inside, raw, url, 422)
    settle(inside, raw, url, take={key.replace(".", "__"): THEIRS})
    assert own_values(inside.casebook, LOCAL).version == 1
    settle(inside, raw, url, take={key.replace(".", "__"): MINE})
    own = own_values(inside.casebook, LOCAL).of(key)
    assert own is not None
    assert (own.value, own.why) == (row.high, HOSTILE)
    # a value of another row saved meanwhile stands in nobody's way
    if BOOK.rows[other].low is not None and other.startswith(BOOK.clinic_may_set):
        inside.get(f"/book/row/{other}")
        low = f"{BOOK.rows[other].low:g}"
        inside.send(f"/book/row/{other}", fields={**fields, "value": low})
        assert {one.key for one in own_values(inside.casebook, LOCAL).values} == {key, other}
    # taken back while somebody set it
    inside.get(url)
    raw = conflict(inside, url, {"action": "back", "expected": "0"})
    assert [(row[1], row[3]) for row in rows(raw).values()] == [("nothing", THEIRS)]
    settle(inside, raw, url, take={key.replace(".", "__"): MINE})
    assert own_values(inside.casebook, LOCAL).of(key) is None
