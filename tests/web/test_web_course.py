"""The way back on the pages: diary, advice, change, notes, and who needs a look today."""

from __future__ import annotations

import io
import re
from datetime import timedelta
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import pytest

from rungwise.casebook import LOCAL, OnTheWay
from rungwise.core.evidence import Evidence
from rungwise.home import HomeEntry, HomeLog, HomePlan, HomeSession
from rungwise.log_code import write_log_code
from rungwise.plan_code import write_plan_code
from rungwise.web.exam_text import values_of
from tests.web.kit import BASE, EXAMS, Visitor


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


def planned(inside: Visitor, name: str = "hill-walker-grade-2") -> str:
    """A person with a kept programme; returns the address."""
    url = inside.examined(name)
    inside.send(f"{url}/programme", action="keep", expected="0", once="a")
    return url


def later(inside: Visitor, **span: float) -> None:
    """Let time pass; the records lock meanwhile and are opened again."""
    inside.clock.on(**span)
    if inside.casebook.on_server:
        inside.start()  # nobody has an account yet: the session is begun anew
        return
    inside.get("/")
    if 'action="/enter/' in inside.page:
        inside.come_back()


def way(inside: Visitor, url: str) -> OnTheWay:
    return inside.casebook.way(LOCAL, url.rpartition("/")[2])


def log_of(home: HomePlan, days: int, part: int = 1, **more: Any) -> HomeLog:
    """Everything done on as many days as asked for, with calm pain unless told otherwise."""
    told = {"before": 1, "during": 1, "morning": 1, **more}
    sessions = tuple(
        HomeSession(
            home.starts + timedelta(days=i),
            tuple(
                HomeEntry(n, "all", "", x.dose.sets, x.dose.reps, **told)
                for n, x in enumerate(home.lines)
                if i * x.dose.days_per_week % 7 < x.dose.days_per_week
            ),
        )
        for i in range(days)
    )
    done = tuple(session for session in sessions if session.entries)
    return HomeLog(home.number, home.version, part, done)


def led(inside: Visitor, url: str, days: int, part: int = 1, **more: Any) -> str:
    home = way(inside, url).homes[0]
    return write_log_code(log_of(home, days, part, **more), home)


def take(inside: Visitor, url: str, code: str, status: int = 303) -> str:
    inside.get(f"{url}/diary")
    return inside.send(f"{url}/diary/code", status, code=code)


def answers(inside: Visitor, kind: str = "accept", **more: str) -> dict[str, str]:
    """An answer of one kind to every line of the advice that is shown."""
    lines = dict.fromkeys(re.findall(r'name="([\w.]+)\.kind"', inside.page))
    hidden = dict(re.findall(r'name="(seen|expected|once)" value="(\w+)"', inside.page))
    return {**{f"{line}.kind": kind for line in lines}, "by": "R. A.", **hidden, **more}


def test_a_log_code_is_taken_in_once_and_shown(inside: Visitor) -> None:
    url = planned(inside)
    assert "Nothing was handed over yet." in inside.get(f"{url}/diary")
    later(inside, days=5)
    code = led(inside, url, 5)
    take(inside, url, code)
    days = len({one.on for one in way(inside, url).shown})
    assert days > 2
    assert f"Taken in: {days} days." in inside.page
    assert inside.page.count('<img class="chart"') == 2
    assert len(re.findall(r'<th scope="rowgroup"', inside.page)) == days
    assert "Taken in" not in inside.get(f"{url}/diary")  # told once
    take(inside, url, code, 422)
    assert "It is in the diary already." in inside.page
    assert len(way(inside, url).logs) == 1


def test_another_plans_code_and_a_torn_one_are_refused(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=2)
    home = way(inside, url).homes[0]
    other = HomePlan(**{**vars(home), "number": bytes(8), "key": bytes(16)})
    take(inside, url, write_log_code(log_of(other, 1), other), 422)
    assert "it belongs to another plan, perhaps another person's" in inside.page
    take(inside, url, led(inside, url, 2)[:-4], 422)
    assert 'role="alert"' in inside.page
    take(inside, url, "", 422)
    take(inside, url, write_plan_code(home), 422)
    assert way(inside, url).logs == ()


