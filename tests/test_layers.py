"""Data flows one way: numbers below, tables above, screens on top."""

import importlib
import pkgutil
import subprocess
import sys

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


def public_modules():
    for package in (stimuli, analysis, abx):
        for info in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
            private = any(part.startswith("_") for part in info.name.split("."))
            # Migrations are run by path; the screens' script runs inside its server.
            if not private and ".migrations" not in info.name and ".app" not in info.name:
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
