"""Fixtures that several test modules share."""

import subprocess
import sys

import pytest


@pytest.fixture(scope="session")
def run_chartbed():
    """Run the program as a user does, in a folder; returns the finished process."""

    def run(folder, *arguments, **more):
        return subprocess.run(
            [sys.executable, "-m", "generator.cli", *map(str, arguments)],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=240,
            **more,
        )

    return run


@pytest.fixture(scope="session")
def rendered_demo(tmp_path_factory, run_chartbed):
    """Return a folder in which `chartbed demo` has left its files in `out/`."""
    folder = tmp_path_factory.mktemp("demo")
    done = run_chartbed(folder, "demo")
    assert done.returncode == 0, done.stderr
    return folder
