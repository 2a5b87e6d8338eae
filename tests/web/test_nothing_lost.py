"""What must hold over the weeks: the newest examination counts, kept programmes stay printable.

And nothing that was typed is dropped in silence: not after a step back in the browser, not from a
person who was put away, not from a list in which one sheet cannot be made.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from rungwise import casebook
from rungwise.book import load_book
from rungwise.casebook import LOCAL, PersonFile
from rungwise.casebook_in import import_exam
from rungwise.casebook_out import export_one, print_sheets
from rungwise.core.errors import InputError
from rungwise.core.evidence import Evidence
from rungwise.log_code import write_log_code
from rungwise.web.exam_text import values_of
from tests.web.kit import EXAMS, Visitor
from tests.web.test_web_course import answers, later, led, log_of, planned, take, way

WALKER: dict[str, Any] = {**values_of(EXAMS["hill-walker-grade-2"])}
MOST = "pain.acceptable_max"


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


def found(inside: Visitor, url: str) -> PersonFile:
    return inside.casebook.person(LOCAL, url.rpartition("/")[2])


def exam(inside: Visitor, url: str, **more: Any) -> None:
    inside.get(f"{url}/exam")
    inside.send(f"{url}/exam", fields={**WALKER, **more}, follow=False)


def form_token(inside: Visitor) -> str:
    told = re.search(r'name="once" value="(\w+)"', inside.page)
    assert told is not None
    return told[1]


def own_value(inside: Visitor, value: str, expected: str = "0") -> None:
    inside.get(f"/book/row/{MOST}")
    fields = {"value": value, "by": "A", "why": "our own study", "expected": expected}
    inside.send(f"/book/row/{MOST}", fields=fields)


# ------------------------------------------------------------------ which examination counts


def two_examinations(inside: Visitor) -> tuple[str, str]:
    """An examination, and another two weeks later; returns the address, and the later day."""
    url = inside.examined()
    later(inside, days=14)
    today = inside.casebook.today().isoformat()
    bend = {"right.mtp_dorsiflexion_deg.1.v1": "50"}
    exam(inside, url, date=today, expected="1", once="second", **bend)
    return url, today


def test_correcting_an_older_examination_does_not_make_it_the_newest(inside: Visitor) -> None:
    url, today = two_examinations(inside)
    inside.get(f"{url}/exam?correct=1")
    assert 'name="corrects" value="1"' in inside.page
    assert 'name="expected" value="2"' in inside.page
    assert f'name="date" type="date" autocomplete="off" value="{today}"' not in inside.page
    inside.send(
        f"{url}/exam",
        fields={
            **WALKER,
            "expected": "2",
            "corrects": "1",
            "once": "mended",
            "person.mass_kg": "70",
        },
    )
    kept = found(inside, url)
    assert kept.exam is not None
    assert (kept.exam_version, kept.exams_written) == (2, 3)
    assert str(kept.exam.on) == today
    assert kept.exam.readings("mtp_dorsiflexion_deg", "right")[0].value == 50
    row = inside.casebook.people(LOCAL).rows[0]
    assert str(row.exam_on) == today
    # the change is told from what stands: the mended first one, then the second
    assert [one.person.mass_kg for one in way(inside, url).exams] == [70, 68]
    # the next form starts from the newest by day, and follows the one written last
    inside.get(f"{url}/exam")
    assert 'name="expected" value="3"' in inside.page
    # what was corrected cannot be corrected a second time
    inside.get(f"{url}/exam?correct=1", 404)
    inside.get(f"{url}/exam?correct=9", 404)
    inside.get(f"{url}/exam?correct=3")


def test_an_old_examination_typed_in_late_changes_no_programme(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=2)
    inside.get(url)
    before = inside.casebook.people(LOCAL).rows[0]
    exam(inside, url, date="2026-10-01", expected="1", once="late")
    kept = found(inside, url)
    assert (kept.exam_version, kept.exams_written) == (1, 2)
    assert "There is a newer examination" not in inside.get(f"{url}/programme")
    now = inside.casebook.people(LOCAL).rows[0]
    assert (now.look_on, now.look_why) == (before.look_on, before.look_why)
    assert now.exam_on == before.exam_on


def test_corrections_of_an_older_one_are_laid_beside_what_they_started_from(
    inside: Visitor,
) -> None:
    url, _ = two_examinations(inside)
    start = {**WALKER, "expected": "2", "corrects": "1"}
    inside.get(f"{url}/exam?correct=1")
    inside.send(f"{url}/exam", fields={**start, "person.height_cm": "171", "once": "theirs"})
    inside.get(f"{url}/exam")
    fields = {**start, "person.mass_kg": "70", "once": "mine"}
    page = inside.send(f"{url}/exam", 409, fields=fields)
    assert "171 cm" in page
    assert "50, 28, 29" not in page  # nothing of the later examination is mixed in


def test_every_examination_is_read_and_corrected_from_the_record(inside: Visitor) -> None:
    url, _ = two_examinations(inside)
    page = inside.get(url)
    for version in (1, 2):
        assert f'href="{url}/exam?correct={version}"' in page
        inside.get(f"{url}/exam?correct={version}")
    assert f'href="{url}/exam?correct=yes"' in inside.get(f"{url}/exam")


# ------------------------------------------------------------------ a step back in the browser


def test_what_is_typed_after_a_step_back_is_not_dropped(inside: Visitor) -> None:
    url = inside.person()
    inside.get(f"{url}/exam")
    fields = {**WALKER, "expected": "0", "once": form_token(inside)}
    for _ in range(2):  # sent twice as it is: once is enough
        inside.send(f"{url}/exam", fields=fields, follow=False)
        inside.get(f"{url}/programme")
    assert found(inside, url).exams_written == 1
    page = inside.send(f"{url}/exam", 409, fields={**fields, "person.mass_kg": "70"})
    assert "70 kg" in page
    assert found(inside, url).exams_written == 1


def test_a_second_person_from_the_same_form_is_added(inside: Visitor) -> None:
    inside.get("/people/new")
    once = form_token(inside)
    seen = []
    for label in ("N-1", "N-1", "N-2"):
        inside.get("/people/new")
        inside.send("/people/new", label=label, once=once)
        seen.append(inside.url)
    assert seen[0] == seen[1] != seen[2]
    assert inside.casebook.people(LOCAL).total == 2


def test_other_answers_after_a_step_back_are_shown_not_dropped(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=5)
    take(inside, url, led(inside, url, 5))
    inside.get(f"{url}/advice")
    accepted = answers(inside)
    inside.send(f"{url}/advice", fields=accepted)
    inside.get(f"{url}/programme")
    inside.send(f"{url}/advice", fields=accepted)  # sent twice as it is
    assert found(inside, url).plan_version == 2
    inside.get(f"{url}/programme")
    other = {k: "keep" if k.endswith(".kind") else v for k, v in accepted.items()}
    other |= {k.replace(".kind", ".why"): "pain" for k in other if k.endswith(".kind")}
    inside.send(f"{url}/advice", 409, fields=other)
    assert found(inside, url).plan_version == 2


def test_other_text_of_a_note_after_a_step_back_is_not_dropped(inside: Visitor) -> None:
    url = planned(inside)
    inside.get(f"{url}/notes")
    keep = {"kind": "visit", "action": "keep", "follows": "0", "once": "n"}
    inside.send(f"{url}/notes", fields={**keep, "text": "one"}, follow=False)
    inside.get(f"{url}/notes")
    inside.send(f"{url}/notes", fields={**keep, "text": "one"}, follow=False)
    inside.get(f"{url}/notes")
    assert "two" in inside.send(f"{url}/notes", 409, fields={**keep, "text": "two"})


def test_an_examination_from_a_file_comes_whole_or_not_at_all(inside: Visitor) -> None:
    text = EXAMS["hill-walker-grade-2"].replace('language = "en"', 'language = "xx"')
    assert '"xx"' in text
    with pytest.raises(InputError, match="language"):
        import_exam(inside.casebook, LOCAL, text, "", 0, "file:a")
    assert inside.casebook.people(LOCAL).total == 0


# ------------------------------------------------------------------ the draft that was seen


def test_a_draft_that_has_changed_is_shown_again_before_it_is_kept(inside: Visitor) -> None:
    url = inside.examined()
    told = re.search(r'name="seen" value="([^"]+)"', inside.page)
    assert told is not None
    flag = {"screen.hot_swollen_joint": "right"}
    exam(inside, url, expected="1", corrects="1", once="flag", **flag)
    inside.get(f"{url}/programme")
    sent = {"action": "keep", "expected": "0", "once": "a", "seen": told[1]}
    page = inside.send(f"{url}/programme", 409, fields=sent)
    assert "Nothing was kept" in page
    assert found(inside, url).plan is None
    told = re.search(r'name="seen" value="([^"]+)"', page)
    assert told is not None
    inside.send(f"{url}/programme", fields={**sent, "seen": told[1], "once": form_token(inside)})
    assert found(inside, url).plan_version == 1


# ------------------------------------------------------------------ a kept programme


def test_a_kept_programme_is_printed_with_the_numbers_that_were_handed_over(
    inside: Visitor,
) -> None:
    url = planned(inside)
    urls = [f"{url}/programme/1/{name}" for name in ("sheet.pdf", "phone.html")]
    before = [inside.client.get(one).content for one in urls]
    own_value(inside, "4")
    now = [inside.client.get(one) for one in urls]
    assert [one.status_code for one in now] == [200, 200]
    assert now[0].content == before[0]
    assert now[1].content == before[1]
    assert "The book has changed since this programme was made" in inside.get(f"{url}/programme")
    assert "numbers may differ" in inside.get(f"{url}/advice")
    own_value(inside, "5", "1")
    assert inside.client.get(urls[0]).content == before[0]
    # the next version takes the new numbers, and both are printed
    later(inside, days=5)
    take(inside, url, led(inside, url, 5))
    inside.get(f"{url}/advice")
    inside.send(f"{url}/advice", fields=answers(inside))
    kept = found(inside, url)
    assert kept.plan is not None
    assert kept.plan.edition == inside.casebook.book(LOCAL).edition
    assert "The book has changed" not in inside.get(f"{url}/programme")
    assert inside.client.get(f"{url}/programme/2/sheet.pdf").status_code == 200
    assert inside.client.get(urls[0]).content == before[0]


def test_every_page_and_file_of_a_person_answers_after_the_book_has_changed(
    inside: Visitor,
) -> None:
    url = planned(inside)
    later(inside, days=5)
    take(inside, url, led(inside, url, 5))
    own_value(inside, "4")
    for below in ("", "/exam", "/programme", "/diary", "/advice", "/change", "/notes"):
        inside.get(url + below)
    data = export_one(inside.casebook, LOCAL, url.rpartition("/")[2], "the patient")
    assert "sheet-1.pdf" in "".join(zipfile.ZipFile(io.BytesIO(data)).namelist())


def test_a_programme_outlives_another_book_of_the_program(
    inside: Visitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = planned(inside)
    row = load_book().rows[MOST]
    low = row.low
    assert low is not None

    def another(text: str | None = None) -> Evidence:
        book = load_book()
        rows = {**book.rows, MOST: replace(row, value=low)}
        return replace(book, rows=rows, edition="0" * 12)

    before = inside.client.get(f"{url}/programme/1/sheet.pdf").content
    inside.casebook._books.clear()
    monkeypatch.setattr(casebook, "open_book", another)
    assert inside.casebook.book(LOCAL).value(MOST) == low != row.value
    assert inside.client.get(f"{url}/programme/1/sheet.pdf").content == before
    assert inside.client.get(f"{url}/programme/1/phone.html").status_code == 200
    assert "The book has changed" in inside.get(f"{url}/programme")


def test_own_values_that_a_newer_book_refuses_are_told_and_taken_back(inside: Visitor) -> None:
    url = planned(inside)
    own_value(inside, "4")
    gone = '["pain.gone"]\nvalue = 4\nwho = "A"\nwhen = "2026-11-11"\nwhy = "our study"\n'
    with inside.casebook.store.work(LOCAL) as work:
        kept = work.setting("overrides")
        assert kept is not None
        work.set_setting("overrides", f"{gone}\n{kept.body}", 1)
    inside.get(f"{url}/programme", 422)  # no other number is taken in silence
    page = inside.get("/book")
    assert "pain.gone" in page
    assert "our study" in page
    assert MOST not in page
    inside.send("/book/refused", expected="2")
    assert inside.casebook.book(LOCAL).value(MOST) == 4
    inside.get(f"{url}/programme")
    inside.get(f"/book/row/{MOST}")
    own_value(inside, "5", "3")


def test_a_later_red_flag_is_told_on_the_programme_and_keeps_its_sheet_out(
    inside: Visitor,
) -> None:
    url = planned(inside)
    person = url.rpartition("/")[2]
    later(inside, days=2)
    today = inside.casebook.today().isoformat()
    flag = {"screen.hot_swollen_joint": "right"}
    exam(inside, url, date=today, expected="1", once="flag", **flag)
    page = inside.get(f"{url}/programme")
    assert "A later examination rules out exercises of this programme" in page
    box = page.partition("rules out exercises")[2].partition("</section>")[0]
    assert "right foot" in box or "both feet" in box
    data = print_sheets(inside.casebook, LOCAL, [person], "a4")
    with zipfile.ZipFile(io.BytesIO(data)) as made:
        assert made.namelist() == ["left-out.csv"]
        rows = list(csv.DictReader(io.StringIO(made.read("left-out.csv").decode(), newline="")))
    assert rows[0]["sheet"] == f"{person[:6].upper()}-programme-1.pdf"
    assert "rules out" in rows[0]["why"]


# ------------------------------------------------------------------ what a sheet has room for


@pytest.mark.parametrize(
    "change", [{"therapist": "x" * 61}, {"person.language": "xx"}, {"person.language": "en-GB"}]
)
def test_an_examination_that_no_sheet_could_say_is_refused(
    inside: Visitor, change: dict[str, str]
) -> None:
    url = inside.person()
    inside.get(f"{url}/exam")
    inside.send(f"{url}/exam", 422, fields={**WALKER, "expected": "0", "once": "a", **change})
    assert found(inside, url).exam is None


def test_a_label_is_refused_that_no_sheet_has_room_for(inside: Visitor) -> None:
    inside.get("/people/new")
    inside.send("/people/new", 422, label="N" * 61, once="a")
    inside.get("/people/new")
    inside.send("/people/new", label="N" * 60, once="b")


# ------------------------------------------------------------------ after a stop


def test_a_diary_that_comes_after_everything_was_stopped_is_taken_in(inside: Visitor) -> None:
    url = planned(inside)
    home = way(inside, url).homes[0]
    later(inside, days=5)
    take(inside, url, led(inside, url, 5, sharp=True))
    inside.get(f"{url}/advice")
    inside.send(f"{url}/advice", fields=answers(inside))
    kept = found(inside, url)
    assert kept.plan is not None
    assert kept.plan.exercises == ()
    later(inside, days=4)
    late = write_log_code(log_of(home, 8, 2, during=9, sharp=True), home)
    take(inside, url, late)
    assert "sharp" in inside.page
    assert len(way(inside, url).logs) == 2
    row = inside.casebook.people(LOCAL, only="due").rows[0]
    assert (row.look_on, row.look_why) == (inside.casebook.today(), "not_now")


# ------------------------------------------------------------------ clocks


@pytest.mark.on_file
def test_a_clock_that_was_set_back_is_told_before_anything_is_kept(inside: Visitor) -> None:
    url = planned(inside)
    assert "Set the clock right" not in inside.get(f"{url}/programme")
    later(inside, days=-30)
    for below in ("/programme", "/advice"):
        assert "clock says 21 Oct 2026" in inside.get(url + below)
        assert "written on 20 Nov 2026" in inside.page
    later(inside, days=29)
    assert "Set the clock right" not in inside.get(f"{url}/advice")


@pytest.mark.on_file
def test_a_programme_that_has_ended_is_not_said_to_run(inside: Visitor) -> None:
    url = planned(inside)
    assert "The programme runs" in inside.get(url)
    later(inside, days=40)
    assert "The programme ended on 17 Dec 2026" in inside.get(url)


# ------------------------------------------------------------------ put away


def test_who_hands_over_is_no_longer_put_away(inside: Visitor) -> None:
    url = planned(inside)
    inside.get(url)
    inside.send(f"{url}/archive", away="yes")
    assert "N-102" not in inside.get("/")
    later(inside, days=4)
    take(inside, url, led(inside, url, 4, during=9))
    assert not found(inside, url).archived
    assert "N-102" in inside.get("/")


# ------------------------------------------------------------------ what was decided


def test_a_decision_is_never_dropped_by_a_change_on_the_programme(inside: Visitor) -> None:
    url = planned(inside)
    assert "Change this exercise" in inside.get(f"{url}/programme")
    later(inside, days=5)
    take(inside, url, led(inside, url, 5, during=7))
    inside.get(f"{url}/advice")
    inside.send(f"{url}/advice", fields=answers(inside))
    kept = found(inside, url)
    assert kept.plan is not None
    assert kept.plan.exercises
    anew = inside.casebook.draft(kept, inside.casebook.book(LOCAL))
    lowered = [(e.dose_step, e.fitted.rung.places) for e in kept.plan.exercises]
    assert lowered < [(e.dose_step, e.fitted.rung.places) for e in anew.exercises]
    page = inside.get(f"{url}/programme")
    assert "Change this exercise" not in page
    assert "It is changed where one decides" in page
    # a draft from a later examination says what it does not know
    today = inside.casebook.today().isoformat()
    exam(inside, url, date=today, expected="1", once="again")
    assert "It knows nothing of what was decided since" in inside.get(f"{url}/programme?draft=yes")
    assert "It knows nothing" not in inside.get(f"{url}/programme")


@pytest.mark.on_file
def test_the_record_says_when_a_look_is_due_and_gives_every_programme(inside: Visitor) -> None:
    url = planned(inside)
    assert "27 Nov 2026: Call: no diary for a week" in inside.get(url)
    later(inside, days=5)
    take(inside, url, led(inside, url, 5))
    inside.get(f"{url}/advice")
    inside.send(f"{url}/advice", fields=answers(inside))
    inside.get(url)
    assert f'href="{url}/programme/1/sheet.pdf"' in inside.page
    assert f'href="{url}/programme/2/sheet.pdf"' not in inside.page
    inside.send(f"{url}/archive", away="yes")
    assert "State 1: put away" in inside.page


# ------------------------------------------------------------------ roles


@pytest.mark.on_file
@pytest.mark.parametrize("role", ["therapist", "assistant", "reader", "administrator"])
def test_no_role_is_shown_a_link_that_it_may_not_follow(inside: Visitor, role: str) -> None:
    planned(inside)
    words = "plain words that are long"
    inside.by_password_alone()
    inside.casebook.accounts.add(LOCAL, "Ann", role, words)
    inside.client = inside.another()
    inside.get("/enter")
    inside.send("/enter/sign-in", name="Ann", passphrase=words, follow=False)
    todo, seen, refused = ["/"], set(), []
    while todo:
        url = todo.pop()
        if url in seen or url.startswith(("/static", "/book")):
            continue
        seen.add(url)
        answer = inside.client.get(url)
        if answer.status_code == 303:
            todo.append(answer.headers["location"])
        elif answer.status_code != 200:
            refused.append((url, answer.status_code))
        elif "phone.html" not in url and answer.headers["content-type"].startswith("text/html"):
            todo += re.findall(r'href="(/[^"#]*)"', answer.text)
    assert refused == []
    assert len(seen) > 5
