"""The ``[[tests]]`` tables: which pairs or stages are asked about, by which method, how often."""

from __future__ import annotations

from itertools import combinations
from types import MappingProxyType

from abx.methods import Method, get_method, method_ids
from abx.study.model import Stage, TestPlan
from abx.text.toml_lines import KeyPath
from abx.text.toml_reader import Reader, did_you_mean, show

__all__ = ["read_test"]

_MAX_TRIALS = 1000


def read_test(table: Reader, stages: tuple[Stage, ...]) -> TestPlan:
    """Read one way of asking.

    Raises
    ------
    InputError
        If the method is not known, or an entry is wrong or belongs to another method.
    """
    method = get_method(table.choice("method", method_ids()))
    common = ("method", "pairs", "stages", "trials", "repeats", "controls", "practice")
    _refuse_foreign_options(table, method)
    table.only((*common, *method.option_keys))
    ids = tuple(stage.id for stage in stages)
    pairs, taking_part = _read_pairs(table, ids)
    identical, obvious = _read_controls(table)
    plan = TestPlan(
        method=method.id,
        pairs=pairs,
        stages=taking_part,
        trials=table.integer("trials", low=1, high=_MAX_TRIALS),
        repeats=table.integer("repeats", 0, low=0, high=_MAX_TRIALS),
        identical=identical,
        obvious=obvious,
        practice=table.integer("practice", method.default_practice, low=0, high=20),
        options=MappingProxyType(dict(method.read_options(table, ids))),
    )
    method.check_plan(plan, table)
    return plan


def _refuse_foreign_options(table: Reader, method: Method) -> None:
    """Name the method a key belongs to, where it is one of another method."""
    for key in set(table.data) - set(method.option_keys):
        owners = [name for name in method_ids() if key in get_method(name).option_keys]
        if owners:
            raise table.error(
                key,
                f"unknown key '{key}' for method '{method.id}'",
                f"remove it; it belongs to: {', '.join(owners)}",
            )


def _read_pairs(
    table: Reader, ids: tuple[str, ...]
) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    if ("pairs" in table.data) == ("stages" in table.data):
        raise table.error(
            None,
            "give either 'pairs' or 'stages'",
            'write pairs = [["one", "two"]] or stages = "all"',
        )
    if "stages" in table.data:
        taking_part = _read_taking_part(table, ids)
        return tuple(combinations(taking_part, 2)), taking_part
    value = table.data["pairs"]
    if not isinstance(value, list) or not value:
        raise table.error("pairs", f"{show(value)} is not a list", 'write [["one", "two"]]')
    pairs: list[tuple[str, str]] = []
    for index, pair in enumerate(value):
        pairs.append(_read_pair(table, index, pair, ids, pairs))
    used = {stage for pair in pairs for stage in pair}
    return tuple(pairs), tuple(stage for stage in ids if stage in used)


def _read_pair(
    table: Reader, index: int, pair: object, ids: tuple[str, ...], before: list[tuple[str, str]]
) -> tuple[str, str]:
    place: KeyPath = ("pairs", index)
    if not isinstance(pair, list) or len(pair) != 2 or not all(isinstance(s, str) for s in pair):
        raise table.at(place, f"{show(pair)} is not a pair", 'write ["one-stage", "other-stage"]')
    for part, stage in enumerate(pair):
        if stage not in ids:
            raise table.at((*place, part), f"there is no stage '{stage}'", did_you_mean(stage, ids))
    first, second = pair
    if first == second:
        raise table.at(
            place,
            f"'{first}' is paired with itself",
            "name two stages; identical pairs come from controls = { identical = 1 }",
        )
    if (first, second) in before or (second, first) in before:
        raise table.at(
            place,
            f"the pair '{first}', '{second}' is there twice",
            "list each pair once; both orders are played anyway",
        )
    return first, second


def _read_taking_part(table: Reader, ids: tuple[str, ...]) -> tuple[str, ...]:
    value = table.data["stages"]
    if value == "all":
        return ids
    if isinstance(value, str):
        raise table.error("stages", f"'{value}' is not known", 'write "all" or a list of stage ids')
    chosen = table.strings("stages", minimum=2)
    for index, stage in enumerate(chosen):
        if stage not in ids:
            raise table.at(
                ("stages", index), f"there is no stage '{stage}'", did_you_mean(stage, ids)
            )
        if stage in chosen[:index]:
            raise table.at(("stages", index), f"'{stage}' is there twice", "list each stage once")
    return tuple(stage for stage in ids if stage in chosen)


def _read_controls(table: Reader) -> tuple[int, int]:
    controls = table.table("controls")
    if controls is None:
        return 0, 0
    controls.only(("identical", "obvious"))
    return (
        controls.integer("identical", 0, low=0, high=20),
        controls.integer("obvious", 0, low=0, high=20),
    )
