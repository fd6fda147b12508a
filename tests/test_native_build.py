"""The build hook finds a compiler, says why one fails, and puts the library in place whole."""

import ctypes
import json
from pathlib import Path

import pytest

import hatch_build
from hatch_build import LIBRARY, SOURCE, ZIG_REQUIREMENT, KernelsHook, compile_library

ROOT = Path(__file__).parent.parent
# Compiles nothing: writes the name of the compiler where the library belongs.
COMPILES = 'while [ $# -gt 0 ]; do [ "$1" = -o ] && echo "$NAME" > "$2"; shift; done'


@pytest.fixture
def machine(tmp_path, monkeypatch):
    """Return a folder that is the whole PATH of a machine without Zig, and no $CC."""
    folder = tmp_path / "bin"
    folder.mkdir()
    monkeypatch.setenv("PATH", str(folder))
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr(hatch_build, "find_spec", lambda name: None)
    return folder


@pytest.fixture
def source(tmp_path):
    file = tmp_path / "native" / "kernels.c"
    file.parent.mkdir()
    file.write_text("int one(void) { return 1; }\n")
    return file


def program(folder: Path, name: str, script: str = COMPILES) -> Path:
    file = folder / name
    file.write_text(f"#!/bin/sh\nNAME={name}\n{script}\n")
    file.chmod(0o755)
    return file


def hook() -> KernelsHook:
    return KernelsHook(str(ROOT), {}, None, None, "", "wheel")


def compiled_by(source: Path) -> str:
    library = source.with_suffix(".so")
    compile_library(source, library)
    return library.read_text().strip()


@pytest.mark.parametrize(
    ("works", "fails", "chosen"),
    [
        (["cc", "gcc", "clang"], [], "cc"),
        (["clang", "gcc"], [], "gcc"),
        (["clang"], [], "clang"),
        (["clang"], ["cc", "gcc"], "clang"),  # cc that offers to install itself, gcc without libc
    ],
)
def test_the_first_compiler_that_works_is_taken(machine, source, works, fails, chosen):
    for name in works:
        program(machine, name)
    for name in fails:
        program(machine, name, "exit 1")
    assert compiled_by(source) == chosen
    assert hook().dependencies() == []


def test_the_variable_cc_comes_first_and_may_hold_words(machine, source, monkeypatch):
    program(machine, "cc")
    program(machine, "mine", f'[ "$1" = -m64 ] || exit 1\n{COMPILES}')
    monkeypatch.setenv("CC", "mine -m64")
    assert compiled_by(source) == "mine"
    assert hook().dependencies() == []


@pytest.mark.parametrize("broken", [[], ["cc", "gcc", "clang"]])
def test_without_a_compiler_that_works_zig_is_asked_for(machine, source, broken):
    for name in broken:
        program(machine, name, "exit 1")
    assert hook().dependencies() == [ZIG_REQUIREMENT]
    with pytest.raises(SystemExit, match=r"(?s)No C compiler to compile .*kernels\.c.*apt install"):
        compile_library(source, source.with_suffix(".so"))


def test_zig_compiles_for_any_processor_of_the_kind(machine, source, tmp_path, monkeypatch):
    package = tmp_path / "ziglang"
    package.mkdir()
    (package / "__main__.py").write_text(
        "import json, sys\n"
        "open(sys.argv[sys.argv.index('-o') + 1], 'w').write(json.dumps(sys.argv[1:]))\n"
    )
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setattr(hatch_build, "find_spec", lambda name: name == "ziglang" or None)
    words = json.loads(compiled_by(source))
    assert words[0] == "cc"
    assert {"-mcpu=baseline", "-fno-sanitize=undefined", str(source)} < set(words)


@pytest.mark.parametrize(
    ("cc", "script", "said"),
    [
        ("mine", "echo 'kernels.c:7: error: no such word' >&2; exit 1", "kernels.c:7: error"),
        ("mine", "exit 1", "returned non-zero exit status 1"),
        ("mine", "exit 0", "No such file or directory: .*kernels.so"),
        ("absent", "", "No such file or directory: 'absent'"),
    ],
)
def test_a_failing_compiler_is_quoted_and_leaves_all_as_it_was(
    machine, source, monkeypatch, cc, script, said
):
    program(machine, "mine", script)
    monkeypatch.setenv("CC", cc)
    library = source.with_suffix(".so")
    library.write_text("the old one")
    with pytest.raises(SystemExit, match=rf"(?s)Cannot compile .*{said}.*apt install gcc"):
        compile_library(source, library)
    assert library.read_text() == "the old one"
    assert set(source.parent.iterdir()) == {source, library}


def test_a_program_that_runs_keeps_the_library_it_loaded(machine, source):
    library = source.with_suffix(".so")
    library.write_text("the old one")
    program(machine, "cc")
    with library.open() as loaded:
        assert compiled_by(source) == "cc"
        assert loaded.read() == "the old one"
    assert set(source.parent.iterdir()) == {source, library}


def test_the_loops_compile_without_a_warning(tmp_path, capfd):
    library = tmp_path / LIBRARY.name
    compile_library(ROOT / SOURCE, library)
    assert capfd.readouterr().err == ""
    ctypes.CDLL(str(library))
