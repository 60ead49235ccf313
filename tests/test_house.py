"""Kept from decaying: sizes, names, documentation, and where imports stand."""

import ast
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest

import stimuli

ROOT = Path(stimuli.__file__).parents[1]
PACKAGES = ("stimuli", "analysis", "abx")
SOURCES = {
    path.relative_to(ROOT).as_posix(): ast.parse(path.read_text(encoding="utf-8"))
    for package in PACKAGES
    for path in sorted((ROOT / package).rglob("*.py"))
}

# Sizes ---------------------------------------------------------------------------------------

_MOST_LINES = 400
_LONG_FUNCTION = 25


def n_lines(name):
    return len((ROOT / name).read_text(encoding="utf-8").splitlines())


def test_modules_are_short():
    assert {name for name in SOURCES if n_lines(name) > _MOST_LINES} == set()


def is_function(node):
    return isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)


def code_lines(function):
    """Count a function's lines without its docstring."""
    documented = function.body[0] if ast.get_docstring(function) is not None else None
    words = 0 if documented is None else documented.end_lineno - documented.lineno + 1
    return function.end_lineno - function.lineno + 1 - words


@pytest.mark.parametrize("package", PACKAGES)
def test_nine_functions_in_ten_are_short(package):
    lengths = sorted(
        code_lines(node)
        for name, tree in SOURCES.items()
        if name.startswith(f"{package}/")
        for node in ast.walk(tree)
        if is_function(node)
    )
    assert lengths[int(0.9 * len(lengths))] <= _LONG_FUNCTION


# Names ---------------------------------------------------------------------------------------


def test_no_two_classes_share_a_name():
    homes = defaultdict(list)
    for name, tree in SOURCES.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                homes[node.name].append(name)
    assert {name: places for name, places in homes.items() if len(places) > 1} == {}


# Documentation -------------------------------------------------------------------------------

#: What needs no word: it marks what a subclass has to fill in, or what cannot be.
_UNSAID = ("NotImplementedError", "AssertionError")


def exported(tree):
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return set(ast.literal_eval(node.value))
    return set()


def public_functions():
    """Yield every public function and method; a command's own words are its help text."""
    for name, tree in SOURCES.items():
        names = exported(tree) - ({"command"} if name.startswith("abx/commands/") else set())
        for node in tree.body:
            if is_function(node) and node.name in names:
                yield f"{name}: {node.name}", node
            if isinstance(node, ast.ClassDef) and node.name in names:
                for method in node.body:
                    if is_function(method) and not method.name.startswith("_"):
                        yield f"{name}: {node.name}.{method.name}", method


def raises_itself(function):
    """Tell whether a function's own body raises; functions inside it answer for themselves."""
    waiting = list(function.body)
    while waiting:
        node = waiting.pop()
        if is_function(node) or isinstance(node, ast.ClassDef | ast.Lambda):
            continue
        if isinstance(node, ast.Raise) and node.exc is not None:
            if not ast.unparse(node.exc).startswith(_UNSAID):
                return True
        waiting += ast.iter_child_nodes(node)
    return False


def test_public_functions_are_found():
    assert sum(1 for _ in public_functions()) > 500


@pytest.mark.parametrize("package", PACKAGES)
def test_every_public_function_is_documented_with_what_it_raises(package):
    silent = [
        place
        for place, function in public_functions()
        if place.startswith(f"{package}/")
        and (
            not ast.get_docstring(function)
            or (raises_itself(function) and "Raises\n------\n" not in ast.get_docstring(function))
        )
    ]
    assert silent == []


# Imports -------------------------------------------------------------------------------------

