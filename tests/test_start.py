"""start.py: what it decides and says. It installs nothing here; .ci/run runs the real thing."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]


def load() -> Any:
    """Load start.py as a module of its own."""
    spec = importlib.util.spec_from_file_location("start_here", ROOT / "start.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def place(module: Any, folder: Path) -> None:
    """Let the module believe that it stands in that folder."""
    module.ROOT, module.VENV = folder, folder / ".venv"
    module.STATE = module.VENV / "state.json"
    module.SCRIPTS = module.VENV / module.SCRIPTS.name
    module.PYTHON = module.SCRIPTS / module.PYTHON.name


@pytest.fixture
def made() -> list[str]:
    """Return what was made, in order."""
    return []


@pytest.fixture
def start(tmp_path: Path, made: list[str]) -> Any:
    """Return start.py in a folder of its own, with an installer that only takes notes."""
    module = load()
    place(module, tmp_path)
    for name in (module.RUN, module.DEV, "start.py"):
        (tmp_path / name).write_text(name)

    def make_venv(with_pip: bool) -> None:
        made.append("venv")
        module.SCRIPTS.mkdir(parents=True, exist_ok=True)
        module.PYTHON.write_text("")

    module.make_venv = make_venv
    module.works = Path.exists
    module.install = lambda lock, uv: made.append(lock)
    module.make_importable = lambda: None
    return module


def test_an_old_python_can_read_it_and_is_told() -> None:
    ast.parse((ROOT / "start.py").read_text("utf-8"), feature_version=(3, 6))
    ask = (
        "import sys; sys.version_info = (3, 8, 1); sys.argv = ['start.py', 'setup']\n"
        "import runpy; runpy.run_path('start.py', run_name='__main__')"
    )
    done = subprocess.run(
        [sys.executable, "-c", ask],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr.startswith("This is Python 3.8; rungwise needs Python 3.11 or newer.")


def test_a_second_run_has_nothing_to_do(start: Any, made: list[str]) -> None:
    start.set_up(dev=False)
    start.set_up(dev=False)
    assert made == ["venv", "requirements.lock"]


def test_development_adds_to_what_is_there(start: Any, made: list[str]) -> None:
    start.set_up(dev=False)
    start.set_up(dev=True)
    start.set_up(dev=False)
    assert made == ["venv", "requirements.lock", "requirements-dev.lock"]


def test_a_new_lock_is_installed_into_the_same_environment(start: Any, made: list[str]) -> None:
    start.set_up(dev=True)
    (start.ROOT / start.RUN).write_text("newer")
    start.set_up(dev=False)
    start.set_up(dev=True)
    assert made == ["venv", "requirements-dev.lock", "requirements.lock"]


def test_an_interrupted_installation_is_made_anew(start: Any, made: list[str]) -> None:
    working = start.install

    def interrupted(lock: str, uv: str | None) -> None:
        raise KeyboardInterrupt

    start.install = interrupted
    with pytest.raises(KeyboardInterrupt):
        start.set_up(dev=False)
    start.install = working
    start.set_up(dev=False)
    assert made == ["venv", "venv", "requirements.lock"]


def test_a_folder_of_someone_else_is_not_deleted(tmp_path: Path) -> None:
    (tmp_path / ".venv").mkdir()
    (tmp_path / ".venv" / "mine.txt").write_text("keep")
    for name in ("start.py", "requirements.lock", "requirements-dev.lock"):
        (tmp_path / name).write_bytes((ROOT / name).read_bytes())
    done = subprocess.run(
        [sys.executable, "start.py"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 1
    assert "Rename or delete it" in done.stderr
    assert (tmp_path / ".venv" / "mine.txt").exists()


@pytest.mark.parametrize(
    ("printed", "said"),
    [
        ("Failed to establish a new connection: refused", "could not be reached"),
        ("ERROR: THESE PACKAGES DO NOT MATCH THE HASHES", "not the one that was locked"),
        ("[Errno 28] No space left on device", "disk is full"),
        ("[WinError 5] Access is denied: 'numpy.pyd'", "cannot be written"),
        ("ERROR: No matching distribution found for typst", "no ready-made file"),
        ("Segmentation fault", "failed"),
    ],
)
def test_a_failed_installation_is_explained(start: Any, printed: str, said: str) -> None:
    message = start.explain("one line\n" + printed)
    assert said in message.splitlines()[0]
    assert printed in message


def test_a_missing_part_of_python_is_named() -> None:
    start = load()
    start.can_import = lambda name: name != "ensurepip"
    with pytest.raises(start.SetUpError, match="apt-get install python3-venv"):
        start.make_venv(with_pip=True)


@pytest.mark.skipif(sys.platform == "win32", reason="the launcher of Windows is a .cmd file")
def test_the_command_reaches_the_package(tmp_path: Path) -> None:
    start = load()
    place(start, tmp_path)
    start.PYTHON = "/bin/echo"
    version = "python{}.{}".format(*sys.version_info[:2])
    packages = start.VENV / "lib" / version / "site-packages"
    packages.mkdir(parents=True)
    start.SCRIPTS.mkdir()
    start.make_importable()
    source = packages / (packages / "rungwise-src.pth").read_text("ascii").strip()
    assert source.resolve() == (tmp_path / "src").resolve()
    said = subprocess.check_output(
        [start.SCRIPTS / "rungwise", "demo", "a b"], text=True, timeout=60
    )
    assert said == "-m rungwise demo a b\n"


def test_unknown_words_are_refused(
    start: Any, made: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert start.main(["tets"]) == 2
    assert start.main(["setup", "now"]) == 2
    assert start.main(["--help"]) == 0
    assert "python3 start.py test" in capsys.readouterr().out
    assert made == []
