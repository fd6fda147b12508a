"""What may be asked of a track, and what may come out of one."""

from collections.abc import Callable
from pathlib import Path

from generator.errors import OptionError
from generator.record import record

__all__ = [
    "AUDIO_ENDINGS",
    "DEFAULT_FORMATS",
    "FORMATS",
    "Progress",
    "RenderOptions",
    "check_formats",
]

AUDIO_ENDINGS = {
    "mp3": ".mp3",
    "wav": ".wav",
    "wav24": ".24bit.wav",
    "wav32f": ".float.wav",
    "flac": ".flac",
    "m4a": ".m4a",
    "ogg": ".ogg",
    "opus": ".opus",
}
"""How the files of each audio format end."""

FORMATS = (*AUDIO_ENDINGS, "midi", "map", "chart", "page", "sheet")
"""Everything that `render --formats` takes."""

DEFAULT_FORMATS = ("mp3", "wav", "midi", "map")

Progress = Callable[[str, float], None]
"""Called with what is being done and how much of it is done, 0 to 1."""


@record
class RenderOptions:
    """What may be asked of a track beyond its chart; None leaves it to the chart.

    `tempo` is a percentage ("75%"), a mark ("q=98") or a number of the meter's beats a minute.
    `written_for` ("bb", "eb", "f") and `capo` change the names in the map, never the sound.
    """

    key: str | None = None
    transpose: int = 0
    tempo: str | None = None
    style: str | None = None
    choruses: int | None = None
    count_in_bars: int | None = None
    section: str | None = None
    seed: int = 1
    formats: tuple[str, ...] = DEFAULT_FORMATS
    stems: bool = False
    mute: tuple[str, ...] = ()
    mix: str = "balanced"
    loudness_lufs: float = -18.0
    tuning_hz: float = 440.0
    rate_hz: int = 44_100
    bitrate_kbps: int = 192
    font: Path | None = None
    render: str = "notes"
    cache: Path | None = None
    jobs: int = 2
    written_for: str | None = None
    capo: int | None = None

    @property
    def has_sound(self) -> bool:
        """Whether any of the formats holds sound."""
        return "page" in self.formats or any(kind in AUDIO_ENDINGS for kind in self.formats)


def check_formats(formats: tuple[str, ...]) -> None:
    """Refuse a format that does not exist.

    Raises
    ------
    OptionError
        If one is unknown, or there is none.
    """
    from generator.chart.suggest import did_you_mean

    if not formats:
        raise OptionError(f"--formats is empty; choose from {', '.join(FORMATS)}")
    for kind in formats:
        if kind not in FORMATS:
            raise OptionError(
                f"--formats {kind}: no such format; choose from {', '.join(FORMATS)} "
                f"{did_you_mean(kind, FORMATS)}".rstrip()
            )
