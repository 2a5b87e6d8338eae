"""What comes in by a file or a picture, and what goes out for another program to read.

Standards: RFC 4180; JSON Schema 2020-12; ISO 8601; OWASP ASVS 5.0 (std_17) 5.2, 5.3; ISO/IEC 18004.
segno, which is not ours, draws the codes; pandas and jsonschema read what goes out.
"""

from __future__ import annotations

import csv
import io
import json
import re
import threading
import time
import tomllib
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema
import pypdf
import pytest
import segno
from PIL import Image
from sqlalchemy import select

from rungwise import casebook_in, pictures
from rungwise.book import load_book
from rungwise.casebook import LOCAL, Casebook, NotAllowedError, Who
from rungwise.casebook_in import Kind, import_people, kind_of, log_codes, read_file, read_people
from rungwise.casebook_out import export_all
from rungwise.columns import tables_of
from rungwise.core.errors import InputError
from rungwise.diary import Kept, write_kept
from rungwise.home import HomeEntry, HomeLog, HomeSession
from rungwise.log_code import write_log_code
from rungwise.plan_code import read_plan_code
from rungwise.records import tables as t
from rungwise.records.arrivals import Arrival, add_people
from rungwise.web.jobs import StoppedError
from tests.web.kit import BASE, EXAMS, Visitor
from tests.web.test_web_office import rows, taken, unzipped, upload, with_plan

BOOK = load_book()
HOSTILE = (
    '=HYPERLINK("x")',
    "+1",
    "-2",
    "@SUM(A1)",
    "'quoted",
    'say "no"',
    "a,b;c",
    "<b>&amp;",
    "1e5",
)


@pytest.fixture
def inside(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path).start()


def logs(casebook: Casebook, person: str, parts: int = 1) -> list[str]:
    """Log codes of some days of a diary, one code for each day."""
    home = read_plan_code(casebook.person(LOCAL, person).plan_code)
    found = []
    for n in range(parts):
        entry = HomeEntry(0, "all", "", 2, 10, 2, 3 + n, 1)
        log = HomeLog(
            home.number,
            home.version,
            n,
            (HomeSession(home.starts + timedelta(days=n), (entry,)),),
        )
        found.append(write_log_code(log, home))
    return found


def shot(*texts: str, kind: str = "PNG") -> bytes:
    """A screenshot of QR codes, one below the other."""
    drawn = []
    for text in texts:
        out = io.BytesIO()
        segno.make_qr(text, error="m").save(out, kind="png", scale=6, border=4)
        drawn.append(Image.open(out).convert("RGB"))
    size = max(one.width for one in drawn) + 80, sum(one.height + 40 for one in drawn)
    screen, at = Image.new("RGB", size, "white"), 20
    for one in drawn:
        screen.paste(one, (40, at))
        at += one.height + 40
    held = io.BytesIO()
    screen.save(held, kind)
    return held.getvalue()


# ------------------------------------------------------------------ what it is


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (EXAMS["hill-walker-grade-2"], "exam"),
        ("# a remark\n[person]\nlabel = 'x'", "exam"),
        ("label = 'broken", "exam"),
        ("label,look_on\nA,", "people"),
        ("\ufefflook_on,label\r\n,A\r\n", "people"),
        ('"label"\nA', "people"),
        ("  RW1Labc\n", "log"),
        ("RW1Pabc", "log"),
    ],
)
def test_what_a_file_is_shows_by_what_is_in_it(text: str, kind: Kind) -> None:
    assert kind_of(text) == kind


@pytest.mark.parametrize("text", ["", "hello", "a,b\n1,2", "{}", "<html>", "[" * 10_000])
def test_a_text_that_is_nothing_known_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        kind_of(text)


