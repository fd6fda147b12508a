"""The rows of packs: sixty tracks (12 keys x 5 tempos) against the same MIDI files one by one."""

import shutil
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.bench.rows import Command, Row

__all__ = ["pack_rows"]

KEYS, TEMPOS = "all", "60%..100%:10%"


def pack_rows(
    folder: Path,
    chart: Path,
    font: Path,
    chartbed: Callable[..., Command],
    tuned: Sequence[str],
) -> list[Row]:
    """Return the rows; the sixty MIDI files that the plain program plays are made on the way."""
    songs = folder / "pack-midi"
    words = ("pack", chart, "--keys", KEYS, "--tempos", TEMPOS)
    subprocess.run(
        [str(w) for w in chartbed(*words, "--formats", "midi", "-o", songs)],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    files = sorted(songs.rglob("*.mid"))
    made = folder / "pack"

    def nothing_there() -> None:
        shutil.rmtree(made, ignore_errors=True)

    ours = (chartbed(*words, "--formats", "wav,midi,map", "--no-cache", "-o", made),)
    out = folder / "plain-pack"
    one_by_one = tuple(
        ("fluidsynth", "-ni", "-F", out.with_suffix(".wav"), font, file) for file in files
    )
    # Two at a time, as a shell does it; xargs gives each file to the next free program.
    tuned_words = " ".join(tuned)
    play = f'fluidsynth -ni {tuned_words} -F "{out}-$$.wav" "{font}" "SONG"'
    script = f'find "{songs}" -name "*.mid" -print0 | xargs -0 -P 2 -I SONG sh -c \'{play}\''
    two = ("sh", "-c", script)
    count = len(files)
    return [
        Row(
            f"{count}-track pack, WAV + MIDI + map",
            f"{count} runs of `fluidsynth -ni -F`",
            ours,
            one_by_one,
            0.05,
            0.022,
            nothing_there,
            pairs=1,
        ),
        Row(
            f"{count}-track pack, WAV + MIDI + map",
            f"the same, tuned `{tuned_words}`, two at a time",
            ours,
            (two,),
            0.09,
            0.045,
            nothing_there,
            pairs=1,
        ),
    ]
