"""Fixtures that several test modules share."""

import os
import signal
import subprocess
import sys

import pytest
from hypothesis import settings

# No deadline: this is no place for timings. CI draws the same examples each time, so that it tells
# of the change it tests; elsewhere each run looks for new faults.
settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")


@pytest.fixture(scope="session")
def start_chartbed():
    """Begin the program in a folder, to be interrupted or killed; returns the process."""

    def start(folder, *arguments):
        return subprocess.Popen(
            [sys.executable, "-m", "generator.cli", *map(str, arguments)],
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            # What a shell starts with `&` ignores Ctrl-C, and so would its children.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )

    return start


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


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory):
    """Keep the recorded notes of the tests away from those of the user."""
    os.environ["XDG_CACHE_HOME"] = str(tmp_path_factory.mktemp("cache"))