#: What some machines do not have; it is asked for where it is used.
_MISSING_SOMEWHERE = {
    ("abx.booth.player", "sounddevice"),  # needs PortAudio
    ("abx.store.store", "abx.store.postgresql"),  # needs the PostgreSQL driver
}
#: What takes long to load: statistics, filters, tables, charts. Commands and pages that only read a
#: study, show it or take answers do without it; the next test holds them to that.
_SLOW_TO_LOAD = {
    ("abx.evidence.results", "analysis.link.programmes"),
    ("abx.evidence.results", "analysis.report"),
    ("abx.evidence.results", "analysis.run"),
    ("abx.planning.power", "abx.evidence.collect"),
    ("abx.planning.power", "analysis.hearing.dprime"),
    ("abx.planning.power", "analysis.planning.families"),
    ("abx.planning.power", "analysis.planning.findings"),
    ("abx.planning.power", "analysis.planning.supposed"),
    ("abx.planning.power", "analysis.tables.stages"),
    ("abx.planning.power", "analysis.tables.trials"),
    ("abx.planning.prices", "analysis.tables.stages"),
    ("abx.planning.prices", "analysis.upgrade.lattice"),
    ("abx.planning.prices", "analysis.upgrade.prices"),
    ("abx.planning.prices", "pandas"),
    ("abx.planning.schedule", "analysis.planning.curves"),
    ("abx.planning.words", "analysis.planning.findings"),
    ("abx.planning.words", "analysis.planning.size"),
    ("abx.schedule.planned_trials", "analysis.planning.simulated_panel"),
    ("abx.schedule.planned_trials", "analysis.tables.trials"),
    ("abx.schedule.planned_trials", "pandas"),
    ("abx.session.blobs", "scipy.signal"),
    ("abx.session.blobs", "stimuli.levels.loudness"),
    ("abx.sound.figures", "pandas"),
    ("abx.sound.stages", "soxr"),
    ("abx.sound.stages", "stimuli.filters.design"),
    ("abx.sound.stages", "stimuli.filters.experiments"),
    ("abx.sound.stages", "stimuli.filters.stages"),
    ("abx.sound.stimuli", "stimuli.render.check"),
    ("abx.sound.stimuli", "stimuli.render.sets"),
    ("abx.study.workspace", "sqlalchemy"),
    ("abx.study_file.design_claims", "analysis.answer.family"),
    ("abx.study_file.design_claims", "analysis.tables.stages"),
    ("abx.study_file.design_claims", "analysis.tables.trials"),
    ("abx.study_file.design_claims", "pandas"),
    ("abx.study_file.sound", "stimuli.filters.experiments"),
    ("abx.study_file.sound", "stimuli.render.matching"),
    ("abx.web.desk.charts", "altair"),
    ("abx.web.desk.panel", "abx.evidence.results"),
    ("abx.web.desk.power", "analysis.planning.findings"),
}
_SLOW = {"pandas", "altair", "scipy.signal", "scipy.stats", "statsmodels", "matplotlib"}


def late_imports():
    """Yield module and target of every import inside a function of abx, commands apart."""
    for name, tree in SOURCES.items():
        # The commands and the door to them load nothing before it is asked for.
        if not name.startswith("abx/") or name.startswith(("abx/commands/", "abx/cli.py")):
            continue
        module = name.removesuffix(".py").replace("/", ".")
        for function in filter(is_function, ast.walk(tree)):
            for node in ast.walk(function):
                if isinstance(node, ast.ImportFrom):
                    yield module, node.module
                elif isinstance(node, ast.Import):
                    yield from ((module, alias.name) for alias in node.names)


def test_imports_stand_at_the_top_but_for_these():
    assert set(late_imports()) == _MISSING_SOMEWHERE | _SLOW_TO_LOAD


@pytest.mark.parametrize(
    ("modules", "may_load"),
    [
        (("cli", "study_file.edit", "session.panels", "web.server", "booth.preview"), set()),
        (("planning.words", "web.desk.files", "web.desk.panel"), set()),
        (("evidence.results",), {"pandas"}),
    ],
)
def test_what_answers_soon_loads_no_statistics(modules, may_load):
    names = ", ".join(f"abx.{module}" for module in modules)
    probe = f"import sys, logging; logging.disable(); import {names}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert set(done.stdout.split()) & _SLOW <= may_load
