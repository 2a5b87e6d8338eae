"""Set up rungwise on this computer and use it: needs Python 3.11 or newer and nothing else.

    python3 start.py          set up what is needed to run, then make the demo folder
    python3 start.py setup    set up for running and for development
    python3 start.py test     run the tests (further words go to pytest)
    python3 start.py lint     formatting, style and types
    python3 start.py check    lint, then test

Everything is installed into the folder .venv beside this file, from lock files with hashes; nothing
else on the computer is changed. Deleting .venv undoes it. An installation that was interrupted is
made anew by the next run. On Windows write "py start.py".
"""
# An old Python must get as far as check_python: no newer syntax or typing in this file.

import contextlib
import hashlib
import importlib.util
import json
import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

OLDEST = (3, 11)
ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
STATE = VENV / "rungwise-setup.json"  # what was set up here; says UNFINISHED while at work
RUN, DEV = "requirements.lock", "requirements-dev.lock"
WINDOWS = os.name == "nt"
SCRIPTS = VENV / ("Scripts" if WINDOWS else "bin")
PYTHON = SCRIPTS / ("python.exe" if WINDOWS else "python")
INSTALL_LIMIT_S = 1800
COMMAND_LIMIT_S = 3600
UNFINISHED = "unfinished"
NO_ENSUREPIP = (
    "This Python cannot make virtual environments: its part venv or ensurepip is missing. On "
    "Debian or Ubuntu run: sudo apt-get install python3-venv. Elsewhere install Python anew, with "
    "pip included. Then run this again."
)
NETWORK_SIGNS = (
    "failed to establish a new connection",
    "name resolution",
    "getaddrinfo failed",
    "network is unreachable",
    "connection refused",
    "connection reset",
    "connection broken",
    "proxyerror",
    "timed out",
    "ssl",
    "max retries exceeded",
)
# Settings of the user's shell that would send an installation elsewhere.
REDIRECTIONS = ("PIP_USER", "PIP_TARGET", "PIP_PREFIX", "PIP_REQUIRE_VIRTUALENV", "PYTHONHOME")


class SetUpError(Exception):
    """Something stands in the way; the text says what, and what to do."""


def check_python(version: "tuple[int, ...]") -> None:
    """Refuse a Python that is too old, before anything else is tried."""
    if tuple(version[:2]) < OLDEST:
        raise SetUpError(
            "This is Python {}.{}; rungwise needs Python {}.{} or newer. Install a newer Python "
            "and run start.py with it, for example: python3.12 start.py".format(
                *(tuple(version[:2]) + OLDEST)
            )
        )


def fingerprint(lock: str) -> str:
    """Return what a set-up stands for: the lock file, this script, the folder and the Python."""
    digest = hashlib.sha256("{}|{}".format(ROOT, sys.version).encode())
    for name in (lock, Path(__file__).name):
        digest.update((ROOT / name).read_bytes())
    return digest.hexdigest()


