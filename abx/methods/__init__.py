"""The listening-test methods, one module each.

A module of this package defines one subclass of :class:`abx.methods.base.Method` and an
instance of it called ``METHOD``. That is all it takes: the registry finds the modules by
itself.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from abx.methods.base import Answer, Method

__all__ = ["Answer", "Method", "get_method", "method_ids"]

_NOT_METHODS = {"base", "pairs", "scales"}


@cache
def _registry() -> dict[str, Method]:
    names = sorted(info.name for info in pkgutil.iter_modules(__path__))
    found: dict[str, Method] = {}
    for name in names:
        if name in _NOT_METHODS:
            continue
        method: Method = importlib.import_module(f"{__name__}.{name}").METHOD
        found[method.id] = method
    return found


def method_ids() -> tuple[str, ...]:
    """Return the ids of all methods, sorted."""
    return tuple(sorted(_registry()))


def get_method(method_id: str) -> Method:
    """Return a method by its id.

    Raises
    ------
    KeyError
        If there is no such method.
    """
    return _registry()[method_id]
