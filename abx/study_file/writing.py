"""The texts that go into ``study.toml``: values, tables, whole new files.

Everything that writes or changes a study file takes its text from here. ``tomlkit`` spells each
value, so that a title with quotation marks, backslashes or any script reads back as what it was.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import tomlkit

__all__ = ["Entries", "file_text", "one_table", "table_of", "value_text", "with_tables"]

Entries = Mapping[str, object]
"""Keys of one table with their values, in the order in which they are written."""


def value_text(value: object) -> str:
    r"""Return a text, a number or a list as TOML spells it.

    Examples
    --------
    >>> print(value_text('Say "so" \\ and 5'))
    "Say \"so\" \\ and 5"
    >>> print(value_text(["old", "new"]))
    ["old", "new"]
    """
    return tomlkit.item(value).as_string()


def table_of(kind: str, entries: Entries) -> str:
    """Return one ``[[kind]]`` table.

    Examples
    --------
    >>> print(table_of("programmes", {"id": "tune", "start_s": 30.0}))
    [[programmes]]
    id = "tune"
    start_s = 30.0
    """
    return tomlkit.dumps({kind: [dict(entries)]}).rstrip("\n")


def one_table(name: str, entries: Entries) -> str:
    """Return the only ``[name]`` table.

    Examples
    --------
    >>> print(one_table("plan", {"listeners": 16}))
    [plan]
    listeners = 16
    """
    return tomlkit.dumps({name: dict(entries)}).rstrip("\n")


def file_text(head: Entries, tables: Iterable[str]) -> str:
    """Return a whole study file: what stands before the first table, then the tables."""
    return "\n\n".join([tomlkit.dumps(dict(head)).rstrip("\n"), *tables]) + "\n"


def with_tables(array: str, *, add: Entries | None = None, remove: int | None = None) -> str:
    """Change a list of tables that somebody wrote as one value, ``[{...}, {...}]``.

    Parameters
    ----------
    array : str
        The value as it stands in the file, comments and line ends included.
    add : mapping of str to object, optional
        A table for the end of the list.
    remove : int, optional
        Number, from 0, of a table to take out.
    """
    tables = tomlkit.parse(f"k = {array}\n")["k"]
    assert isinstance(tables, tomlkit.items.Array)
    if remove is not None:
        del tables[remove]
    if add is not None:
        inline = tomlkit.inline_table()
        inline.update(add)
        tables.append(inline)
    return tables.as_string()