def test_a_code_comes_as_a_file(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=3)
    code = led(inside, url, 3)
    inside.get(f"{url}/diary")
    found = inside.client.post(
        f"{url}/diary/code",
        data={"token": inside.token(), "code": ""},
        files={"file": ("../../log.txt", code.encode() + b"\n", "text/plain")},
        headers={"origin": BASE, "sec-fetch-site": "same-origin"},
    )
    assert found.status_code == 303
    log = log_of(way(inside, url).homes[0], 3)
    assert len(way(inside, url).shown) == sum(len(one.entries) for one in log.sessions) > 0


def boxes(inside: Visitor, url: str, **rows: str) -> dict[str, str]:
    """Boxes of the first sheet: ``row1="2.p6"`` is row 1 from its first day on."""
    start = way(inside, url).homes[0].starts
    found = {"sheet": f"1:{start}"}
    for row, text in rows.items():
        for i, box in enumerate(re.findall(r"p?[0-9tx.]", text)):
            found[f"{row.removeprefix('row')}.{start + timedelta(days=i)}"] = box.strip(".")
    return found


def test_the_paper_sheet_is_read_as_it_is_printed(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=6)
    inside.get(f"{url}/diary")
    assert inside.page.count('<table class="week">') == 2
    rows = inside.casebook.way(LOCAL, url.rpartition("/")[2]).homes[0].lines
    assert all(f'<th scope="row">{n}. ' in inside.page for n in range(1, len(rows) + 1))
    inside.send(f"{url}/diary/paper", fields=boxes(inside, url, row1="2.p6t", row2="x", right="3"))
    shown = [(s.on.day, s.entry.done, s.entry.during) for s in way(inside, url).shown]
    first = way(inside, url).homes[0].starts.day
    assert sorted(shown, key=str) == sorted(
        [(first, "all", 2), (first, "all", None), (first + 2, "part", 6), (first + 3, "all", 10)],
        key=str,
    )
    mornings = {s.entry.morning for s in way(inside, url).shown if s.on.day == first}
    assert mornings <= {3, None}
    assert 3 in mornings
    assert "pain 10, above 5" in inside.page
    inside.send(f"{url}/diary/paper", 422, fields=boxes(inside, url, row1="2.p6t", row2="x"))
    assert "It is in the diary already." in inside.page


def test_every_wrong_box_is_named_and_what_was_typed_stays(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=2)
    start = way(inside, url).homes[0].starts
    inside.get(f"{url}/diary")
    wrong = {"sheet": f"1:{start}", f"1.{start}": "12", f"2.{start}": "q", f"3.{start}": "2"}
    inside.send(f"{url}/diary/paper", 422, fields=wrong)
    assert inside.page.count(f"Row 1, {start}") == 1
    assert f'href="#f-2-{start}"' in inside.page
    assert f'name="1.{start}" value="12"' in inside.page
    assert way(inside, url).logs == ()
    late = start + timedelta(days=9)
    inside.send(f"{url}/diary/paper", 422, fields={"sheet": f"1:{start}", f"1.{late}": "2"})
    assert "It is outside the plan, or to come." in inside.page


def test_sharp_pain_and_a_new_sign_on_paper_stop_and_call(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=2)
    start = way(inside, url).homes[0].starts
    inside.get(f"{url}/diary")
    fields = {"sheet": f"1:{start}", f"1.{start}": "2", f"sharp.{start}": "x"}
    inside.send(f"{url}/diary/paper", fields=fields)
    assert "Sharp pain or locking" in inside.page
    assert inside.get("/").count("Stop, call first: sharp pain or locking.") == 1
    next_day = start + timedelta(days=1)
    inside.get(f"{url}/diary")
    inside.send(f"{url}/diary/paper", fields={"sheet": f"1:{start}", f"sign.{next_day}": "x"})
    assert "Stop, call first: new warning sign." in inside.get("/")
    inside.get(f"{url}/advice")
    assert inside.page.count('<p class="advised call">') == inside.page.count("<article")


def test_contradictions_are_marked_and_told(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=2)
    take(inside, url, led(inside, url, 1))
    inside.send(f"{url}/diary/paper", fields=boxes(inside, url, row1="4"))
    assert "entered 2 times, not alike: the higher pain and the smaller amount count" in inside.page
    assert "entered 2 times and not alike" in inside.page


