"""What the documents say holds: every command has help with an example, README's examples run."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from generator.cli.app import _COMMANDS, program

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = sorted(typer.main.get_command(program()).commands)
ROOMS = sorted(
    path.name
    for path in (ROOT / "generator").iterdir()
    if path.is_dir() and not path.name.startswith(("_", ".")) and path.name != "shipped_data"
)


def run(arguments, folder, **more):
    return subprocess.run(
        [sys.executable, "-m", "generator.cli", *arguments],
        capture_output=True,
        text=True,
        cwd=folder,
        **more,
    )


def blocks(language):
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_an_example_and_readme_names_the_command(command, tmp_path):
    shown = run([command, "--help"], tmp_path, env={"COLUMNS": "300", "PATH": ""})
    assert shown.returncode == 0, shown.stderr
    assert f"Example: chartbed {command}" in shown.stdout
    assert f"chartbed {command}" in README


def test_a_command_brings_its_group_alone_and_another_word_all():
    for commands in _COMMANDS.values():
        for command in commands:
            assert tuple(typer.main.get_command(program(command)).commands) == commands
    assert sorted(command for group in _COMMANDS.values() for command in group) == COMMANDS
    assert list(typer.main.get_command(program("rendre")).commands) == [
        command for group in _COMMANDS.values() for command in group
    ]


@pytest.mark.parametrize("room", ROOMS)
def test_the_contributors_guide_names_every_room(room):
    assert f"`{room}/`" in DEVELOPERS


def test_files_that_the_documents_name_exist():
    names = re.findall(r"`((?:generator|styles|soundfonts|tests)/[\w./-]*)`", README + DEVELOPERS)
    assert len(names) > 10
    for name in names:
        assert (ROOT / name).exists(), name


def test_the_charts_of_the_readme_are_right(tmp_path):
    charts = blocks("chart")
    assert charts
    for text in charts:
        done = run(["check", "-"], tmp_path, input=text)
        assert done.returncode == 0, done.stderr


def test_the_errors_of_the_readme_are_what_the_program_prints(tmp_path):
    (shown,) = [text for text in blocks("text") if "tune.chart:" in text]
    line = shown.splitlines()[1].strip()
    (tmp_path / "tune.chart").write_text(f"Title: Tune\nTime: 4/4\n[A]\n{line}\n")
    done = run(["check", "tune.chart"], tmp_path)
    assert done.stderr.strip() == shown.strip()


@pytest.mark.xdist_group("librosa")
def test_the_python_of_the_readme_runs(rendered_demo):
    """Each block runs on its own, in the folder where the demo was rendered to `out/`."""
    for code in blocks("python"):
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, cwd=rendered_demo
        )
        assert done.returncode == 0, f"{code}\n{done.stderr}"


def test_the_commands_of_the_readme_run(rendered_demo):
    """Lines that start with `$ chartbed`; set-up lines are tested by the CI script itself."""
    lines = re.findall(r"^\$ chartbed (.*)$", README, re.MULTILINE)
    assert len(lines) >= 5
    for line in lines:
        done = run(shlex.split(line), rendered_demo)
        assert done.returncode == 0, f"{line}\n{done.stderr}"
