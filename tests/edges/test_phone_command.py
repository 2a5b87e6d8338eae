"""``rungwise phone``: one file, or a folder for a web host; nothing half-written, nothing lost."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from rungwise.cli import main
from rungwise.clinic import demo_exams, write_file
from rungwise.core.errors import InputError
from rungwise.kept import read_plan
from rungwise.plain import to_json
from rungwise.plan_code import read_plan_code

NAME, DAY = "runner-grade-1", "2026-11-20"
ROOT = Path(__file__).parents[2]


def planned(folder: Path, name: str = NAME) -> Path:
    """Folder of a plan, as the command writes it."""
    exam = folder / f"{name}.toml"
    exam.write_text(demo_exams()[name], "utf-8")
    out = folder / f"{name}-plan"
    args = ["plan", str(exam), "--out", str(out), "--phone", "--today", DAY]
    assert main(args) in (0, 10, 11)
    return out


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return planned(tmp_path_factory.mktemp("plan"))


@pytest.fixture(scope="module")
def without(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return planned(tmp_path_factory.mktemp("none"), "hot-swollen-toe")


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


# ------------------------------------------------------------------ one file


def test_one_file_is_the_page_of_the_plan(plan: Path, tmp_path: Path) -> None:
    out = tmp_path / "new" / "page.html"
    assert main(["phone", str(plan), "--out", str(out)]) == 0
    assert out.read_bytes() == (plan / "phone.html").read_bytes()
    assert [p.name for p in out.parent.iterdir()] == ["page.html"]


def test_it_is_made_anew_and_not_copied(plan: Path, tmp_path: Path) -> None:
    copy = tmp_path / "plan"
    copy.mkdir()
    for name in ("plan.json", "plan-code.txt"):
        (copy / name).write_bytes((plan / name).read_bytes())
    (copy / "phone.html").write_text("stale")
    assert main(["phone", str(copy), "--out", str(tmp_path / "a.HTML")]) == 0
    assert (tmp_path / "a.HTML").read_bytes() == (plan / "phone.html").read_bytes()


def test_another_language_for_one_file(plan: Path, tmp_path: Path) -> None:
    out = tmp_path / "es.html"
    assert main(["phone", str(plan), "--out", str(out), "--lang", "es"]) == 0
    assert '<html lang="es"' in out.read_text("utf-8")


def test_a_file_that_is_there_stays(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "page.html"
    out.write_text("mine")
    assert main(["phone", str(plan), "--out", str(out)]) == 3
    assert "add --replace" in capsys.readouterr().err
    assert out.read_text() == "mine"
    assert main(["phone", str(plan), "--out", str(out), "--replace"]) == 0
    assert out.read_text("utf-8").startswith("<!doctype html>")


def test_a_folder_of_that_name_stays(plan: Path, tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    (out / "inside").mkdir(parents=True)
    assert main(["phone", str(plan), "--out", str(out), "--replace"]) == 3
    assert (out / "inside").is_dir()


@pytest.mark.parametrize(
    "name",
    [
        "a b.html",
        "-x.html",
        "..html",
        "ü\N{SNOWMAN}.html",
        "$(touch x).html",
        "a\nb.html",
        "*.html",
        "[a].html",
    ],
)
def test_hostile_names_are_names(plan: Path, tmp_path: Path, name: str) -> None:
    out = tmp_path / name
    assert main(["phone", str(plan), f"--out={out}"]) == 0
    assert [p.name for p in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("name", ["x" * 300 + ".html", "plan.json/page.html"])
def test_a_file_that_cannot_be_written_is_told(
    plan: Path, tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plan.json").write_text("a file")
    assert main(["phone", str(plan), "--out", str(tmp_path / name)]) == 3
    assert "a file that can be written" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]


def test_one_file_needs_a_plan_and_one_language(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "page.html")
    assert main(["phone", "--out", out]) == 3
    assert main(["phone", str(plan), "--out", out, "--lang", "en", "--lang", "es"]) == 3
    assert capsys.readouterr().err.count("One .html file holds one plan") == 2
    assert not any(tmp_path.iterdir())


def test_a_killed_process_leaves_the_old_file(tmp_path: Path) -> None:
    """Killed while the new one is being written."""
    path = tmp_path / "page.html"
    path.write_text("old")
    text = (
        "import os, signal, pathlib, sys\nfrom rungwise import clinic\n"
        "os.fsync = lambda fd: os.kill(os.getpid(), signal.SIGKILL)\n"
        "clinic.write_file(pathlib.Path(sys.argv[1]), b'new' * 100000, True)\n"
    )
    done = subprocess.run([sys.executable, "-c", text, str(path)], check=False)
    assert done.returncode == -signal.SIGKILL
    assert path.read_text() == "old"
    (left,) = (p for p in tmp_path.iterdir() if p != path)
    write_file(path, b"newer", replace=True)
    assert left.exists()  # it may be at work still
    os.utime(left, (0, 0))
    write_file(path, b"newest", replace=True)
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]
    assert path.read_bytes() == b"newest"


# ------------------------------------------------------------------ a folder


def test_a_folder_for_a_host_holds_no_plan(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bare, named = tmp_path / "bare", tmp_path / "named"
    assert main(["phone", "--out", str(bare)]) == 0
    capsys.readouterr()
    assert main(["phone", str(plan), "--out", str(named)]) == 0
    code = (plan / "plan-code.txt").read_text().strip()
    assert capsys.readouterr().out.splitlines()[-1] == f"index.html#{code}"
    assert files_of(bare) == files_of(named)
    assert {"index.html", "sw.js", "pack-en.json", "pack-es.json"} <= {*files_of(bare)}
    assert not any(re.search(rb"RW1P[\w-]{40}", data) for data in files_of(named).values())


def test_json_tells_the_same(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "web"
    assert main(["phone", str(plan), "--out", str(out), "--lang", "en", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    read_plan_code(told["link"].removeprefix("index.html#"))
    assert {Path(p).name for p in told["written"]} == {*files_of(out)}
    assert "pack-es.json" not in files_of(out)


def test_the_link_is_whole_where_the_clinic_has_an_address(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    address = "https://clinic.example.org/home/"
    head, mark, tail = demo_exams()["runner-grade-1"].partition("[clinic]\n")
    exam = tmp_path / "exam.toml"
    exam.write_text(f'{head}{mark}page_address = "{address}"\n{tail}', "utf-8")
    folder = tmp_path / "plan"
    assert main(["plan", str(exam), "--out", str(folder), "--today", "2026-11-20"]) == 0
    capsys.readouterr()
    assert main(["phone", str(folder), "--out", str(tmp_path / "web"), "--lang", "en"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[-2] == "For this patient alone"
    assert told[-1] == f"{address}#{(folder / 'plan-code.txt').read_text().strip()}"
    assert address not in (folder / "plan-code.txt").read_text()


def test_a_folder_is_replaced_only_when_it_is_such_a_page(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "web"
    assert main(["phone", "--out", str(out)]) == 0
    assert main(["phone", "--out", str(out), "--lang", "en"]) == 3
    assert "pack-es.json" in files_of(out)
    assert main(["phone", "--out", str(out), "--lang", "en", "--replace"]) == 0
    assert "pack-es.json" not in files_of(out)
    (out / "notes.txt").write_text("mine")
    assert main(["phone", "--out", str(out), "--lang", "en", "--replace"]) == 3
    assert "it holds notes.txt" in capsys.readouterr().err
    assert (out / "notes.txt").read_text() == "mine"


def test_the_folder_of_a_plan_is_never_replaced(plan: Path) -> None:
    before = files_of(plan)
    assert main(["phone", str(plan), "--out", str(plan), "--replace"]) == 3
    assert files_of(plan) == before


def test_a_page_without_the_language_of_the_patient_is_not_made(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["phone", str(plan), "--out", str(tmp_path / "w"), "--lang", "es"]) == 3
    assert "Add --lang en." in capsys.readouterr().err
    assert main(["phone", "--out", str(tmp_path / "w"), "--lang", "../en"]) == 3
    assert not any(tmp_path.iterdir())


# ------------------------------------------------------------------ plans that cannot go home


def test_who_may_not_exercise_gets_no_page(
    without: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for out in ("page.html", "web"):
        assert main(["phone", str(without), "--out", str(tmp_path / out)]) == 3
        assert "There is nothing to take home." in capsys.readouterr().err
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize("lost", ["plan.json", "plan-code.txt"])
def test_a_folder_without_plan_or_code(
    plan: Path, tmp_path: Path, lost: str, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "plan"
    copy.mkdir()
    for name in {"plan.json", "plan-code.txt"} - {lost}:
        (copy / name).write_bytes((plan / name).read_bytes())
    assert main(["phone", str(copy), "--out", str(tmp_path / "p.html")]) == 3
    assert f"{lost}: No such file" in capsys.readouterr().err
    assert not (tmp_path / "p.html").exists()


def test_an_examination_is_no_plan(plan: Path, tmp_path: Path) -> None:
    exam = plan.parent / f"{NAME}.toml"
    assert main(["phone", str(exam), "--out", str(tmp_path / "p.html")]) == 3


def changed(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new, 1)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"days_per_week": 5', '"days_per_week": "5"', "days_per_week"),
        ('"sets": ', '"sets": 1', "of another plan"),
        ('"side": "left"', '"side": "middle"', "side"),
        ('"ends": ', '"end": ', "plan"),
        ('"starts": "2026', '"starts": "never', "starts"),
        ('"edition": "', '"edition": "0', "edition"),
        ("{", "", "no JSON"),
        ('"mass_kg": ', '"mass_kg": NaN, "x": ', "person"),
    ],
)
def test_a_plan_that_was_changed_is_refused(
    plan: Path,
    tmp_path: Path,
    old: str,
    new: str,
    says: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    copy = tmp_path / "plan"
    copy.mkdir()
    text = (plan / "plan.json").read_text("utf-8")
    (copy / "plan.json").write_text(changed(text, old, new), "utf-8")
    (copy / "plan-code.txt").write_bytes((plan / "plan-code.txt").read_bytes())
    assert main(["phone", str(copy), "--out", str(tmp_path / "p.html")]) == 3
    assert says in capsys.readouterr().err
    assert not (tmp_path / "p.html").exists()


def test_code_and_plan_must_belong_together(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = planned(tmp_path, "hill-walker-grade-2")
    (other / "plan-code.txt").write_bytes((plan / "plan-code.txt").read_bytes())
    assert main(["phone", str(other), "--out", str(tmp_path / "web")]) == 3
    assert "of another plan" in capsys.readouterr().err
    (other / "plan-code.txt").write_text("RW1PAAAA")
    assert main(["phone", str(other), "--out", str(tmp_path / "web")]) == 3
    assert not (tmp_path / "web").exists()


def test_every_plan_comes_back_as_it_was(plan: Path, without: Path) -> None:
    for folder in (plan, without):
        text = (folder / "plan.json").read_text("utf-8")
        assert to_json(read_plan(text)) == text


@pytest.mark.parametrize("text", ["", "[]", "null", "{}", "[" * 100_000, "9" * 5000, '"\\ud800"'])
def test_what_is_no_plan_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="a plan made by this rungwise"):
        read_plan(text)


# ------------------------------------------------------------------ in the package


def test_the_wheel_carries_scripts_style_and_codes() -> None:
    """Hatchling takes the whole folder of the package but for what git ignores."""
    spec = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    targets = spec["tool"]["hatch"]["build"]["targets"]
    assert targets["wheel"] == {"packages": ["src/rungwise"]}
    assert not {"exclude", "only-include"} & spec["tool"]["hatch"]["build"].keys()
    folder = ROOT / "src/rungwise"
    wanted = [*folder.glob("phone/*.js"), *folder.glob("phone/*.css"), *folder.glob("data/codes/*")]
    assert {"notice.js", "page.css", "first_mtp.toml"} <= {path.name for path in wanted}
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("not a git checkout")
    told = "\0".join(map(str, wanted))
    command = ["git", "check-ignore", "-z", "--stdin"]
    ignored = subprocess.run(
        command, cwd=ROOT, input=told.encode(), capture_output=True, check=False
    )
    assert (ignored.returncode, ignored.stdout) == (1, b"")