def test_nothing_is_chosen_beforehand_and_every_line_must_be_answered(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=14)
    take(inside, url, led(inside, url, 14))
    inside.get(f"{url}/advice")
    assert " checked" not in inside.page
    assert '<p class="advised up">Up</p>' in inside.page
    none = {k: v for k, v in answers(inside).items() if not k.endswith(".kind")}
    inside.send(f"{url}/advice", 422, fields=none)
    assert "Answer each line." in inside.page
    lines = inside.page.count("<article")
    assert inside.page.count('aria-invalid="true"') == lines
    inside.send(f"{url}/advice", 422, fields=answers(inside, "keep"))
    assert inside.page.count("Say why.") == 2 * lines  # in the list, and beside the field
    assert inside.page.count(" checked") == lines
    assert way(inside, url).found.plan_version == 1


def test_an_accepted_decision_makes_the_next_programme_in_one_go(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=14)
    take(inside, url, led(inside, url, 14))
    inside.get(f"{url}/advice")
    told = answers(inside)
    inside.send(f"{url}/advice", fields=told)
    assert "programme 2" in inside.page
    assert 'href="/people/' in inside.page
    found = way(inside, url).found
    assert found.plan_version == 2
    decision = found.latest("decision")
    assert decision is not None
    assert decision.facts["plan_version"] == 2
    assert way(inside, url).homes[0].version == 2
    inside.send(f"{url}/advice", fields=told)  # the same form again keeps nothing
    assert way(inside, url).found.plan_version == 2
    pdf = inside.client.get(f"{url}/programme/2/sheet.pdf").content
    assert pdf.startswith(b"%PDF-")
    assert len(pdf) != len(inside.client.get(f"{url}/programme/1/sheet.pdf").content)
    phone = inside.client.get(f"{url}/programme/2/phone.html").content
    assert b"Content-Security-Policy" in phone
    assert way(inside, url).opened is not None


