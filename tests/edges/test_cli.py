"""The command line as a therapist or a script uses it: codes, tables, nothing half-written."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rungwise import clinic
from rungwise.cli import main
from rungwise.clinic import demo_exams, write_folder
from rungwise.core.errors import InputError

DEMOS = demo_exams()
TODAY = ["--today", "2026-11-20"]
ROOT = Path(__file__).parents[2]


@pytest.fixture
def walker(tmp_path: Path) -> Path:
    """The hill walker's examination as a file."""
    path = tmp_path / "walker.toml"
    path.write_text(DEMOS["hill-walker-grade-2"], "utf-8")
    return path


def run(capsys: pytest.CaptureFixture[str], *args: object) -> tuple[int, str, str]:
    """Run a command: code, output, errors."""
    code = main([str(arg) for arg in args])
    out, err = capsys.readouterr()
    return code, out, err


def test_plan_writes_every_sheet(
    walker: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "made"
    code, text, _ = run(capsys, "plan", walker, "--out", out, "--phone", *TODAY)
    assert code == 0
    names = {p.name for p in out.iterdir()}
    assert names == {
        "programme.pdf",
        "phone.html",
        "plan-code.txt",
        "programme.txt",
        "reminders.ics",
        "plan.json",
        "reasons.txt",
        "drawings",
    }
    assert (out / "programme.pdf").read_bytes().startswith(b"%PDF-1.7")
    plan = json.loads((out / "plan.json").read_text("utf-8"))
    assert plan["exam"]["person"]["label"] == "N-102"
    assert len(list((out / "drawings").iterdir())) >= 4
    assert str(out / "programme.pdf") in text
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".")]