def read_state() -> "dict[str, str]":
    """Return what an earlier run noted in .venv; empty if there is no note or it is unreadable."""
    try:
        state = json.loads(STATE.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return state if isinstance(state, dict) else {}


def write_state(state: "dict[str, str]") -> None:
    """Replace the note in one step, so that it is never half written."""
    fresh = STATE.with_suffix(".new")
    fresh.write_text(json.dumps(state), encoding="utf-8")
    fresh.replace(STATE)


def works(python: Path) -> bool:
    """Say whether that Python starts and is the version that runs this script."""
    ask = "import sys; print(sys.version)"
    try:
        answer = subprocess.run(
            [str(python), "-c", ask], capture_output=True, text=True, timeout=60, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return answer.returncode == 0 and answer.stdout.strip() == sys.version.strip()


def set_up(dev: bool) -> None:
    """Bring .venv to what the lock files say, if it is not there already."""
    try:
        marks = {lock: fingerprint(lock) for lock in (RUN, DEV)}
        wanted = {RUN, DEV} if dev else {RUN}
        state = read_state()
        valid = {lock for lock, mark in marks.items() if state.get(lock) == mark}
        if PYTHON.exists() and wanted <= valid:
            return
        say("Setting up in {} (once; needs the network) ...".format(VENV))
        uv = shutil.which("uv")
        if UNFINISHED in state or not works(PYTHON):
            valid = set()
            make_venv(with_pip=uv is None)
        write_state({UNFINISHED: "yes"})
        install(DEV if dev else RUN, uv)
        make_importable()
        write_state({lock: marks[lock] for lock in valid | wanted})
    except PermissionError as error:
        raise SetUpError(
            "Cannot write {}. Move the rungwise folder to a place where you may write, or close "
            "programs that are using it, and run this again.".format(error.filename or VENV)
        ) from error
    except OSError as error:
        raise SetUpError("Cannot set up {}: {}.".format(VENV, error)) from error


def make_venv(with_pip: bool) -> None:
    """Make .venv anew; one that this script left unfinished or outdated is replaced."""
    if not can_import("venv") or (with_pip and not can_import("ensurepip")):
        raise SetUpError(NO_ENSUREPIP)
    import venv

    if VENV.is_symlink() or VENV.is_file():
        raise SetUpError("{} is not a folder. Rename or delete it; run this again.".format(VENV))
    VENV.mkdir(exist_ok=True)
    if not STATE.exists() and any(VENV.iterdir()):
        raise SetUpError(
            "{} was made by something else and does not work with this Python. Rename or delete "
            "it; run this again.".format(VENV)
        )
    write_state({UNFINISHED: "yes"})
    for path in VENV.iterdir():  # the note goes last: it says that the folder is ours
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(str(path))
        elif path != STATE:
            path.unlink()
    try:
        venv.EnvBuilder(with_pip=with_pip, symlinks=not WINDOWS).create(str(VENV))
    except subprocess.CalledProcessError as error:
        raise SetUpError(NO_ENSUREPIP) from error


def can_import(module: str) -> bool:
    """Say whether this Python has the module."""
    return importlib.util.find_spec(module) is not None


def install(lock: str, uv: "str | None") -> None:
    """Install exactly what the lock file lists, from wheels only, each checked by its hash."""
    strict = ["--require-hashes", "--only-binary", ":all:", "-r", str(ROOT / lock)]
    if uv:
        trouble = run_installer([uv, "pip", "install", "-q", "--python", str(PYTHON), *strict])
        if trouble is None:
            return
        say("uv could not install it; trying pip ...")
    pip = [str(PYTHON), "-m", "pip"]
    if run_installer([*pip, "--version"]) is not None:  # made for uv, or without pip
        run_installer([str(PYTHON), "-m", "ensurepip"])
    options = ["-q", "--no-compile", "--no-input", "--disable-pip-version-check"]
    trouble = run_installer([*pip, "install", *options, "--timeout", "60", *strict])
    if trouble is not None:
        raise SetUpError(explain(trouble))


def run_installer(command: "list[str]") -> "str | None":
    """Run it in a limited time; return None when it went well, else what it printed."""
    environment = {k: v for k, v in os.environ.items() if k not in REDIRECTIONS}
    try:
        done = subprocess.run(
            command,
            env=environment,
            cwd=str(ROOT),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            timeout=INSTALL_LIMIT_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return "timed out after {} s".format(INSTALL_LIMIT_S)
    return None if done.returncode == 0 else done.stdout


def explain(printed: str) -> str:
    """Turn what the installer printed into one message that says what to do."""
    text = printed.lower()
    if "do not match the hashes" in text:
        cause = (
            "A downloaded file is not the one that was locked, so nothing of it was installed. "
            "Try another network; if it happens again, report it."
        )
    elif "no space left" in text or "not enough space" in text:
        cause = "The disk is full. Free about 1 GB and run this again."
    elif "permission denied" in text or "access is denied" in text:
        cause = "A file in .venv cannot be written. Close programs that use it; run this again."
    elif any(sign in text for sign in NETWORK_SIGNS):
        cause = (
            "The package index could not be reached. Check the network (and the proxy, if your "
            "site has one) and run this again."
        )
    elif "no matching distribution" in text:
        cause = (
            "A needed package has no ready-made file for this Python and computer. Try a 64-bit "
            "Python between 3.11 and 3.14."
        )
    else:
        cause = "The installation failed. Run this again; if it fails again, report it."
    last = [line[:160] for line in printed.splitlines() if line.strip()][-3:]
    return "\n".join([cause, "The installer's last lines:", *("    " + line for line in last)])


def make_importable() -> None:
    """Let .venv find the package in src and give it the command ``rungwise``."""
    if WINDOWS:
        packages = VENV / "Lib" / "site-packages"
        launcher = SCRIPTS / "rungwise.cmd"
        text = '@echo off\r\n"%~dp0python.exe" -m rungwise %*\r\n'
    else:
        packages = VENV / "lib" / "python{}.{}".format(*sys.version_info[:2]) / "site-packages"
        launcher = SCRIPTS / "rungwise"
        text = '#!/bin/sh\nexec {} -m rungwise "$@"\n'.format(shlex.quote(str(PYTHON)))
    # relative, so that no letter of the folder's name depends on how Python reads .pth files
    source = os.path.relpath(str(ROOT / "src"), str(packages))
    (packages / "rungwise-src.pth").write_text(source + "\n", encoding="ascii")
    launcher.write_bytes(text.encode())
    launcher.chmod(0o755)


def say(text: str) -> None:
    """Print at once, in order with what the started programs print."""
    print(text, flush=True)


def run(*words: str) -> int:
    """Run a module in .venv from the project's folder; return its exit code."""
    command = [str(PYTHON), "-m", *words]
    try:
        return subprocess.run(
            command, cwd=str(ROOT), timeout=COMMAND_LIMIT_S, check=False
        ).returncode
    except subprocess.TimeoutExpired:
        raise SetUpError(
            "Stopped after {} s: {}".format(COMMAND_LIMIT_S, " ".join(words))
        ) from None


def lint() -> int:
    """Formatting, style and types; all three run, the worst exit code is returned."""
    steps = (("ruff", "format", "--check", "."), ("ruff", "check", "."), ("mypy", "--strict"))
    worst = 0
    for step in steps:
        say("$ " + " ".join(step))
        worst = max(worst, run(*step))
    return worst


def main(words: "list[str]") -> int:
    """Do what the words ask for; return the exit code."""
    job = words[0] if words else "demo"
    rest = words[1:]
    known = ("demo", "setup", "test", "lint", "check")
    if job not in known or (rest and job != "test"):
        print((__doc__ or "").strip())
        return 0 if job in ("-h", "--help", "help") else 2
    try:
        check_python(tuple(sys.version_info[:3]))
        set_up(dev=job != "demo")
        if job == "demo":
            return run("rungwise", "demo", "--out", "demo", "--replace")
        code = lint() if job in ("lint", "check") else 0
        if job in ("test", "check"):
            code = max(code, run("pytest", "-n", "3", "--dist", "worksteal", *rest))
    except SetUpError as problem:
        print(problem, file=sys.stderr)
        return 1
    if job == "setup":
        say("Ready. Try: {} --help".format(SCRIPTS / "rungwise"))
    return code


if __name__ == "__main__":
    with contextlib.suppress(AttributeError):  # a log file or pipe may not take every letter
        sys.stdout.reconfigure(errors="replace")  # type: ignore[union-attr]
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit("\nStopped. Run it again to go on.")