def test_the_sheet_says_what_is_new(inside: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    from rungwise import handout

    seen: list[tuple[str, ...]] = []
    build = handout.build_handout

    def watch(plan: Any, book: Evidence, words: Any, code: str = "", changed: Any = ()) -> Any:
        seen.append(tuple(changed))
        return build(plan, book, words, code, changed)

    monkeypatch.setattr(handout, "build_handout", watch)
    url = planned(inside)
    later(inside, days=14)
    take(inside, url, led(inside, url, 14))
    inside.get(f"{url}/advice")
    inside.send(f"{url}/advice", fields=answers(inside))
    for version in ("1", "2"):
        inside.client.get(f"{url}/programme/{version}/sheet.pdf")
    assert seen[0] == ()
    lines = way(inside, url).opened
    assert lines is not None
    assert len(seen[1]) == len(lines.plans[0].exercises)


def test_an_own_change_is_followed_and_keeping_needs_a_reason(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=14)
    take(inside, url, led(inside, url, 14))
    inside.get(f"{url}/advice")
    told = answers(inside)
    line = next(k for k in told if k.endswith(".kind")).removesuffix(".kind")
    own = {f"{line}.kind": "change", f"{line}.dose": "1", f"{line}.why": "she asked"}
    inside.send(f"{url}/advice", fields={**told, **own})
    plan = way(inside, url).found.plan
    assert plan is not None
    family, side = line.split(".")
    (made,) = [e for e in plan.exercises if (e.family, e.side) == (family, side)]
    assert made.pin is not None
    assert (made.dose_step, made.pin.by, made.pin.why) == (1, "R. A.", "she asked")


@pytest.mark.parametrize("what", ["decided", "diary", "day"])
def test_answers_fit_only_the_advice_that_was_shown(inside: Visitor, what: str) -> None:
    url = planned(inside)
    later(inside, days=10)
    take(inside, url, led(inside, url, 10))
    inside.get(f"{url}/advice")
    told = {**answers(inside, "keep"), "once": "mine"}
    told |= {k.replace(".kind", ".why"): "my own reason" for k in told if k.endswith(".kind")}
    if what == "decided":
        inside.send(f"{url}/advice", fields={**answers(inside), "once": "theirs"})
    elif what == "diary":
        inside.send(f"{url}/diary/paper", fields=boxes(inside, url, row1="9"))
    else:
        later(inside, days=1)
    inside.get(f"{url}/advice")
    before = way(inside, url).found.plan_version
    inside.send(f"{url}/advice", 409, fields=told)
    assert "The advice changed meanwhile" in inside.page
    assert "my own reason" in inside.page
    assert way(inside, url).found.plan_version == before


def test_an_old_screen_leads_to_an_examination(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=15)
    inside.get(f"{url}/advice")
    assert "too old" in inside.page
    assert f'href="{url}/exam"' in inside.page
    later(inside, days=30)
    inside.get(f"{url}/advice")
    assert "the programme has ended" in inside.page
    inside.send(f"{url}/advice", 422, fields=answers(inside))
    assert "Examine again first." in inside.page
    assert 'href="#f-screen"' not in inside.page
    inside.send(f"{url}/advice", 422, fields={**answers(inside), "by": " "})
    assert inside.page.count("Say who.") == 2  # in the list of faults and beside the field


def test_every_reason_of_the_advice_is_sourced(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=14)
    take(inside, url, led(inside, url, 14))
    inside.get(f"{url}/advice")
    blocks = re.findall(
        r'<details class="why"><summary>Why</summary>(.*?)</details>', inside.page, re.S
    )
    assert len(blocks) >= inside.page.count("<article")
    for block in blocks:
        for one in re.findall(r"<li>(.*?)</li>", block, re.S):
            assert re.search(r"Rule [\w.]+, version \d+; basis: \w+", one), one


# ------------------------------------------------------------------ who needs a look


def test_the_caseload_says_who_needs_a_look_and_why(inside: Visitor) -> None:
    url = planned(inside)
    assert "Call: no diary for a week." in inside.get("/")
    assert '<tr class="due">' not in inside.page
    later(inside, days=7)
    assert '<tr class="due">' in inside.get("/")
    take(inside, url, led(inside, url, 7))
    assert '<tr class="due">' not in inside.get("/")
    take(inside, url, led(inside, url, 8, part=2, during=9))
    inside.get("/")
    assert '<tr class="due">' in inside.page
    assert "Call" in inside.page or "Advice to go down" in inside.page


def test_stops_come_first_then_calls(inside: Visitor) -> None:
    urls = []
    for label in ("A-1", "B-2"):
        url = inside.person(label)
        fields = {**values_of(EXAMS["hill-walker-grade-2"]), "expected": "0", "once": label}
        inside.send(f"{url}/exam", fields=fields)
        inside.send(f"{url}/programme", action="keep", expected="0", once=label)
        urls.append(url)
    later(inside, days=9)  # both have been silent for days
    take(inside, urls[1], led(inside, urls[1], 9, sharp=True))
    page = inside.get("/")
    assert page.index("B-2") < page.index("A-1")
    assert page.index("Stop, call first") < page.index("no diary for a week")


# ------------------------------------------------------------------ change


def examine_again(inside: Visitor, url: str, once: str, **more: str) -> None:
    today = inside.casebook.today().isoformat()
    found = way(inside, url).found
    fields = {**values_of(EXAMS["hill-walker-grade-2"]), "date": today, **more}
    inside.get(f"{url}/exam")
    inside.send(f"{url}/exam", fields={**fields, "expected": str(found.exam_version), "once": once})


def test_change_is_told_with_its_error_and_what_would_settle_it(inside: Visitor) -> None:
    url = planned(inside)
    assert "Nothing was read on two days yet" in inside.get(f"{url}/change")
    later(inside, days=14)
    examine_again(inside, url, "two", **{"right.mtp_dorsiflexion_deg.1.v1": "58"})
    inside.get(f"{url}/change")
    found = re.search(
        r"<h2>Upward bend of the big toe, right foot</h2>.*?</article>", inside.page, re.S
    )
    assert found
    assert re.search(r'class="verdict">(Within|Beyond) error', found[0])
    assert "Error of a change (95 %)" in found[0]
    assert '<img class="chart"' in found[0]
    assert "more days of reading needed: 2" in found[0]
    assert "Examinations: 2." in inside.page


def test_four_readings_give_a_fan(inside: Visitor) -> None:
    url = planned(inside)
    for n in range(3):
        later(inside, days=7)
        more = {"right.mtp_dorsiflexion_deg.1.v1": str(44 + 4 * n)}
        examine_again(inside, url, f"again-{n}", **more)
    inside.get(f"{url}/change")
    found = re.search(
        r"<h2>Upward bend of the big toe, right foot</h2>.*?</article>", inside.page, re.S
    )
    assert found
    assert "To come on" in found[0]
    assert re.search(r"\d+ % between", found[0])


def set_targets(inside: Visitor, url: str, told: dict[str, str], status: int = 303) -> str:
    """Type values to be reached."""
    inside.get(f"{url}/change")
    shown = re.findall(r'id="targets".*?name="expected" value="(\d+)"', inside.page, re.S)
    once = f"t{shown[0]}{len(told)}"
    return inside.send(f"{url}/change", status, fields={"expected": shown[0], "once": once, **told})


BEND_TO = {
    "target.mtp_dorsiflexion_deg.value": "45,5",
    "target.mtp_dorsiflexion_deg.way": "least",
    "target.mtp_dorsiflexion_deg.by": "2026-12-30",
}


def test_a_value_to_be_reached_is_kept_told_and_forecast(inside: Visitor) -> None:
    url = planned(inside)
    for n in range(3):
        later(inside, days=7)
        more = {"right.mtp_dorsiflexion_deg.1.v1": str(44 + 4 * n)}
        examine_again(inside, url, f"again-{n}", **more)
    set_targets(inside, url, BEND_TO)
    found = re.search(r'<h2 id="goals">.*?</table>', inside.page, re.S)
    assert found
    assert "at least 45.5°" in found[0]
    assert "30 Dec 2026" in found[0]
    assert re.search(r"\d+ %", found[0])
    record = way(inside, url).found.records[-1]
    assert (record.kind, record.facts["sort"]) == ("note", "targets")
    assert record.body == "mtp_dorsiflexion_deg>=45.5/2026-12-30\n"
    assert "Target 45.5° by 2026-12-30" in inside.page  # told with the chart
    assert "Values to be reached" in inside.get(url)
    # the way that the book knows needs no choice, and both stand side by side
    pain = {"target.pain_usual_nprs.value": "2", "target.pain_usual_nprs.by": "2027-02-01"}
    set_targets(inside, url, {**BEND_TO, **pain})
    assert "at most 2" in inside.page
    # emptied, it is gone; the earlier ones stay in the records
    set_targets(inside, url, pain)
    assert "45.5" not in inside.page
    kept = [r.body for r in way(inside, url).found.records if r.kind == "note"]
    assert len(kept) == 3
    assert kept[2] == "pain_usual_nprs=2/2027-02-01\n"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"value": "far"}, "far was given; allowed: a number"),
        ({"value": ""}, "allowed: a number"),
        ({"value": "400"}, "400 was given; allowed: -20 to 90 deg"),
        ({"by": ""}, "allowed: a day"),
        ({"by": "2026-02-30"}, "2026-02-30 was given; allowed: a day"),
        ({"by": "2026-11-01"}, "allowed: a day after"),
        ({"way": ""}, "allowed: at least | at most"),
    ],
)
def test_a_wrong_value_to_be_reached_is_named_beside_its_field(
    inside: Visitor, change: dict[str, str], told: str
) -> None:
    url = planned(inside)
    wrong = {f"target.mtp_dorsiflexion_deg.{part}": text for part, text in change.items()}
    set_targets(inside, url, {**BEND_TO, **wrong}, 422)
    assert told in inside.page
    part = next(iter(change))
    assert f'id="e-target-mtp_dorsiflexion_deg-{part}"' in inside.page
    assert f'href="#f-target-mtp_dorsiflexion_deg-{part}"' in inside.page
    typed = {**BEND_TO, **wrong}["target.mtp_dorsiflexion_deg.value"]
    assert f'value="{typed}"' in inside.page
    assert way(inside, url).found.latest("note") is None


