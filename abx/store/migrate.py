"""Bring a database to the newest schema, safely under several processes."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine

from abx.errors import StoreError
from abx.store.engine import write_transaction

__all__ = ["current_revision", "head_revision", "migrate"]

_LOCK = 0x6561727769746E65  # an arbitrary constant of ours for the advisory lock


@cache
def _config_folder() -> str:
    return str(Path(__file__).parent / "migrations")


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", _config_folder().replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


@cache
def head_revision() -> str:
    """Return the revision this version of the program works with."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    assert head is not None
    return head


def current_revision(connection: Connection) -> str | None:
    """Return the revision of a database, ``None`` for an empty one."""
    return MigrationContext.configure(connection).get_current_revision()


def migrate(engine: Engine, *, revision: str = "head") -> None:
    """Upgrade the schema in one transaction under a lock.

    Parameters
    ----------
    engine : Engine
        Database; a second process waits for the first and then finds nothing to do.
    revision : str, optional
        Target revision.

    Raises
    ------
    StoreError
        If the database comes from a newer version of the program.
    """
    with engine.connect() as connection:
        found = current_revision(connection)
    if found == head_revision() and revision == "head":
        return
    if found is not None and found not in _known_revisions():
        raise StoreError(
            f"The database has schema '{found}', which this version does not know. "
            "Use the newer version of earwitness that made it."
        )
    with write_transaction(engine).begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
        config = _config()
        config.attributes["connection"] = connection
        command.upgrade(config, revision)


@cache
def _known_revisions() -> frozenset[str]:
    script = ScriptDirectory.from_config(_config())
    return frozenset(item.revision for item in script.walk_revisions())
