"""The rows of packs: sixty tracks (12 keys x 5 tempos), as a student's teacher makes them.

Against the same MIDI files one by one, and, a variant, against pitch and tempo shifting of one
finished WAV. The pack starts with an empty cache of notes.
"""

import os
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.bench.rows import Command, Row, remover

__all__ = ["pack_rows"]

KEYS, TEMPOS = "all", "60%..100%:10%"


def pack_rows(
    folder: Path,
    chart: Path,
    font: Path,
    style: str,
    chartbed: Callable[..., Command],
    tuned: Sequence[str],
) -> list[Row]:
    """Return the rows; the sixty MIDI files that the plain program plays are made on the way."""
    songs = folder / "pack-midi"
    words = ("pack", chart, "--keys", KEYS, "--tempos", TEMPOS, "--styles", style)
    subprocess.run(
        [str(w) for w in chartbed(*words, "--formats", "midi", "-o", songs)],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    files = sorted(songs.rglob("*.mid"))
    made = folder / "pack"

    out = folder / "plain-pack"
    plain_wav = out.with_suffix(".wav")
    nothing_there = remover(made, Path(os.environ["XDG_CACHE_HOME"]), out, plain_wav)
    ours = (chartbed(*words, "--formats", "wav,midi,map", "-o", made),)
    one_by_one = tuple(("fluidsynth", "-ni", "-F", plain_wav, font, file) for file in files)
    # Two at a time, as a shell does it; xargs gives each file to the next free program.
    tuned_words = " ".join(tuned)
    play = f'fluidsynth -ni {tuned_words} -F "{out}/$$.wav" "{font}" "SONG"'
    script = f'find "{songs}" -name "*.mid" -print0 | xargs -0 -P 2 -I SONG sh -c \'{play}\''
    two = ("sh", "-c", f'mkdir "{out}" && {script}')
    count = len(files)
    finished = folder / "finished"
    subprocess.run(
        [
            str(w)
            for w in chartbed("render", chart, "-o", finished, "--formats", "wav", "--style", style)
        ],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    wav = next(finished.glob("*.wav"))
    # Two of the variants: up two semitones at 80 %, down a fourth at 60 % of the tempo.
    shifts = (("-t1.25", "-p2"), ("-t1.6667", "-p-5"))
    shifted = [
        Row(
            f"one variant of a pack (the pack over {count})",
            f"rubberband {engine} on the finished WAV",
            ours,
            tuple(
                ("rubberband", "-q", flag, *shift, wav, folder / "shifted.wav") for shift in shifts
            ),
            target,
            None,
            nothing_there,
            pairs=1,
            theirs_times=count // len(shifts),
        )
        for engine, flag, target in (("R2", "-2", 0.05), ("R3", "-3", 0.01))
    ]
    return [
        *shifted,
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
            pairs=3,  # one pack takes 8 s, which one moment of a busy machine makes 9
        ),
    ]
