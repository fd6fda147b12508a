"""The command line as a user meets it: files, words, exit codes."""

import json
import os
import resource
import signal
import subprocess
import sys
import time

import pytest

from generator.cli import app

CHART = """Title: Paper Boat
Key: G
Time: 3/4
Tempo: q=150
Style: jazz-waltz
[A] mf
| G | D7/F# | Em7 | C / D7 |
| G<> |
"""

BROKEN = """Title: Paper Boat
Time: 4/4
[A] mf
| C / / / / | H7 |
"""

BROKEN_MESSAGE = """broken.chart:4:11: """


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "boat.chart").write_text(CHART)
    (tmp_path / "broken.chart").write_text(BROKEN)
    return tmp_path


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_render_leaves_audio_midi_and_map_and_says_so(folder, run_chartbed):
    done = run_chartbed(folder, "render", "boat.chart", "-o", "out")
    assert done.returncode == 0, done.stderr
    assert names(folder / "out") == [
        "Paper Boat.chordmap.json",
        "Paper Boat.mid",
        "Paper Boat.mp3",
        "Paper Boat.wav",
    ]
    assert "Paper Boat: G major, q=150, jazz-waltz, 5 bars" in done.stdout
    assert done.stderr == "", "no progress bar in a pipe"


def test_json_is_one_summary(folder, run_chartbed):
    done = run_chartbed(folder, "render", "boat.chart", "--formats", "midi,map", "--json")
    summary = json.loads(done.stdout)
    assert summary["title"] == "Paper Boat"
    assert [file["format"] for file in summary["files"]] == ["midi", "map"]
    for file in summary["files"]:
        assert (folder / file["path"]).is_file()


def test_standard_input_is_a_chart(folder, run_chartbed):
    done = run_chartbed(folder, "render", "-", "--formats", "map", input=CHART)
    assert done.returncode == 0, done.stderr
    assert (folder / "Paper Boat.chordmap.json").is_file()


def test_same_chart_style_and_seed_give_the_same_bytes(folder, run_chartbed):
    """Across processes, with another hash seed and locale each time."""
    found = []
    for n in ("1", "2"):
        environment = os.environ | {"PYTHONHASHSEED": n, "LC_ALL": "C"}
        done = run_chartbed(
            folder, "render", "boat.chart", "--formats", "midi,map", "-o", n, env=environment
        )
        assert done.returncode == 0, done.stderr
        found.append({path.name: path.read_bytes() for path in (folder / n).iterdir()})
    assert found[0] == found[1]
    other = run_chartbed(
        folder, "render", "boat.chart", "--formats", "midi", "--seed", "2", "-o", "3"
    )
    assert other.returncode == 0
    assert (folder / "3" / "Paper Boat.mid").read_bytes() != found[0]["Paper Boat.mid"]


def map_of(folder, run_chartbed, *options):
    done = run_chartbed(folder, "render", "boat.chart", "--formats", "map", "-o", "m", *options)
    assert done.returncode == 0, done.stderr
    return json.loads((folder / "m" / "Paper Boat.chordmap.json").read_text())


def test_key_transpose_tempo_choruses_and_count_in(folder, run_chartbed):
    plain = map_of(folder, run_chartbed)
    moved = map_of(folder, run_chartbed, "--key", "Bb")
    assert moved["key"] == "Bb major"
    assert moved["chords"][1]["symbol"] == "F7/A"
    assert map_of(folder, run_chartbed, "--transpose", "3")["chords"] == moved["chords"]
    slow = map_of(folder, run_chartbed, "--tempo", "50%")
    assert slow["tempos"][0]["quarter_bpm"] == pytest.approx(75, abs=1e-3)
    assert map_of(folder, run_chartbed, "--tempo", "75") == slow
    twice = map_of(folder, run_chartbed, "--choruses", "2")
    assert len(twice["bars"]) == 2 * len(plain["bars"])
    assert twice["bars"][-1]["chorus"] == 2
    assert plain["count_in"]["beats"] == 3
    assert map_of(folder, run_chartbed, "--count-in", "0")["count_in"]["beats"] == 0
    capo = map_of(folder, run_chartbed, "--capo", "5")
    assert capo["chords"][0]["symbol"] == "G"
    assert capo["chords"][0]["written"]["symbol"] == "D"