def test_values_to_be_reached_of_two_are_merged(inside: Visitor) -> None:
    url = planned(inside)
    set_targets(inside, url, BEND_TO)
    pain = {"target.pain_usual_nprs.value": "2", "target.pain_usual_nprs.by": "2027-02-01"}
    theirs = {**BEND_TO, "target.mtp_dorsiflexion_deg.value": "50", "expected": "1", "once": "x"}
    inside.send(f"{url}/change", fields=theirs)
    mine = {**BEND_TO, **pain, "target.mtp_dorsiflexion_deg.value": "60", "expected": "1"}
    inside.send(f"{url}/change", 409, fields={**mine, "once": "y"})
    assert "at least 45.5°, by 2026-12-30" in inside.page
    assert "at least 50°, by 2026-12-30" in inside.page
    assert "at least 60°, by 2026-12-30" in inside.page
    more = {"action": "merge", "base": "1", "expected": "2", "once": "z"}
    inside.send(f"{url}/change", 422, fields={**mine, **more})
    more |= {"take.mtp_dorsiflexion_deg": "theirs"}
    inside.send(f"{url}/change", fields={**mine, **more})
    body = way(inside, url).found.records[-1].body
    assert body == "mtp_dorsiflexion_deg>=50/2026-12-30\npain_usual_nprs=2/2027-02-01\n"


