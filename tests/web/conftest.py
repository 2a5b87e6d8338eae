"""The pages' tests on both databases: an encrypted file, and a PostgreSQL server of their own.

What stands on records asks for ``tmp_path``, by itself or through a fixture, and runs twice. A test
of the passphrase, the recovery key, backups or the lock of one user's computer is marked
``on_file``: a server has none of these.
"""

from __future__ import annotations

import gc
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from rungwise.records import Store
from tests.faults.kit import PostgresServer, quick_folder, server
from tests.web import kit


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "tmp_path" in metafunc.fixturenames:
        alone = metafunc.definition.get_closest_marker("on_file")
        places = ["file"] if alone else ["file", "server"]
        metafunc.parametrize("tmp_path", places, indirect=True)


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer | str]:
    with server() as found:
        if isinstance(found, PostgresServer):
            Store.create(found()).close()  # each test gets a copy of it
        yield found


@pytest.fixture
def tmp_path(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    with quick_folder() as folder:
        if request.param == "file":
            yield folder
            return
        found = request.getfixturevalue("postgres")
        if isinstance(found, str):
            pytest.skip(f"PostgreSQL is left out: {found}")
        with found.copies() as copy:
            visitors: list[kit.Visitor] = []
            monkeypatch.setattr(kit, "new_place", copy)
            monkeypatch.setattr(kit, "visitors", visitors)
            yield folder
            for visitor in visitors:
                for session in list(visitor.app.state.access._sessions.values()):
                    session.jobs.stop_all()
                visitor.casebook.lock()
            # what a stopped piece of work still held is given back here, and not in another test
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ResourceWarning)
                gc.collect()
