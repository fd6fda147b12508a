"""What goes into the sound room and what comes out: targets, settings, reports.

Conventions
-----------
* Levels are decibels of amplitude (`_db`); loudness is LUFS and true peak dBTP, both after
  ITU-R BS.1770-4; full scale is 1.0.
* Audio is planar `float32` of shape (2, frames): left, right.
* Sample 0 of every file is tick 0 of the clock.
"""

from pathlib import Path
from typing import Literal

from generator.record import record

__all__ = [
    "FORMATS",
    "MIX",
    "AudioFile",
    "AudioFormat",
    "AudioReport",
    "AudioTarget",
    "Chapter",
    "SoundSettings",
    "Tags",
]

AudioFormat = Literal["wav", "wav24", "wav32f", "flac", "mp3", "m4a", "ogg", "opus"]

FORMATS: tuple[AudioFormat, ...] = (
    "wav",
    "wav24",
    "wav32f",
    "flac",
    "mp3",
    "m4a",
    "ogg",
    "opus",
)
"""Every audio format; `wav` is 16 bit, `m4a` AAC, `ogg` Vorbis."""

MIX = "mix"
"""The part name of the whole band in one file."""


@record
class AudioTarget:
    """One file to write: where, which part (`mix` or the name of a part), which format."""

    path: Path
    part: str = MIX
    format: AudioFormat = "wav"


@record
class Chapter:
    """A named stretch of the track, in seconds."""

    start_s: float
    end_s: float
    title: str


@record
class Tags:
    """What a player shows about the file; empty fields are left out."""

    title: str = ""
    composer: str = ""
    key: str = ""
    tempo: str = ""
    comment: str = ""
    chapters: tuple[Chapter, ...] = ()


@record
class SoundSettings:
    """How to sound.

    Attributes
    ----------
    font : Path or None
        A General MIDI SoundFont; None takes the best one found.
    rate_hz : int
        22,050 to 96,000.
    loudness_lufs : float
        Integrated loudness of the mix, -40 to -9.
    tuning_hz : float
        What A4 sounds at, 380 to 480.
    mute : tuple of str
        Parts to leave out of the mix.
    mix : str
        Name of a mix preset, see `mix_presets`.
    render : {"notes", "straight"}
        Play each distinct note once and place it, or run one synthesiser through each part.
    cache : Path or None
        A folder that keeps recorded notes between runs.
    bitrate_kbps : int
        For the lossy formats.
    silences : tuple of (int, int)
        Stretches in ticks in which the whole band is still: what rings on is damped.
    jobs : int
        Threads that may work at once; the result does not depend on it.
    """

    font: Path | None = None
    rate_hz: int = 44_100
    loudness_lufs: float = -18.0
    tuning_hz: float = 440.0
    mute: tuple[str, ...] = ()
    mix: str = "balanced"
    render: Literal["notes", "straight"] = "notes"
    cache: Path | None = None
    bitrate_kbps: int = 192
    tags: Tags = Tags()
    silences: tuple[tuple[int, int], ...] = ()
    jobs: int = 2


@record
class AudioFile:
    """A file that was written.

    `loudness_lufs` and `true_peak_dbtp` are of the samples handed to the encoder, -inf when
    silent. `start_offset_s` is how late sample 0 decodes: 0 for every format written here.
    """

    path: Path
    part: str
    format: AudioFormat
    sample_rate_hz: int
    frames: int
    duration_s: float
    start_offset_s: float
    sha256: str
    loudness_lufs: float
    true_peak_dbtp: float


@record
class AudioReport:
    """What a render made.

    `gain_db` is the master gain, the same on the mix and on every stem. `limited_db` is what the
    limiter takes off the highest peak of the mix (0: plain gain); stems are never limited, they
    add up to the mix before the limiter.
    """

    files: tuple[AudioFile, ...]
    font: Path
    gain_db: float
    distinct_notes: int
    total_notes: int
    limited_db: float = 0.0
    remarks: tuple[str, ...] = ()
