"""Data flows one way: each room imports only rooms above it in the list."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "generator"

ROOMS = (
    "record", "errors", "beside", "files", "shipped", "harmony", "chart", "clock", "timeline",
    "band", "midi", "chordmap", "sound", "handout", "pipeline", "pack", "cli",
)  # fmt: skip

SOLE_IMPORTERS = {"fluidsynth": "sound/synth.py"}

MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_names(path: Path) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports name the whole path"
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return names


def test_the_list_of_rooms_is_the_package():
    found = {room_of(path) for path in MODULES} - {"__init__"}
    assert found == set(ROOMS)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_only_run_upward(path):
    if path == PACKAGE / "__init__.py":
        return  # the public surface names every room
    own = ROOMS.index(room_of(path))
    for name in imported_names(path):
        parts = name.split(".")
        if parts[0] == "generator" and parts[1] in ROOMS:
            assert ROOMS.index(parts[1]) <= own, f"{path} imports {name}"


@pytest.mark.parametrize("library", SOLE_IMPORTERS)
def test_each_audio_library_has_one_importer(library):
    importers = {
        str(path.relative_to(PACKAGE))
        for path in MODULES
        if any(name.split(".")[0] == library for name in imported_names(path))
    }
    assert importers == {SOLE_IMPORTERS[library]}


def test_no_gpl_library_is_imported():
    """Mutagen is the usual slip: a tag library under the GPL (its own licence file)."""
    for path in MODULES:
        assert not {name.split(".")[0] for name in imported_names(path)} & {"mutagen", "rubberband"}


def test_no_module_is_called_utils():
    assert not [path for path in MODULES if path.stem in ("utils", "util", "helpers", "common")]


@pytest.mark.parametrize(
    "statement",
    ["import generator.cli.app", "import generator.pipeline", "from generator import read_chart"],
)
def test_importing_loads_no_heavy_library(statement):
    """`--help` and `check` start quickly only while these stay unloaded."""
    heavy = ["numpy", "pydantic", "mido", "matplotlib", "jinja2", "fluidsynth", "dask"]
    code = f"import sys\n{statement}\nprint([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
