"""Measure whole processes in interleaved pairs and print a Markdown table.

    python -m tests.bench [--pairs N] [--only WORD] [--style NAME] [--long] [--packs] [--styles]

`--long` adds the rows of 60 minutes and 2 hours, `--packs` those of sixty tracks, `--styles` a
table of every style. Styles differ by three times in what the plain program needs for them: the
rows take the one in the middle, found by running it, unless one is named. Both sides play the same
MIDI file on the same font. The plain program runs as it comes and tuned, so that nobody
can say it was crippled. Python is compiled and the user's cache of notes left alone: both live in
the folder of the run.
"""

import argparse
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from tests.bench.bench_midi import HEAD, midi_row
from tests.bench.pack_rows import pack_rows
from tests.bench.rows import Row, compare, remover, run, table

HERE = Path(__file__).parent
CHART = HERE / "bench.chart"
RUNS_A_STYLE = 3
TUNED = ("-z", "8192", "-o", "synth.cpu-cores=2")


def main() -> int:
    """Run the rows that were asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--pairs", type=int, default=7, help="pairs a row (default 7)")
    parser.add_argument("--only", default="", help="rows whose work holds this word")
    parser.add_argument("--long", action="store_true", help="60 minutes and 2 hours too")
    parser.add_argument("--style", help="play this style (default: the middle one)")
    parser.add_argument("--styles", action="store_true", help="a row for each style too")
    parser.add_argument("--packs", action="store_true", help="packs of sixty tracks too")
    options = parser.parse_args()
    for program in ("fluidsynth", "ffmpeg", *(("rubberband",) if options.packs else ())):
        if not shutil.which(program):
            print(f"{program} is not installed: apt-get install {program}", file=sys.stderr)
            return 1
    from generator.sound.fonts import choose_font

    font = choose_font(None).path
    print(facts(font), flush=True)
    with tempfile.TemporaryDirectory() as folder:
        # Bytecode as an installed program has it, whatever the environment says.
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = f"{folder}/bytecode"
        os.environ["XDG_CACHE_HOME"] = f"{folder}/user-cache"
        played = played_styles(Path(folder), font)
        style = options.style or played[len(played) // 2].name
        print(
            f"- the plain program needs {played[0].plain_s:.2f} s ({played[0].name}) to "
            f"{played[-1].plain_s:.2f} s ({played[-1].name}); the rows play {style}\n",
            flush=True,
        )
        measured = []
        every = rows(Path(folder), font, style, long=options.long)
        if options.packs:
            every += pack_rows(Path(folder), CHART, font, style, chartbed, TUNED)
        for row in every:
            if options.only in row.work:
                measured.append(compare(row, options.pairs))
                print(table(measured[-1:]).splitlines()[-1], flush=True)
        by_style = [
            compare(style_row(Path(folder), font, each), options.pairs)
            for each in (played if options.styles else ())
        ]
    print()
    print(table(measured))
    if by_style:
        print()
        print(table(by_style))
        ratio = statistics.median(each.ratio for each in by_style)
        print(f"\nMedian of the styles: {ratio:.3f}")
    if options.only in "chart of 200 bars to MIDI":
        print()
        print(HEAD)
        print(midi_row(options.pairs), flush=True)
    return 0


def chartbed(*words: str | Path) -> tuple[str | Path, ...]:
    """Return the command line of chartbed, in this Python."""
    return (sys.executable, "-m", "generator.cli", *words)


@dataclass(frozen=True, slots=True)
class PlayedStyle:
    """A style that plays the chart: its MIDI file, and what the plain program needs for it.

    That is the least of some runs: of one, another style was in the middle almost each time.
    """

    name: str
    song: Path
    plain_s: float


def played_styles(folder: Path, font: Path) -> list[PlayedStyle]:
    """Return the styles in the meter of the chart, the quickest to play by the program first."""
    from generator.band.style_catalogue import style_catalogue

    found = []
    for entry in style_catalogue():
        if any(meter.split()[0] == "4/4" for meter in entry["meters"]):
            name = str(entry["name"])
            song = make_midi(folder / f"midi-{name}", CHART, "--style", name)
            plain = ("fluidsynth", "-ni", "-F", folder / "plain.wav", font, song)
            least_s = min(run((plain,)).wall_s for _ in range(RUNS_A_STYLE))
            found.append(PlayedStyle(name, song, least_s))
    return sorted(found, key=lambda style: style.plain_s)


def make_midi(folder: Path, chart: Path, *words: str) -> Path:
    """Return the MIDI file of a chart."""
    made = chartbed("render", chart, "-o", folder, "--formats", "midi", *words)
    subprocess.run([str(word) for word in made], check=True, stdout=subprocess.DEVNULL)
    return next(folder.glob("*.mid"))


def style_row(folder: Path, font: Path, style: PlayedStyle) -> Row:
    """Return the row of one style, cold."""
    words = ("--style", style.name, "--font", font, "--formats", "wav,midi,map", "--no-cache")
    plain = folder / "plain.wav"
    return Row(
        f"3 min, cold, {style.name}",
        "`fluidsynth -ni -F`",
        (chartbed("render", CHART, "-o", folder / "out", *words),),
        (("fluidsynth", "-ni", "-F", plain, font, style.song),),
        0.20,
        0.10,
        remover(folder / "out", plain),
    )


def rows(folder: Path, font: Path, style: str, *, long: bool) -> list[Row]:
    """Return the rows; the MIDI files that the plain program plays are made on the way."""
    cache = folder / "cache"
    wav = ("render", CHART, "-o", folder / "out", "--font", font, "--style", style, "--formats")
    song = make_midi(folder / "midi", CHART, "--style", style)
    plain_wav = folder / "plain.wav"
    plain = ("fluidsynth", "-ni", "-F", plain_wav, font, song)
    tuned = ("fluidsynth", "-ni", *TUNED, "-F", plain_wav, font, song)
    nothing_written = remover(folder / "out", plain_wav, folder / "plain.mp3")
    mp3 = ("ffmpeg", "-v", "error", "-y", "-i", plain_wav, "-b:a", "192k", folder / "plain.mp3")

    every = [
        Row(
            "chart to WAV + MIDI + map, 3 min, cold",
            "`fluidsynth -ni -F`",
            (chartbed(*wav, "wav,midi,map", "--no-cache"),),
            (plain,),
            0.20,
            0.10,
            nothing_written,
        ),
        Row(
            "chart to WAV + MIDI + map, 3 min, cold",
            f"the same, tuned `{' '.join(TUNED)}`",
            (chartbed(*wav, "wav,midi,map", "--no-cache"),),
            (tuned,),
            0.34,
            0.17,
            nothing_written,
        ),
        Row(
            "same, notes cached on disk",
            "`fluidsynth -ni -F`",
            (chartbed(*wav, "wav,midi,map", "--cache", cache),),
            (plain,),
            0.12,
            0.07,
            nothing_written,
        ),
        Row(
            "chart to MP3 192k",
            "the program, then ffmpeg",
            (chartbed(*wav, "mp3", "--no-cache"),),
            (plain, mp3),
            0.30,
            0.15,
            nothing_written,
        ),
        Row(
            "`chartbed --help`",
            '`python -c "import typer"`',
            (chartbed("--help"),),
            ((sys.executable, "-c", "import typer"),),
            1.5,
        ),
        Row(
            "`chartbed check`, 72 bars",
            '`python -c "import typer"`',
            (chartbed("check", CHART),),
            ((sys.executable, "-c", "import typer"),),
            3.0,
        ),
    ]
    if long:
        for minutes, choruses in ((60, 20), (118, 39)):
            chart = folder / f"{minutes}.chart"
            chart.write_text(CHART.read_text().replace("Form: ", f"Choruses: {choruses}\nForm: "))
            render = ("render", chart, "-o", folder / f"out-{minutes}", "--font", font)
            render += ("--style", style)
            song = make_midi(folder / f"midi-{minutes}", chart, "--style", style)
            every.append(
                Row(
                    f"{minutes} minutes of WAV",
                    "`fluidsynth -ni -F`",
                    (chartbed(*render, "--formats", "wav", "--no-cache"),),
                    (("fluidsynth", "-ni", "-F", plain_wav, font, song),),
                    0.05,
                    0.025,
                    pairs=1,
                )
            )
    return every


def facts(font: Path) -> str:
    """Return what the machine is, as a list in Markdown."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        names = [line for line in cpuinfo.read_text().splitlines() if "model name" in line]
        model = names[0].split(":")[1].strip() if names else model
    version = subprocess.run(["fluidsynth", "--version"], capture_output=True, text=True)
    first = version.stdout.splitlines()[0] if version.stdout else "fluidsynth"
    load = os.getloadavg()[0]
    return "\n".join(
        (
            f"- {model}, {os.cpu_count()} cores, load {load:.2f} before the first row",
            f"- Python {platform.python_version()}, {first}",
            f"- font {font.name}; whole processes, wall time, medians of interleaved pairs",
            "- CPU ratio: user and system time of the processes (ffmpeg that we start included)",
            "",
        )
    )


if __name__ == "__main__":
    sys.exit(main())
