"""Compiles the sound room's inner loops as chartbed is built: hatchling calls `KernelsHook`.

The library lands beside its source, from where an editable install loads it and a wheel packs it.
"""

import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface
from packaging.tags import platform_tags

SOURCE = Path("generator/sound/native/kernels.c")
LIBRARY = SOURCE.with_suffix(".dll" if sys.platform == "win32" else ".so")

# The same bits on every machine: nothing here lets a compiler reorder or fuse sums, or choose this
# machine's own instructions.
FLAGS = "-O3 -std=c11 -shared -fPIC -ffp-contract=off -fno-math-errno -Wall -Wextra".split()
# Zig, a compiler that pip can install, by itself compiles for this very processor and with checks.
ZIG = [sys.executable, "-m", "ziglang", "cc", "-mcpu=baseline", "-fno-sanitize=undefined"]
ZIG_REQUIREMENT = "ziglang>=0.13,<0.18"

WHAT_TO_DO = """\
Install a C compiler with its headers (Debian, Ubuntu: apt install gcc libc6-dev; macOS:
xcode-select --install; anywhere: pip install ziglang), or name one that works in $CC."""


class KernelsHook(BuildHookInterface):
    """Puts the compiled library into the wheel, whose tag names the platform."""

    def dependencies(self) -> list[str]:
        """Ask for Zig where the machine has no compiler."""
        return [] if system_compiler() else [ZIG_REQUIREMENT]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile; no part of the wheel depends on Python's version."""
        compile_library(Path(self.root, SOURCE), Path(self.root, LIBRARY))
        build_data["artifacts"].append(LIBRARY.as_posix())
        # manylinux and musllinux promise more than the machine's own compiler can hold.
        platform = next(tag for tag in platform_tags() if not tag.startswith(("many", "musl")))
        build_data["tag"] = f"py3-none-{platform}"
        build_data["pure_python"] = False


def system_compiler() -> list[str]:
    """Return the words that start the machine's compiler: `$CC`, else one that works, else none."""
    if os.environ.get("CC"):
        return shlex.split(os.environ["CC"], posix=os.name == "posix")
    if sys.platform == "win32":  # compilers there differ in their flags: Zig is one that is known
        return []
    return next(([name] for name in ("cc", "gcc", "clang") if _works(name)), [])


def _works(name: str) -> bool:
    # Without Xcode's tools macOS has a cc that only offers them; gcc may lack the C library.
    check = [name, "-fsyntax-only", "-x", "c", "-"]
    code = b"#include <math.h>\n"
    return (
        shutil.which(name) is not None
        and subprocess.run(check, input=code, capture_output=True).returncode == 0
    )


def compile_library(source: Path, library: Path) -> None:
    """Compile `source` and put the library in place in one step, or exit and say why not.

    A program that runs keeps the library that it has loaded.
    """
    compiler = system_compiler() or (ZIG if find_spec("ziglang") else [])
    if not compiler:
        raise SystemExit(f"No C compiler to compile {source} with.\n{WHAT_TO_DO}")
    with tempfile.TemporaryDirectory(prefix=".build-", dir=library.parent) as folder:
        fresh = Path(folder, library.name)
        command = [*compiler, *FLAGS, str(source), "-o", str(fresh), "-lm"]
        # What else a linker writes, and Zig's cache of 50 MB, go with the folder.
        env = {"ZIG_GLOBAL_CACHE_DIR": folder, **os.environ}
        try:
            done = subprocess.run(
                command, cwd=folder, env=env, check=True, capture_output=True, text=True
            )
            fresh.replace(library)
        except (OSError, subprocess.CalledProcessError) as error:
            said = f"{error}\n{getattr(error, 'stderr', '')}"
            raise SystemExit(f"Cannot compile {source}: {said}\n{WHAT_TO_DO}") from None
    sys.stderr.write(done.stderr)