def test_one_field_takes_each_sort_and_shows_it_before_it_is_saved(inside: Visitor) -> None:
    person = with_plan(inside)
    (code,) = logs(inside.casebook, person)
    inside.get("/files")
    tricks = "../../../etc/passwd\0.exe"
    page = upload(inside, "/files/look", EXAMS["hill-walker-grade-2"].encode(), name=tricks)
    assert 'name="whose"' in page
    page = upload(inside, "/files/look", b"label\nB-1\nB-2\n", name="x.toml")
    assert "Would add people: 2" in page
    page = upload(inside, "/files/look", code.encode(), name="x.csv")
    assert "N-102" in page
    page = upload(inside, "/files/look", shot(code), name="x.txt")
    assert "N-102" in page
    assert code in page
    assert inside.casebook.people(LOCAL).total == 1
    assert inside.casebook.person(LOCAL, person).exam_version == 1
    assert inside.casebook.person(LOCAL, person).latest("handover") is None
    for data in (b"", b"hello", b"\x89PNG\r\n\x1a\n", b"PK\3\4", shot("another text")):
        upload(inside, "/files/look", data, 422)
    assert "closer" in upload(inside, "/files/look", plain_picture(), 422)


def plain_picture() -> bytes:
    held = io.BytesIO()
    Image.new("RGB", (200, 100), "white").save(held, "JPEG")
    return held.getvalue()


def test_brackets_in_brackets_are_refused(inside: Visitor) -> None:
    inside.get("/files")
    upload(inside, "/files/look", b"a = " + b"[" * 50_000, 422)
    upload(inside, "/files/look", b"a = 1\n" * 50_000, 422)


def test_an_examination_is_dropped_on_the_page_of_its_person(inside: Visitor) -> None:
    text = EXAMS["hill-walker-grade-2"]
    label = str(tomllib.loads(text)["person"]["label"])
    mine, other = inside.person(label), inside.person("N-104")
    page = inside.get(f"{mine}/exam")
    assert f'action="{mine}/exam/file"' in page
    assert "data-drop" in page
    upload(inside, f"{other}/exam/file", text.encode(), 422)
    page = upload(inside, f"{mine}/exam/file", text.encode())
    person = mine.rpartition("/")[2]
    assert f'value="{person}:0"' in page
    assert 'value="new"' not in page
    once = re.findall(r'name="once" value="(\w+)"', page)[0]
    fields = {"text": text, "once": once, "save": "yes", "whose": f"{person}:0"}
    inside.send("/files/exam", fields=fields)
    assert inside.casebook.person(LOCAL, person).exam_version == 1


# ------------------------------------------------------------------ codes from pictures


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "WEBP"])
def test_a_picture_of_the_codes_goes_into_the_diary_and_is_not_kept(
    inside: Visitor, tmp_path: Path, kind: str
) -> None:
    person = with_plan(inside)
    two_days_later(inside)
    codes = logs(inside.casebook, person, 2)
    picture = shot(*codes, kind=kind)
    page = inside.get(f"/people/{person}/diary")
    assert "image/webp" in page
    upload(inside, f"/people/{person}/diary/code", picture, 303)
    assert len(handovers(inside, person)) == 2
    inside.get(f"/people/{person}/diary")
    upload(inside, f"/people/{person}/diary/code", picture, 422)  # all of it is known
    both = "\n".join([codes[0], *logs(inside.casebook, person, 3)[2:]])
    inside.get(f"/people/{person}/diary")
    upload(inside, f"/people/{person}/diary/code", both.encode(), 303)  # one of them is new
    assert len(handovers(inside, person)) == 3
    inside.casebook.lock()
    for path in tmp_path.rglob("*"):  # neither the file as it came nor its pixels
        assert not path.is_file() or picture[100:160] not in path.read_bytes()


def two_days_later(visitor: Visitor) -> None:
    visitor.clock.on(days=2)
    if visitor.casebook.on_server:
        visitor.start()
        return
    visitor.come_back()


def handovers(visitor: Visitor, person: str) -> list[Any]:
    return [r for r in visitor.casebook.person(LOCAL, person).records if r.kind == "handover"]


def test_codes_of_two_people_are_refused(inside: Visitor) -> None:
    first = with_plan(inside)
    text = EXAMS["hill-walker-grade-2"].replace("label =", "label = 'N-9' # ")
    other = casebook_in.import_exam(inside.casebook, LOCAL, text, "", 0, "x")
    inside.casebook.keep_plan(LOCAL, other, "", 0)
    codes = [*logs(inside.casebook, first), *logs(inside.casebook, other)]
    assert log_codes("\n".join(codes)) == tuple(codes)
    inside.get("/files")
    assert "one person" in upload(inside, "/files/look", shot(*codes), 422)


