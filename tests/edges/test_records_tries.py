"""Failed tries at the passphrase, kept across restarts beside locked records.

Checked against: OWASP ASVS 5.0 (std_17) 6.3.1; std §4.2 (five free tries, then 2^n s up to 15 min).
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rungwise.records.tries import KEYS_MOST, Tries, tries_file_of, wait_after_s

NOW = 1.8e9


def fail(tries: Tries, now_s: float, times: int = 1, address: str = "a") -> float:
    """Fail so often, waiting each time; returns the time after the last."""
    for _ in range(times):
        now_s += tries.wait_s(address, now_s)
        assert tries.begin(address, now_s) == 0
    return now_s


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tries_file_of(tmp_path / "records.db")


def test_waits_are_those_of_the_rule() -> None:
    assert [wait_after_s(n) for n in range(1, 17)] == [0] * 4 + [
        *(1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900)
    ]


def test_a_restart_forgets_nothing(file: Path) -> None:
    now = fail(Tries(file), NOW, 9)
    again = Tries(file)
    assert again.wait_s("a", now) == again.begin("a", now) == 16
    assert again.wait_s("b", now) == 0  # another address is not slowed down
    assert again.begin("a", now + 16) == 0
    assert Tries(file).wait_s("a", now + 16) == 32
    again.forget("a")
    assert Tries(file).wait_s("a", now + 16) == 0
    assert file.stat().st_mode & 0o777 == 0o600


def test_a_try_counts_before_it_is_made(file: Path) -> None:
    """Killing the program while it compares does not undo the try."""
    tries = Tries(file)
    tries.begin("a", NOW)
    told = json.loads(file.read_bytes())["failed"]
    assert [count for count, _, _ in told.values()] == [1]
    tries.take_back("a")
    assert json.loads(file.read_bytes())["failed"] == {}


def test_a_full_disk_does_not_lock_out_and_memory_counts(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("rungwise.records.tries.put_whole", full)
    tries = Tries(file)
    now = fail(tries, NOW, 6)
    assert tries.wait_s("a", now) == 2


def test_a_clock_set_back_lets_in_after_15_minutes(file: Path) -> None:
    now = fail(Tries(file), NOW, 30)
    back = now - 400 * 86400
    tries = Tries(file)
    assert tries.wait_s("a", back) == 900
    assert tries.wait_s("a", back + 600) == 300
    assert tries.begin("a", back + 900) == 0
    assert tries.wait_s("a", back + 900) == 900  # and the count was kept


def test_a_clock_set_forward_keeps_the_count(file: Path) -> None:
    now = fail(Tries(file), NOW, 12)
    ahead = fail(Tries(file), now + 3600)
    assert Tries(file).wait_s("a", ahead) == 256


def test_many_addresses_are_bounded(file: Path) -> None:
    tries = Tries(file)
    fail(tries, NOW, 8)
    for n in range(3 * KEYS_MOST):
        tries.begin(f"other {n}", NOW)
    assert len(json.loads(file.read_bytes())["failed"]) == KEYS_MOST
    assert tries.wait_s("a", NOW) > 0  # the one who failed most is not pushed out


BROKEN = (
    b"",
    b"\0" * 100,
    b"{",
    b"[]",
    b"null",
    b'{"failed": 3}',
    b'{"failed": {"x": 1}}',
    b'{"failed": {"x": [1, 2]}}',
    b'{"failed": {"x": [true, 0, 0]}}',
    b'{"failed": {"x": [1e400, 0, 0]}}',
    b'{"failed": {"x": [NaN, 0, 0]}}',
    b'{"failed": {"x": ["9", "9", "9"]}}',
    b"[" * 60_000,
    b" " * 200_000,
    b'{"failed": {}, "failed": 1}',
)


@pytest.mark.parametrize("text", BROKEN, ids=range(len(BROKEN)))
def test_a_broken_file_opens_nothing_and_uses_up_the_free_tries(file: Path, text: bytes) -> None:
    file.write_bytes(text)
    tries = Tries(file)
    assert tries.begin("a", NOW) == 0
    assert tries.wait_s("a", NOW) == 2
    tries.forget("a")
    assert Tries(file).wait_s("a", NOW) == 0


@pytest.mark.parametrize("kind", ["folder", "link", "pipe"])
def test_what_is_no_file_is_not_read(file: Path, kind: str) -> None:
    if kind == "folder":
        file.mkdir()
    elif kind == "link":
        file.symlink_to("/dev/zero")
    else:
        os.mkfifo(file)
    tries = Tries(file)
    assert tries.begin("a", NOW) == 0
    assert 0 < tries.wait_s("a", NOW) <= 900


@settings(max_examples=200, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["*", Tries.__name__, "0" * 32]),
        st.tuples(st.integers(), st.floats() | st.integers(), st.integers()),
        min_size=1,
    )
)
def test_whatever_the_file_says_nobody_waits_longer_than_15_minutes(
    told: dict[str, object],
) -> None:
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder:
        file = Path(folder, "x.tries")
        file.write_text(json.dumps({"failed": told}))
        tries = Tries(file)
        first = tries.wait_s("a", NOW)
        assert 0 <= first <= 900
        assert tries.begin("a", NOW + first) == 0
        assert 0 <= tries.wait_s("a", NOW + first) <= 900