def test_another_way_of_reading_is_a_series_by_itself(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=14)
    other = {
        f"{side}.mtp_dorsiflexion_deg.1.instrument": "phone_goniometer"
        for side in ("right", "left")
    }
    examine_again(inside, url, "two", **other)
    inside.get(f"{url}/change")
    assert "They are kept apart and never compared with each other." in inside.page
    assert "<h2>Upward bend of the big toe, right foot</h2>" not in inside.page


# ------------------------------------------------------------------ notes


@pytest.mark.parametrize("kind", ["evaluation", "visit", "progress", "discharge", "letter"])
def test_each_note_is_previewed_and_downloaded(inside: Visitor, kind: str) -> None:
    url = planned(inside)
    later(inside, days=14)
    take(inside, url, led(inside, url, 14))
    inside.get(f"{url}/notes?kind={kind}")
    assert '<pre class="text" id="preview"' in inside.page
    head = {"origin": BASE, "sec-fetch-site": "same-origin"}
    starts = {"text": b"", "markdown": b"# ", "docx": b"PK", "pdf": b"%PDF-"}
    for form, first in starts.items():
        data = {"token": inside.token(), "kind": kind, "action": form, "by": "R. A."}
        found = inside.client.post(f"{url}/notes", data=data, headers=head)
        assert found.status_code == 200, found.text[:500]
        assert found.content.startswith(first)
        assert "attachment" in found.headers["content-disposition"]
        if form == "docx":
            assert ZipFile(io.BytesIO(found.content)).testzip() is None


def test_minutes_are_counted_and_wrong_ones_named(inside: Visitor) -> None:
    url = planned(inside)
    inside.get(f"{url}/notes?kind=visit")
    minutes = {"kind": "visit", "action": "renew", "service.0": "exercise", "min.0": "23"}
    inside.send(f"{url}/notes", 200, fields={**minutes, "whole": "30"})
    assert "exercise" in inside.page
    assert "23" in inside.page
    inside.send(f"{url}/notes", 422, fields={**minutes, "min.0": "2x", "whole": "-1"})
    assert inside.page.count("whole minutes from 0") == 2
    inside.send(f"{url}/notes", 422, fields={**minutes, "service.1": "exercise", "min.1": "5"})
    assert "each service once" in inside.page


def test_minutes_never_overwrite_an_edited_text(inside: Visitor) -> None:
    url = planned(inside)
    inside.get(f"{url}/notes?kind=visit")
    drafted = re.findall(r'name="drafted" value="(\w+)"', inside.page)[0]
    made = re.findall(r'id="preview".*?>(.*?)</pre>', inside.page, re.S)[0]
    minutes = {"kind": "visit", "action": "renew", "service.0": "gait", "min.0": "20"}
    told = {**minutes, "drafted": drafted}
    inside.send(f"{url}/notes", 200, fields={**told, "text": made.replace("\n", "\r\n")})
    text = re.findall(r"<textarea.*?>(.*?)</textarea>", inside.page, re.S)[0]
    assert "gait" in text
    inside.send(f"{url}/notes", 200, fields={**told, "text": made + "My own line."})
    assert "My own line." in inside.page
    inside.send(f"{url}/notes", 422, fields={**told, "min.0": "x", "text": "My own."})
    assert "Minutes 1" in inside.page
    assert "My own." in inside.page


