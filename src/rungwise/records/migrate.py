"""Bring the tables of older records up to date: numbered steps, in one transaction, or none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from alembic.config import Config
from alembic.operations import Operations
from alembic.runtime.environment import EnvironmentContext
from alembic.runtime.migration import MigrationContext, MigrationStep
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect

from rungwise.records.errors import RecordsError

__all__ = ["migrate", "version_now", "version_wanted"]

HERE = Path(__file__).parent / "migrations"


def _scripts(more: Path | None = None) -> ScriptDirectory:
    places = [HERE / "versions", *([more] if more else [])]
    config = Config()
    config.set_main_option("script_location", str(HERE).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    config.set_main_option("version_locations", "\n".join(map(str, places)).replace("%", "%%"))
    return ScriptDirectory.from_config(config)


def version_wanted(more: Path | None = None) -> str:
    """Number of the newest step."""
    return _scripts(more).get_current_head() or ""


def version_now(connection: Connection) -> str | None:
    """Number of the step that these tables are at; None for an empty database."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return MigrationContext.configure(connection).get_current_revision()


def migrate(connection: Connection, more: Path | None = None) -> None:
    """Take every step that is missing, inside the transaction of the connection.

    Parameters
    ----------
    connection : Connection
        In a transaction; a process that is killed meanwhile leaves the tables as they were.
    more : Path or None
        A folder with further steps.

    Raises
    ------
    RecordsError
        The records were written by a newer rungwise.
    """
    scripts = _scripts(more)
    known = {step.revision for step in scripts.walk_revisions()}
    now = version_now(connection)
    if now is not None and now not in known:
        raise RecordsError(f"These records are of a newer rungwise (step {now}). Install that one.")

    def steps(revision: Any, _: MigrationContext) -> list[MigrationStep]:
        at = revision[0] if revision else "base"
        missing = [s for s in scripts.iterate_revisions("head", at) if s.revision != at]
        return [
            MigrationStep.upgrade_from_script(scripts.revision_map, step)
            for step in reversed(missing)
        ]

    with EnvironmentContext(Config(), scripts, fn=steps) as environment:
        environment.configure(connection=connection, transactional_ddl=True)
        with Operations.context(environment.get_context()):
            environment.run_migrations()
