"""The answer log of a bundle, made into a store again."""

from __future__ import annotations

import dataclasses
import json
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import insert
from sqlalchemy.exc import SQLAlchemyError

from abx.errors import InputError
from abx.store import open_store
from abx.store.chain import LogRow
from abx.store.store import Vault
from abx.store.tables import log, log_body
from abx.study.workspace import Area

if TYPE_CHECKING:
    from abx.store import Store

__all__ = ["LOG", "rebuild_log"]

LOG = "log.jsonl"
"""Name of the log in a bundle."""

# What the checks read from a row without asking whether it is there.
_READ: dict[str, dict[str, type]] = {
    "session-begun": {"simulated": bool, "slot": int},
    "playback-note": {"trial": int, "underruns": int},
}


def rebuild_log(file: Path, area: Area) -> list[LogRow]:
    """Make a store from the log of a bundle, row for row, good or bad.

    Parameters
    ----------
    file : Path
        ``log.jsonl``.
    area : Area
        Where the store is made.

    Returns
    -------
    list of LogRow
        The rows, in the order of the file.

    Raises
    ------
    InputError
        If a line is no row of a log, or the rows do not fit one store.
    """
    rows = list(_log_rows(file))
    store = open_store(area.database_url())
    try:
        _insert(store, rows)
    finally:
        store.close()
    return rows


def _log_rows(file: Path) -> Iterator[LogRow]:
    if not file.is_file():
        raise InputError(source=LOG, problem="the answer log is missing", remedy="ask for it")
    names = {field.name for field in dataclasses.fields(LogRow)}
    with file.open(encoding="utf-8") as lines:
        for number, line in enumerate(lines, start=1):
            try:
                content = json.loads(line)
                if set(content) != names:
                    raise ValueError("other columns")
                row = LogRow(**content)
                _check_content(row)
                yield row
            except (ValueError, TypeError, RecursionError) as error:
                raise InputError(
                    source=LOG,
                    where=f"line {number}",
                    problem="this is not a row of the answer log",
                    remedy="the log was damaged or edited",
                ) from error


def _check_content(row: LogRow) -> None:
    """Refuse content that no check could read: not a JSON object, or without what its kind needs.

    Raises
    ------
    ValueError
    """
    if row.body is None:
        return
    content: object = json.loads(row.body)
    if not isinstance(content, dict):
        raise ValueError("no object")
    for key, kind in _READ.get(row.kind, {}).items():
        if type(content.get(key)) is not kind:
            raise ValueError(key)


def _insert(store: Store, rows: list[LogRow]) -> None:
    plain = [dataclasses.asdict(row) for row in rows]
    bodies = [row for row in plain if row["body"] is not None]
    try:
        with store.transaction() as connection:
            columns = {column.name for column in log.columns}
            chained = [{name: row[name] for name in columns} for row in plain]
            kept = [{k: row[k] for k in ("study", "seq", "salt", "body")} for row in bodies]
            connection.execute(insert(log), chained)
            if kept:
                connection.execute(insert(log_body), kept)
            for row in rows:
                if row.kind == "study-closed" and row.body is not None:
                    seed = bytes.fromhex(str(row.content["seed"]))
                    contents = Vault(seed=seed, token_key=secrets.token_bytes(32))
                    store.keep_vault(connection, row.study, contents)
    except (SQLAlchemyError, ValueError, KeyError) as error:
        raise InputError(
            source=LOG,
            problem="the rows do not fit together: a row is there twice, or a value is impossible",
            remedy="the log was damaged or edited",
        ) from error