def test_an_edited_note_is_a_further_version(inside: Visitor) -> None:
    url = planned(inside)
    inside.get(f"{url}/notes?kind=visit")
    first = {"kind": "visit", "action": "keep", "follows": "0", "once": "n1"}
    inside.send(f"{url}/notes", fields={**first, "text": "What <b>was</b> done.\r\nAll."})
    assert "Text 1, " in inside.page
    inside.send(f"{url}/notes", fields={**first, "text": "What <b>was</b> done.\r\nAll."})
    inside.send(f"{url}/notes", fields={**first, "follows": "1", "once": "n2", "text": "More."})
    assert "Text 2, " in inside.page
    assert "Text 1, " in inside.page
    inside.send(f"{url}/notes", 409, fields={**first, "once": "n3", "text": "Stale."})
    assert "Somebody saved a newer version meanwhile" in inside.page
    assert "Stale." in inside.page
    inside.send(f"{url}/notes", 422, fields={**first, "once": "n4", "text": " "})
    assert inside.client.get(f"{url}/notes/1/note.txt").text == "What <b>was</b> done.\nAll."
    inside.get(f"{url}/notes/3/note.txt", 404)
    raw = inside.client.get(f"{url}/notes?kind=visit").text
    assert "<b>was" not in raw


# ------------------------------------------------------------------ all of them


def test_pages_of_the_way_back_answer_before_there_is_anything(inside: Visitor) -> None:
    url = inside.person()
    for step, said in (
        ("diary", "There is no programme to follow."),
        ("advice", "There is no programme to follow."),
        ("change", "Nothing was measured yet."),
        ("notes", "Without an examination there is no note."),
    ):
        assert said in inside.get(f"{url}/{step}")
        inside.get(f"/people/{'0' * 32}/{step}", 404)


def test_spanish_pages(inside: Visitor) -> None:
    url = planned(inside)
    inside.send("/language", language="es")
    later(inside, days=14)
    take(inside, url, led(inside, url, 14))
    assert re.search(r"Recogido: \d+ días\.", inside.page)
    assert "Subir" in inside.get(f"{url}/advice")
    assert "Juzgados:" in inside.get(f"{url}/change")
    assert "Evaluación" in inside.get(f"{url}/notes")
    assert "Llamar" in inside.get("/") or "revisión" in inside.page


def test_a_sheet_that_is_not_there_falls_back_to_the_next_to_type(inside: Visitor) -> None:
    url = planned(inside)
    for wrong in ("9:2026-01-01", "1:", "x", "1:2026-99-99", "../../etc"):
        assert '<table class="week">' in inside.get(f"{url}/diary?sheet={wrong}")


def test_after_a_stop_of_everything_there_is_nothing_to_follow(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=3)
    take(inside, url, led(inside, url, 3, warning=True))
    inside.get(f"{url}/advice")
    assert "Call first" in inside.page
    inside.send(f"{url}/advice", fields=answers(inside))
    assert "There is no programme to follow." in inside.page
    assert inside.client.get(f"{url}/programme/2/sheet.pdf").content.startswith(b"%PDF-")
    assert "No programme now; see the referral." in inside.get("/")
    assert "There is no programme to follow." in inside.get(f"{url}/diary")
    take(inside, url, "rungwise", 422)


def test_an_assistant_hands_over_and_a_reader_only_reads(inside: Visitor) -> None:
    url = planned(inside)
    later(inside, days=2)
    code = led(inside, url, 2)
    words = "plain words that are long"
    inside.by_password_alone()
    for name, role in (("Ada", "assistant"), ("Bo", "reader")):
        inside.casebook.accounts.add(LOCAL, name, role, words)
    for name, may in (("Bo", False), ("Ada", True)):
        inside.client = inside.another()
        inside.get("/enter")
        inside.send("/enter/sign-in", name=name, passphrase=words)
        inside.get(f"{url}/diary")
        assert ('id="code"' in inside.page) is may
        inside.get(f"{url}/advice")
        assert "Keep the decision" not in inside.page
        inside.send(f"{url}/advice", 403, fields=answers(inside))
        inside.get(f"{url}/notes")
        inside.send(f"{url}/notes", 403, kind="visit", action="keep", text="x")
        inside.get(f"{url}/diary")
        inside.send(f"{url}/diary/code", 303 if may else 403, code=code)
    assert len(inside.casebook.way(LOCAL, url.rpartition("/")[2]).logs) == 1