def test_an_upload_never_reaches_a_file_and_its_words_never_the_log(
    inside: Visitor, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    import tempfile

    def none(*_: object, **__: object) -> None:
        raise AssertionError("a file was made")

    for name in ("TemporaryFile", "NamedTemporaryFile", "mkstemp"):
        monkeypatch.setattr(tempfile, name, none)
    inside.get("/files")
    picture = shot("a canary that is no code") + bytes(3_000_000)
    upload(inside, "/files/look", picture, 422)
    upload(inside, "/files/look", b"canary " * 300_000, 422)
    assert "canary" not in caplog.text


def test_a_picture_that_is_too_large_is_refused_before_it_is_decoded(inside: Visitor) -> None:
    inside.get("/files")
    assert "20 MB" in upload(inside, "/files/look", shot("x") + bytes(pictures.BYTES_MAX), 422)
    upload(inside, "/files/look", bytes(22_000_000), 413)


# ------------------------------------------------------------------ people


def listed(count: int, name: str = "P") -> str:
    return "label,look_on,look_why\n" + "".join(
        f"{name}-{n:05d},2026-12-01,first visit\n" for n in range(count)
    )


def test_every_fault_of_a_long_list_is_found_and_the_first_are_shown(inside: Visitor) -> None:
    text = listed(300).replace("2026-12-01", "2026-12-41")
    with pytest.raises(InputError) as found:
        read_people(text)
    assert len(found.value.faults) == 300
    inside.get("/files")
    page = upload(inside, "/files/look", text.encode(), 422)
    assert "row 201, look on" in page
    assert "row 202, look on" not in page
    assert "100 faults more" in page


def test_a_list_is_bounded_before_it_is_taken_apart() -> None:
    assert len(read_people(listed(20_000))) == 20_000
    started = time.perf_counter()
    for text in (listed(20_001), "label" + "," * 5_000_000, "label\n" + "\n" * 5_000_000):
        with pytest.raises(InputError):
            read_people(text)
    wide = "label," + ",".join(f"c{n}" for n in range(100_000))
    with pytest.raises(InputError):
        read_people(wide)
    assert time.perf_counter() - started < 2


def test_a_list_leaves_what_adding_each_of_them_leaves(inside: Visitor) -> None:
    """The same rows, audit and caseload; the chain is whole; computed again it is the same."""
    casebook = inside.casebook
    many = "label,look_on,look_why\nA-1,2026-12-01,call\nÄ-2,,\n'=1+1,2026-12-02,\n"
    assert import_people(casebook, LOCAL, many, "list:1") == 3
    with casebook.store.work(LOCAL) as work:
        for one in read_people(
            many.replace("A-1", "B-1").replace("Ä-2", "B-2").replace("1+1", "2")
        ):
            person = work.add_person(one.label)
            if one.look_on:
                work.set_look(person, one.look_on, one.look_why)
    found = [casebook.person(LOCAL, row.person_id) for row in casebook.people(LOCAL).rows]
    told: dict[str, list[Any]] = {"list": [], "each": []}
    for file in found:
        how = "each" if file.label.startswith("B") or file.label == "=2" else "list"
        told[how].append([(r.kind, r.version, r.by, r.facts) for r in file.records])
    assert sorted(map(str, told["list"])) == sorted(map(str, told["each"]))
    with casebook.store.work(LOCAL) as work:
        before = work.connection.execute(select(t.summary).order_by(t.summary.c.person_id)).all()
    casebook.store.rebuild()
    with casebook.store.work(LOCAL) as work:
        again = work.connection.execute(select(t.summary).order_by(t.summary.c.person_id)).all()
    assert before == again
    assert casebook.store.check().whole


def test_a_list_sent_twice_adds_people_once_and_a_label_got_meanwhile_stops_it(
    inside: Visitor,
) -> None:
    casebook = inside.casebook
    assert import_people(casebook, LOCAL, listed(5), "list:1") == 5
    assert import_people(casebook, LOCAL, listed(5), "list:1") == 5
    assert casebook.people(LOCAL).total == 5
    with pytest.raises(InputError):
        import_people(casebook, LOCAL, listed(9), "list:2")
    assert casebook.people(LOCAL).total == 5
    reader = Who("a reader", frozenset({"reader"}))
    with pytest.raises(NotAllowedError):
        import_people(casebook, reader, listed(2, "R"), "list:3")


def test_others_work_while_a_long_list_comes_in(inside: Visitor) -> None:
    """5,000 people: while they are prepared nobody waits; then all are written within moments."""
    casebook, waits, over = inside.casebook, [0.0], threading.Event()

    def others() -> None:
        n = 0
        while not over.is_set():
            started = time.perf_counter()
            with casebook.store.work(LOCAL) as work:
                work.add_person(f"other {(n := n + 1)}")
            waits.append(time.perf_counter() - started)

    beside = threading.Thread(target=others)
    beside.start()
    started = time.perf_counter()
    assert import_people(casebook, LOCAL, listed(5_000), "list:1") == 5_000
    whole = time.perf_counter() - started
    over.set()
    beside.join()
    assert len(waits) > 2
    assert max(waits) < max(5, whole)  # far from the 30 s after which a save is given up
    assert casebook.store.check().whole


def test_the_writing_of_a_list_is_stopped_as_a_whole(inside: Visitor) -> None:
    people = [Arrival(f"S-{n}", None, "") for n in range(2_500)]
    seen: list[int] = []

    def step(done: int, total: int) -> None:
        seen.append(done)
        if seen.count(total) == 3:  # two thousand of them are written, not kept
            raise StoppedError("stopped")

    with pytest.raises(StoppedError):
        add_people(inside.casebook.store, LOCAL, people, "list:9", step)
    assert seen[:3] == [0, 100, 200]
    assert inside.casebook.people(LOCAL).total == 0
    assert inside.casebook.store.check().whole


# ------------------------------------------------------------------ what goes out


def filled(visitor: Visitor) -> str:
    """Records with a diary, a note, and labels that are hostile."""
    person = with_plan(visitor)
    home = read_plan_code(visitor.casebook.person(LOCAL, person).plan_code)
    entry = HomeEntry(0, "part", "pain", 1, 8, 2, 6, None, sharp=True)
    log = HomeLog(home.number, home.version, 0, (HomeSession(home.starts, (entry,)),))
    with visitor.casebook.store.work(LOCAL) as work:
        kept = Kept("phone", visitor.casebook.today(), log)
        work.add_handover(person, write_kept(kept), visitor.casebook.today(), 1)
        work.add_note(person, "progress", "=1+1 «ä»\r\nsecond, line")
        for label in HOSTILE:
            work.add_person(label)
    return person


def exported(visitor: Visitor, how: str, **more: Any) -> dict[str, bytes]:
    visitor.get("/files")
    visitor.send(f"/files/{how}", **more)
    return unzipped(taken(visitor))


@pytest.mark.parametrize("how", ["everything", "research", "shifted", "one"])
def test_each_column_that_goes_out_is_explained_and_nothing_else(inside: Visitor, how: str) -> None:
    person = filled(inside)
    if how == "one":
        inside.get(f"/people/{person}")
        files = unzipped(post(inside, f"/people/{person}/export"))
    elif how == "everything":
        files = exported(inside, how)
    else:
        files = exported(inside, "research", shifted="yes" if how == "shifted" else "")
    told = rows(files["columns.csv"])
    assert list(told[0]) == ["table", "column", "kind", "unit", "meaning"]
    for row in told:
        assert row["meaning"]
        assert row["unit"]
    wanted: dict[str, list[str]] = {}
    for row in told:
        if row["column"] != "shifted_date" or how == "shifted":
            wanted.setdefault(row["table"], []).append(row["column"])
    found = {
        Path(name).stem: next(csv.reader(io.StringIO(data.decode())))
        for name, data in files.items()
        if name.endswith(".csv") and Path(name).stem not in ("columns", "measures")
    }
    assert found == wanted
    assert all(len(data.splitlines()) > 1 for name, data in files.items() if name.endswith(".csv"))
    assert b"\r\n" in files["README.txt"]
    if how != "one":
        known = {row["measure"]: row for row in rows(files["measures.csv"])}
        table = "readings.csv" if how != "everything" else "tables/readings.csv"
        for row in rows(files[table]):
            assert known[row["measure"]]["unit"] == row["unit"]
    kinds = {(row["table"], row["column"]): row["kind"] for row in told}
    for name, data in files.items():
        for row in rows(data) if name.endswith(".csv") and Path(name).stem in found else ():
            for column, cell in row.items():
                assert fits(kinds[Path(name).stem, column], cell), (name, column, cell)


def fits(kind: str, cell: str) -> bool:
    pattern = {
        "whole": r"-?\d+",
        "number": r"-?\d+(\.\d+)?",
        "day": r"\d{4}-\d\d-\d\d",
        "time": r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z",
        "word": r"[\w/ ^().·*+-]+",
    }.get(kind, r"(?s).*")
    return not cell or re.fullmatch(pattern, cell) is not None


def post(visitor: Visitor, url: str) -> bytes:
    headers = {"origin": BASE, "sec-fetch-site": "same-origin"}
    data = {"token": visitor.token(), "reader": "the patient"}
    found = visitor.client.post(url, data=data, headers=headers)
    assert found.status_code == 200, found.text[:500]
    return bytes(found.content)


def test_what_goes_out_is_read_by_other_programs(inside: Visitor) -> None:
    pandas = pytest.importorskip("pandas")
    person = filled(inside)
    files = exported(inside, "everything")
    people = pandas.read_csv(io.BytesIO(files["tables/people.csv"]), dtype=str)
    bare = people["label"].str.replace("^'", "", regex=True)
    assert set(HOSTILE) - {"'quoted"} <= set(bare)
    assert not people["label"].str.match(r"[=+\-@]").any()
    diary = pandas.read_csv(io.BytesIO(files["tables/diary.csv"]), parse_dates=["day"])
    assert diary["during"].tolist() == [6]
    assert diary["day"].dt.year.tolist() == [2026]
    lines = pandas.read_csv(io.BytesIO(files["tables/programmes.csv"]))
    joined = diary.merge(
        lines, left_on=["person", "programme", "line"], right_on=["person", "version", "line"]
    )
    assert len(joined) == 1  # each line of the diary has its exercise
    notes = rows(files["tables/notes.csv"])
    assert notes[0]["text"] == "'=1+1 «ä»\r\nsecond, line"
    told = json.loads(files["records.json"])
    jsonschema.Draft202012Validator(json.loads(files["records.schema.json"])).validate(told)
    assert {record["kind"] for record in told} >= {"label", "exam", "plan", "handover", "note"}
    assert {record["seq"] for record in told if record["of"] == person}
    inside.get(f"/people/{person}")
    alone = json.loads(unzipped(post(inside, f"/people/{person}/export"))["record.json"])
    jsonschema.Draft202012Validator(json.loads(files["records.schema.json"])).validate(alone)


def test_an_empty_table_keeps_its_header(inside: Visitor) -> None:
    files = unzipped(export_all(inside.casebook, LOCAL))
    for name, columns in tables_of("all").items():
        assert files[f"tables/{name}.csv"].decode() == ",".join(columns) + "\r\n"
    assert json.loads(files["records.json"]) == []


def test_sheets_of_fifty_people_are_made_with_progress_and_stopped(inside: Visitor) -> None:
    from rungwise.casebook_out import people_with_plan, print_sheets

    text, ids = EXAMS["hill-walker-grade-2"], []
    for n in range(50):
        own = text.replace("label =", f"label = 'N-{n:03d}' # ")
        person = casebook_in.import_exam(inside.casebook, LOCAL, own, "", 0, f"x{n}")
        inside.casebook.keep_plan(LOCAL, person, "", 0)
        ids.append(person)
    assert len(people_with_plan(inside.casebook, LOCAL)) == 50
    seen: list[tuple[int, int]] = []

    def step(done: int, total: int) -> None:
        seen.append((done, total))
        if done == 3:
            raise StoppedError("stopped")

    with pytest.raises(StoppedError):
        print_sheets(inside.casebook, LOCAL, ids, "a4", step)
    assert seen == [(n, 50) for n in range(4)]
    sheets = unzipped(print_sheets(inside.casebook, LOCAL, ids[:3], "a4"))
    assert sorted(sheets) == sorted(f"{one[:6].upper()}-programme-1.pdf" for one in ids[:3])
    for data in sheets.values():
        assert len(pypdf.PdfReader(io.BytesIO(data)).pages) > 1


def test_a_file_is_read_as_what_it_holds() -> None:
    assert read_file("\ufefflabel\nÄ".encode(), "people") == "label\nÄ"
    for data in (b"\xff\xfe", b"a\0b", "ä".encode("latin-1")):
        with pytest.raises(InputError):
            read_file(data, "people")