def test_the_report_shows_reasons_sources_and_cautions(
    walker: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Shown beside every recommendation: inputs, rule and version, source and basis, what else
    # was possible, the uncertainty.
    _, text, _ = run(capsys, "plan", walker, "--out", "unused", "--no-sheets", *TODAY)
    flat = " ".join(text.split())
    for part in (
        "Not for emergencies",
        "No trial has tested",
        "plan.start v1",
        "practice; common_practice",
        "Considered and left out",
        "probability of each grade",
        "not a first rung",
        "measured",
    ):
        assert part in flat, part


@pytest.mark.parametrize(
    ("name", "code", "says"),
    [
        ("hill-walker-grade-2", 0, "GO"),
        ("hot-swollen-toe", 10, "today"),
        ("lost-sensation", 10, "REVIEW FIRST"),
    ],
)
def test_screen_codes_tell_scripts_without_crashing(
    name: str, code: int, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "e.toml"
    path.write_text(DEMOS[name], "utf-8")
    assert run(capsys, "screen", path, *TODAY)[0] == code
    _, text, _ = run(capsys, "screen", path, *TODAY)
    assert says in text


def test_no_programme_is_an_answer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "e.toml"
    path.write_text(DEMOS["hot-swollen-toe"], "utf-8")
    code, text, err = run(capsys, "plan", path, "--out", tmp_path / "o", *TODAY)
    assert (code, err) == (11, "")
    assert "No exercises" in text
    assert not (tmp_path / "o/programme.pdf").exists()
    assert (tmp_path / "o/not-now.pdf").read_bytes().startswith(b"%PDF-1.7")
    assert "Go to a hospital today" in (tmp_path / "o/not-now.txt").read_text("utf-8")
    assert "EMERGENCY" in (tmp_path / "o/reasons.txt").read_text("utf-8")


@pytest.mark.parametrize("command", ["screen", "grade", "ladder"])
def test_each_command_has_json(
    command: str, walker: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, text, _ = run(capsys, command, walker, "--json", *TODAY)
    assert code == 0
    json.loads(text)


def test_book_prints_a_row_its_source_and_its_uses(capsys: pytest.CaptureFixture[str]) -> None:
    code, text, _ = run(capsys, "book", "pain.safe_max")
    assert code == 0
    for part in ("pain.safe_max = 2", "basis", "source", "Ageberg", "used by", "exercise balance"):
        assert part in text
    assert run(capsys, "book", "pain")[0] == 0
    assert json.loads(run(capsys, "book", "pain.safe_max", "--json")[1])["row"]["value"] == 2
    code, _, err = run(capsys, "book", "no.such")
    assert code == 3
    assert "no.such" in err


def test_exam_new_then_check_names_what_is_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "new.toml"
    assert run(capsys, "exam", "new", "--out", path)[0] == 0
    code, _, err = run(capsys, "exam", "check", path)
    assert code == 3
    assert "person.label" in err
    assert "therapist" in err
    code, _, err = run(capsys, "exam", "new", "--out", path)  # never written over
    assert code == 3
    assert str(path) in err


def test_overrides_change_the_plan_and_are_named(
    walker: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        '["plan.length_days"]\nvalue = 14\nwho = "R. Alder"\nwhen = "2026-11-01"\nwhy = "soon"\n'
    )
    args = ("plan", walker, "--out", "unused", "--no-sheets", *TODAY, "--json")
    before = json.loads(run(capsys, *args)[1])
    after = json.loads(run(capsys, *args, "--overrides", own)[1])
    assert before["ends"] == "2026-12-17"
    assert after["ends"] == "2026-12-03"
    assert before["edition"] != after["edition"]


def test_bad_files_are_one_clear_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    binary = tmp_path / "b.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    large = tmp_path / "l.toml"
    large.write_bytes(b"#" * 1_100_000)
    for path in (tmp_path / "absent.toml", tmp_path, binary, large, Path("a\0b")):
        code, out, err = run(capsys, "screen", path)
        assert (code, out) == (3, "")
        assert err.startswith("rungwise: ")
        assert "Traceback" not in err


def test_a_folder_with_other_files_is_never_touched(
    walker: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "mine"
    out.mkdir()
    (out / "letter.txt").write_text("keep me")
    for extra in ((), ("--replace",)):
        code, _, err = run(capsys, "plan", walker, "--out", out, *TODAY, *extra)
        assert code == 3
        assert "out" in err
    assert [p.name for p in out.iterdir()] == ["letter.txt"]
    assert run(capsys, "plan", walker, "--out", out / "letter.txt", *TODAY)[0] == 3


def test_replace_replaces_an_earlier_plan(
    walker: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "made"
    assert run(capsys, "plan", walker, "--out", out, *TODAY)[0] == 0
    code, _, err = run(capsys, "plan", walker, "--out", out, *TODAY)
    assert code == 3
    assert "--replace" in err
    assert run(capsys, "plan", walker, "--out", out, *TODAY, "--replace", "--lang", "es")[0] == 0
    assert [p for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_a_full_disk_leaves_the_old_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "made"
    write_folder(out, {"plan.json": b"old"})

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        write_folder(out, {"plan.json": b"new", "b/c": b"x"}, replace=True)
    assert (out / "plan.json").read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["made"]


def test_a_killed_process_leaves_nothing_half_written(tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from rungwise.clinic import write_folder\n"
        "n = 0\n"
        "while True:\n"
        "    n += 1\n"
        "    files = {f'{i}.txt': str(n).encode() for i in range(20)} | {'plan.json': b'{}'}\n"
        "    write_folder(Path(sys.argv[1]), files, replace=True)\n"
        "    print(n, flush=True)\n"
    )
    for number in range(5):
        out = tmp_path / f"run{number}" / "made"
        process = subprocess.Popen(
            [sys.executable, "-c", script, str(out)],
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
        )
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.01 * number)
        process.send_signal(signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
        process.wait()
        process.stdout.close()
        if not out.exists():  # killed between two renames: the next use puts the old one back
            with pytest.raises(InputError, match="--replace"):
                write_folder(out, {"other.txt": b""})
        texts = [path.read_text() for path in out.glob("*.txt")]
        assert len(texts) == 20, "half-written"
        assert len(set(texts)) == 1, "two generations mixed"


def test_two_files_of_one_name_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = []
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        path = tmp_path / folder / "same.toml"
        path.write_text(DEMOS["runner-grade-1"], "utf-8")
        paths.append(path)
    code, _, err = run(capsys, "plan", *paths, "--out", tmp_path / "o", *TODAY)
    assert code == 3
    assert "same" in err
    assert not (tmp_path / "o").exists()


def test_many_at_once_a_faulty_one_does_not_stop_the_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "exams"
    folder.mkdir()
    for name in ("runner-grade-1", "hot-swollen-toe"):
        (folder / f"{name}.toml").write_text(DEMOS[name], "utf-8")
    (folder / "broken.toml").write_text("date = ", "utf-8")
    out = tmp_path / "o"
    code, text, err = run(capsys, "plan", folder, "--out", out, *TODAY, "--jobs", "2")
    assert code == 3
    assert "broken.toml" in err
    assert "runner-grade-1" in text
    assert {p.name for p in out.iterdir()} == {"runner-grade-1", "hot-swollen-toe"}


def test_the_demo_shows_everyone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, text, _ = run(capsys, "demo", "--out", tmp_path / "demo")
    assert code == 0
    for name in DEMOS:
        assert name in text
        assert (tmp_path / "demo" / name / "examination.toml").exists()
    assert len(DEMOS) >= 6


def test_pins_are_taken_from_a_file(
    walker: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pins = tmp_path / "pins.toml"
    pins.write_text(
        '[[pin]]\nfamily = "toe_press"\nside = "right"\nforce = "moderate"\n'
        'why = "did it before"\nby = "R. Alder"\n'
    )
    args = ("plan", walker, "--out", "unused", "--no-sheets", *TODAY, "--pins", pins)
    code, text, _ = run(capsys, *args)
    assert code == 0
    assert "WARNING" in text
    assert "did it before" in text


LINES = [i for i, line in enumerate(DEMOS["hill-walker-grade-2"].splitlines()) if " = " in line]


@settings(max_examples=25)
@given(
    line=st.sampled_from(LINES),
    value=st.sampled_from(
        (
            "nan",
            "-1",
            "1e308",
            '""',
            "[]",
            "{}",
            "true",
            "2026-01-01",
            '"#read(\\"/etc/passwd\\")"',
            '"<script>"',
            '"\\u202E"',
            '"\\u0007"',
            '"𓀀"',
            "'''\n'''",
            "0x7fffffffffffffff",
        )
    ),
)
def test_any_odd_value_gives_a_plan_or_an_error_and_never_half_a_folder(
    line: int, value: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("odd")
    lines = DEMOS["hill-walker-grade-2"].splitlines()
    lines[line] = f"{lines[line].partition(' = ')[0]} = {value}"
    path = folder / "exam.toml"
    path.write_text("\n".join(lines), "utf-8")
    code = main(["plan", str(path), "--out", str(folder / "o"), *TODAY])
    made = {p.name for p in folder.iterdir()} - {"exam.toml"}
    if code == 3:
        assert made == set()
    else:
        assert made == {"o"}
        assert (folder / "o/plan.json").exists()


def test_the_verbs_are_importable_from_the_package() -> None:
    import rungwise

    for name in rungwise.__all__:
        value: Any = getattr(rungwise, name)
        assert value is getattr(clinic, name)
    with pytest.raises(AttributeError):
        _ = rungwise.nothing


def shell(*args: object, env: Mapping[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "rungwise", *map(str, args)],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT / "src"), **(env or {})},
        check=False,
    )


@pytest.mark.parametrize(
    "environment",
    [
        {"PYTHONIOENCODING": "ascii"},
        {"PYTHONWARNINGS": "error"},
        {"LC_ALL": "C", "PYTHONUTF8": "0"},
    ],
)
def test_odd_terminals_get_an_answer(walker: Path, environment: dict[str, str]) -> None:
    done = shell("grade", walker, *TODAY, env=environment)
    assert done.returncode == 0, done.stderr
    assert "grade 2" in done.stdout


def test_what_cannot_be_is_one_clear_error(walker: Path, tmp_path: Path) -> None:
    long = shell("plan", walker, "--out", tmp_path / ("x" * 300), *TODAY)
    assert (long.returncode, long.stderr.count("\n")) == (3, 2)
    for wrong in (("--today", "9999-12-30"), ("--today", "soon"), ("--jobs", "0")):
        done = shell("plan", walker, "--out", tmp_path / "o", *wrong)
        assert done.returncode == 2
        assert "Traceback" not in done.stderr
    future = shell("plan", walker, "--out", tmp_path / "o", "--today", "2026-01-01")
    assert future.returncode == 3
    assert "to come" in future.stderr
    if Path("/dev/full").exists():
        with Path("/dev/full").open("w") as full:
            code = [sys.executable, "-m", "rungwise", "book"]
            where = {**os.environ, "PYTHONPATH": str(ROOT / "src")}
            done_full = subprocess.run(
                code, stdout=full, stderr=subprocess.PIPE, env=where, check=False
            )
        assert done_full.returncode == 3
        assert b"cannot write" in done_full.stderr
    assert not (tmp_path / "o").exists()


def test_a_pin_says_nothing_that_is_untrue(
    walker: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pins = tmp_path / "pins.toml"
    pins.write_text(
        '[[pin]]\nfamily = "heel_raise"\nside = "right"\nload = "hands_60"\n'
        'why = "did it for months"\nby = "R. Alder"\n'
    )
    args = ("plan", walker, "--out", "unused", "--no-sheets", *TODAY, "--pins", pins, "--json")
    plan = json.loads(run(capsys, *args)[1])
    (line,) = [e for e in plan["exercises"] if e["family"] == "heel_raise"]
    assert line["both"]
    rules = [r["rule"] for r in line["reasons"]]
    assert "plan.start" not in rules
    assert rules.count("plan.pinned") == 1
    assert len({w["says"] for w in line["warnings"]}) == len(line["warnings"]) > 0
    assert not [no for no in line["refused"] if no["what"] == "load:hands_60"]
