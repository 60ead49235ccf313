"""Data flows one way: numbers below, tables above, screens on top."""

import ast
import importlib
import pkgutil
import subprocess
import sys
from pathlib import Path

import pytest

import abx
import analysis
import stimuli

HEAVY = {"streamlit", "sqlalchemy", "sounddevice", "alembic"}

PROBE = """
import importlib, pkgutil, sys
package = importlib.import_module(sys.argv[1])
for info in pkgutil.walk_packages(package.__path__, sys.argv[1] + "."):
    importlib.import_module(info.name)
print("\\n".join(sorted(sys.modules)))
"""


def modules_after_importing(package):
    """Import every module of a package in a fresh interpreter; return what is then loaded."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE, package], capture_output=True, text=True, check=True
    )
    return set(done.stdout.split())


@pytest.mark.parametrize(
    ("package", "forbidden"),
    [("stimuli", HEAVY | {"abx", "analysis"}), ("analysis", HEAVY | {"abx"})],
)
def test_lower_packages_import_without_the_upper_ones(package, forbidden):
    loaded = modules_after_importing(package)
    assert package in loaded
    assert not loaded & forbidden


def test_analysis_needs_no_audio_library():
    assert not modules_after_importing("analysis") & {"soundfile", "soxr"}


#: Migrations run by path; the screens' scripts run inside their server.
_SCRIPTS = (".env", ".0001_log", ".pages.main", ".desk.main")


def public_modules():
    for package in (stimuli, analysis, abx):
        for info in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
            private = any(part.startswith("_") for part in info.name.split("."))
            if not private and not info.name.endswith(_SCRIPTS):
                yield info.name


@pytest.mark.parametrize("name", list(public_modules()))
def test_exported_names_exist(name):
    module = importlib.import_module(name)
    for exported in getattr(module, "__all__", ()):
        assert hasattr(module, exported), f"{name}.__all__ names {exported}, which is not there"


@pytest.mark.parametrize("name", list(public_modules()))
def test_public_functions_are_documented(name):
    module = importlib.import_module(name)
    for exported in getattr(module, "__all__", ()):
        thing = getattr(module, exported)
        if callable(thing) and getattr(thing, "__module__", "") == name:
            assert thing.__doc__, f"{name}.{exported} has no docstring"


# Rooms ---------------------------------------------------------------------------------------

ROOT = Path(stimuli.__file__).parents[1]

#: What each room may import from other rooms, wherever the import stands. The rooms lie in the
#: order in which data flow: each names only rooms above it.
ROOMS = {
    "stimuli.files": (),
    "stimuli.response": ("stimuli.files",),
    "stimuli.levels": (),
    "stimuli.figures": ("stimuli.files", "stimuli.response", "stimuli.levels"),
    "stimuli.filters": ("stimuli.files", "stimuli.response", "stimuli.figures"),
    "stimuli.programme": (
        *("stimuli.files", "stimuli.levels", "stimuli.figures", "stimuli.filters"),
    ),
    "stimuli.measuring": ("stimuli.files", "stimuli.response", "stimuli.programme"),
    "stimuli.render": (
        *("stimuli.files", "stimuli.response", "stimuli.levels", "stimuli.filters"),
        "stimuli.programme",
    ),
    "analysis.results": ("stimuli.files",),
    "analysis.tables": ("stimuli.files",),
    "analysis.panels": ("stimuli.files",),
    "analysis.models": ("analysis.tables", "analysis.panels"),
    "analysis.hearing": (
        *("stimuli.files", "stimuli.response", "stimuli.figures"),
        *("analysis.tables", "analysis.models", "analysis.panels"),
    ),
    "analysis.ratings": ("analysis.tables", "analysis.models", "analysis.panels"),
    "analysis.preference": (
        *("stimuli.files", "analysis.tables", "analysis.models", "analysis.panels"),
        "analysis.ratings",
    ),
    "analysis.listeners": ("stimuli.files", "analysis.tables", "analysis.ratings"),
    "analysis.experiments": (
        *("analysis.tables", "analysis.models", "analysis.panels"),
        *("analysis.hearing", "analysis.preference"),
    ),
    "analysis.link": (
        *("stimuli.files", "analysis.tables", "analysis.models", "analysis.panels"),
        "analysis.preference",
    ),
    "analysis.upgrade": (
        *(
            "stimuli.files",
            "analysis.tables",
            "analysis.models",
            "analysis.preference",
        ),
    ),
    "analysis.claims": (
        *("stimuli.files", "analysis.tables", "analysis.models", "analysis.panels"),
        *("analysis.hearing", "analysis.preference", "analysis.link", "analysis.upgrade"),
    ),
    "analysis.robustness": (
        *("analysis.tables", "analysis.models", "analysis.panels"),
        *("analysis.hearing", "analysis.preference", "analysis.link", "analysis.upgrade"),
        "analysis.claims",
    ),
    "analysis.planning": (
        *("stimuli.files", "analysis.tables", "analysis.models", "analysis.panels"),
        *("analysis.hearing", "analysis.preference", "analysis.link", "analysis.upgrade"),
        "analysis.claims",
    ),
    "analysis.answer": (
        *("analysis.panels", "analysis.tables", "analysis.hearing", "analysis.preference"),
        *("analysis.upgrade", "analysis.claims"),
    ),
    "analysis.report": ("stimuli.files", "analysis.results"),
    "abx.text": ("analysis.tables",),
    "abx.study": ("stimuli.response", "stimuli.render", "analysis.tables", "abx.text"),
    "abx.store": ("abx.study",),
    "abx.methods": ("abx.text", "abx.study"),
    "abx.study_file": (
        *("stimuli.files", "stimuli.response", "stimuli.figures", "stimuli.filters"),
        *("stimuli.render",),
        *("analysis.tables", "analysis.panels", "analysis.listeners"),
        *("analysis.claims", "analysis.answer"),
        *("abx.text", "abx.study", "abx.store", "abx.methods"),
    ),
    "abx.sound": (
        *("stimuli.files", "stimuli.response", "stimuli.figures", "stimuli.filters"),
        *("stimuli.programme", "stimuli.render"),
        *("analysis.hearing",),
        *("abx.text", "abx.study", "abx.study_file"),
    ),
    "abx.schedule": (
        *("analysis.tables", "analysis.planning"),
        *("abx.study", "abx.methods"),
    ),
    "abx.session": (
        *("stimuli.levels", "stimuli.render"),
        *("abx.text", "abx.study", "abx.store", "abx.methods"),
        *("abx.study_file", "abx.sound", "abx.schedule"),
    ),
    "abx.evidence": (
        *("stimuli.files", "stimuli.response", "stimuli.figures", "stimuli.render"),
        *("analysis.results", "analysis.tables", "analysis.link", "analysis.report"),
        *("abx.text", "abx.study", "abx.store", "abx.methods"),
        *("abx.study_file", "abx.sound", "abx.schedule", "abx.session"),
    ),
    "abx.planning": (
        *("analysis.tables", "analysis.panels", "analysis.hearing", "analysis.upgrade"),
        *("analysis.claims", "analysis.planning"),
        *("abx.study", "abx.methods", "abx.study_file", "abx.sound"),
        *("abx.schedule", "abx.evidence"),
    ),
    "abx.booth": (
        *("abx.study", "abx.store", "abx.study_file", "abx.sound"),
        *("abx.session",),
    ),
    "abx.web.player": ("abx.text",),
    "abx.web.pages": (
        *("abx.study", "abx.methods", "abx.study_file", "abx.schedule"),
        *("abx.session", "abx.planning", "abx.web.player"),
    ),
    "abx.web.desk": (
        *("stimuli.response", "stimuli.programme"),
        *("analysis.models", "analysis.planning"),
        *("abx.text", "abx.study", "abx.store", "abx.methods"),
        *("abx.study_file", "abx.sound", "abx.session", "abx.evidence"),
        *("abx.planning", "abx.booth", "abx.web.player", "abx.web.pages"),
    ),
    "abx.web": ("abx.study", "abx.session", "abx.web.pages"),
    "abx.demo": ("stimuli.programme", "abx.study"),
}
#: Modules a folder may hold.
_MOST_MODULES = 15


def room_of(module):
    """Return the room that a module lies in; None where it stands before the rooms."""
    parts = module.split(".")
    names = (".".join(parts[:depth]) for depth in (3, 2))
    return next((name for name in names if name in ROOMS), None)


def imports_between_rooms():
    for package in ("stimuli", "analysis", "abx"):
        for path in (ROOT / package).rglob("*.py"):
            module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            here = room_of(module.removesuffix(".__init__"))
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                names = []
                if isinstance(node, ast.ImportFrom) and node.module:
                    names = [f"{node.module}.{name.name}" for name in node.names]
                elif isinstance(node, ast.Import):
                    names = [name.name for name in node.names]
                for name in names:
                    if name.split(".")[0] in ("stimuli", "analysis", "abx"):
                        yield module, here, name, room_of(name)


def test_every_folder_is_a_room_with_its_imports():
    folders = {
        f"{package}.{path.name}"
        for package in ("stimuli", "analysis", "abx")
        for path in (ROOT / package).iterdir()
        if (path / "__init__.py").is_file()
    }
    folders |= {f"abx.web.{path.parent.name}" for path in (ROOT / "abx/web").glob("*/__init__.py")}
    assert folders - {"abx.commands"} == set(ROOMS)


def test_rooms_import_what_they_may_and_no_more():
    used = {room: set() for room in ROOMS}
    for module, here, name, there in imports_between_rooms():
        if here is None:
            continue
        front = name.startswith("analysis.") and not module.startswith("analysis.")
        if there is None and (front or name.startswith("abx.errors.")):
            continue  # the errors of people, and the analysis as a whole
        assert there is not None, f"{module} imports {name}, which lies in no room"
        if there != here:
            assert there in ROOMS[here], f"{module} imports {name}"
            used[here].add(there)
    assert {room: sorted(found) for room, found in used.items()} == {
        room: sorted(allowed) for room, allowed in ROOMS.items()
    }, "the table allows an import that nobody needs"


def test_rooms_form_no_circle():
    above = set()
    for room, allowed in ROOMS.items():
        assert set(allowed) <= above, f"{room} imports what lies below it"
        above.add(room)


@pytest.mark.parametrize("package", ["stimuli", "analysis", "abx"])
def test_no_folder_is_crowded(package):
    for folder in [ROOT / package, *(ROOT / package).rglob("*")]:
        if folder.is_dir():
            modules = [path for path in folder.glob("*.py") if path.name != "__init__.py"]
            if folder == ROOT / "abx" / "commands":
                continue  # one a command
            assert len(modules) <= _MOST_MODULES, f"{folder.relative_to(ROOT)}: {len(modules)}"