def test_mute_and_stems(folder, run_chartbed):
    done = run_chartbed(
        folder,
        "render",
        "boat.chart",
        "--stems",
        "--mute",
        "bass",
        "--formats",
        "wav,midi",
        "-o",
        "s",
    )
    assert done.returncode == 0, done.stderr
    made = names(folder / "s")
    assert "Paper Boat.drums.wav" in made
    assert "Paper Boat.bass.wav" not in made
    import mido

    tracks = [track.name for track in mido.MidiFile(folder / "s" / "Paper Boat.mid").tracks]
    assert "bass" not in tracks
    assert "drums" in tracks


def test_check_prints_every_problem_and_writes_nothing(folder, run_chartbed):
    before = names(folder)
    done = run_chartbed(folder, "check", "broken.chart", "boat.chart")
    assert done.returncode == 2
    assert "broken.chart:4:11:" in done.stderr
    assert "broken.chart:4:15:" in done.stderr
    assert "    | C / / / / | H7 |\n              ^" in done.stderr
    assert "Paper Boat" in done.stdout, "a good chart beside it is still summed up"
    assert names(folder) == before


def test_render_of_a_broken_chart_says_the_same_as_check(folder, run_chartbed):
    rendered = run_chartbed(folder, "render", "broken.chart", "-o", "out")
    assert rendered.returncode == 2
    checked = run_chartbed(folder, "check", "broken.chart")
    assert checked.stderr in rendered.stderr.replace("chartbed: ", "")
    assert not (folder / "out").exists()


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (["--key", "H"], 2, "H"),
        (["--key", "Gm"], 2, "ask for a major key"),
        (["--key", "C", "--transpose", "2"], 2, "give one of the two"),
        (["--transpose", "13"], 2, "-12 to 12"),
        (["--tempo", "fast"], 2, "write beats a minute"),
        (["--tempo", "0%"], 2, "20 to 400"),
        (["--tempo", "900"], 2, "20"),
        (["--style", "medium-swnig"], 2, "medium-swing"),
        (["--mute", "flute"], 2, "no such part"),
        (["--formats", "mp4"], 2, "choose from"),
        (["--formats", ","], 2, "empty"),
        (["--section", "Z"], 2, "Z"),
        (["--font", "nowhere.sf2"], 2, "nowhere.sf2"),
        (["--loudness", "3"], 2, "loudness"),
        (["--tuning", "100"], 2, "tuning"),
        (["--mix", "muddy"], 2, "muddy"),
        (["--seed", "x"], 2, "seed"),
        (["--capo", "12"], 2, "capo"),
        (["--for", "g"], 2, "bb"),
        (["-o", "boat.chart"], 1, "is a file, not a folder"),
        (["-o", "/proc/nothing"], 1, "cannot be written"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_wrong_option_is_explained_and_nothing_is_written(
    folder, run_chartbed, options, code, words
):
    before = names(folder)
    done = run_chartbed(folder, "render", "boat.chart", *options)
    assert done.returncode == code, done.stderr
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert names(folder) == before


def test_an_absent_chart_is_explained(folder, run_chartbed):
    done = run_chartbed(folder, "render", "none.chart")
    assert done.returncode == 2
    assert done.stderr == (
        "chartbed: none.chart:1:1: cannot read the chart: No such file or directory; "
        "give the path of a .chart file\n"
    )


def test_nothing_that_a_terminal_obeys_is_printed(folder, run_chartbed):
    (folder / "esc.chart").write_text("| C \x1b]0;gone\x07 |\n| C \x9b31m |\n")
    done = run_chartbed(folder, "check", "esc.chart")
    assert done.returncode == 2
    assert "esc.chart:1:5: control character U+001B" in done.stderr
    assert "esc.chart:2:5: control character U+009B" in done.stderr
    assert not {"\x1b", "\x07", "\x9b"} & set(done.stderr)
    run_chartbed(folder, "render", "boat.chart", "-o", ".", "--formats", "map")
    path = folder / "Paper Boat.chordmap.json"
    path.write_text(path.read_text().replace("Paper Boat", "Paper\\u001b[31m Boat"))
    assert "Paper\ufffd[31m Boat: a chord map" in run_chartbed(folder, "check", path.name).stdout


def test_export_checks_the_map_first(folder, run_chartbed):
    """A field that no writer of ours makes is named, and nothing is written."""
    run_chartbed(folder, "render", "boat.chart", "-o", ".", "--formats", "map")
    path = folder / "Paper Boat.chordmap.json"
    path.write_text(path.read_text().replace('"composer":', '"componist": "", "composer":', 1))
    before = names(folder)
    done = run_chartbed(folder, "export", path.name, "--to", "lab")
    assert done.returncode == 2
    assert "componist" in done.stderr
    assert names(folder) == before
    chart = run_chartbed(folder, "export", "boat.chart", "--to", "lab")
    assert chart.returncode == 2
    assert "a chord map is what `chartbed render --formats map` writes" in chart.stderr


def test_a_disk_that_fills_up_leaves_nothing(folder, run_chartbed):
    """A limit on the size of a file makes the system refuse a write in the middle."""
    limit = 600_000  # in the middle of the sound

    def small_files():
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    done = run_chartbed(
        folder, "render", "boat.chart", "--formats", "wav,midi", "-o", "out", preexec_fn=small_files
    )
    assert done.returncode == 1, done.stderr
    assert "free some space" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (folder / "out").exists()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_in_the_middle_leaves_nothing(folder, start_chartbed, number):
    (folder / "long.chart").write_text(CHART + "|: G | C | D | G :| x400\n")
    process = start_chartbed(folder, "render", "long.chart", "-o", "out")
    deadline = time.monotonic() + 60
    while not (folder / "out").exists() and time.monotonic() < deadline:
        time.sleep(0.01)
    time.sleep(0.3)
    process.send_signal(number)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130, errors
    assert "interrupted" in errors
    assert "Traceback" not in errors
    assert not (folder / "out").exists()


def test_version_doctor_fonts_styles(folder, run_chartbed):
    from generator import __version__

    assert run_chartbed(folder, "--version").stdout == f"chartbed {__version__}\n"
    doctor = run_chartbed(folder, "doctor")
    assert doctor.returncode == 0, doctor.stdout
    assert "fluidsynth" in doctor.stdout.lower()
    fonts = json.loads(run_chartbed(folder, "fonts", "--json").stdout)
    assert fonts
    assert set(fonts[0]) == {"name", "path", "quality", "licence", "trims_db"}
    styles = json.loads(run_chartbed(folder, "styles", "--json").stdout)
    assert {"name", "meter", "tempo", "feel", "description"} <= set(styles[0])
    assert run_chartbed(folder, "styles", "jazz-waltz").returncode == 0
    unknown = run_chartbed(folder, "styles", "jaz-waltz")
    assert unknown.returncode == 2
    assert "jazz-waltz" in unknown.stderr


def test_an_audition_is_eight_bars_of_the_style(folder, run_chartbed):
    done = run_chartbed(folder, "styles", "jazz-waltz", "--audition", "-o", "try")
    assert done.returncode == 0, done.stderr
    assert [path.suffix for path in (folder / "try").iterdir()] == [".mp3"]


def test_no_command_shows_help_and_a_wrong_one_is_refused(folder, run_chartbed):
    bare = run_chartbed(folder)
    assert "Commands:" in bare.stdout + bare.stderr
    wrong = run_chartbed(folder, "rendr")
    assert wrong.returncode == 2
    assert "render" in wrong.stderr


def test_an_interrupt_that_python_wraps_is_one_too(monkeypatch, capsys):
    """As Python 3.11 does where a descriptor of a class is told its name (seen while importing)."""

    def program(*_: str):
        def run(**_: object) -> None:
            raise RuntimeError("Error calling __set_name__") from KeyboardInterrupt()

        return run

    terminated = signal.getsignal(signal.SIGTERM)
    monkeypatch.setattr(app, "program", program)
    with pytest.raises(SystemExit) as end:
        app.main(["check"])
    signal.signal(signal.SIGTERM, terminated)
    assert end.value.code == 130
    assert capsys.readouterr().err == "chartbed: interrupted; what was unfinished is removed\n"


def test_an_interrupt_that_python_drops_comes_again():
    """As in a callback of the import system, where one was lost once: the program went on."""
    script = """
import signal, sys, time, weakref
from generator import cli
from generator.cli import app

def run(_):
    found = type("Found", (), {})()
    kept = weakref.ref(found, lambda _: signal.raise_signal(signal.SIGINT))
    del found
    time.sleep(20)
    print("went on")

signal.signal(signal.SIGINT, signal.default_int_handler)
app.main = run
cli.main(["check"])
"""
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (ended.returncode, ended.stdout, ended.stderr) == (130, "", "chartbed: interrupted\n")
