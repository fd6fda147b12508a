"""From an arrangement to audio files: the order of the steps.

1. Plan: notes become placements of recordings (`notes`), channels get level, pan and send.
2. Mix: block after block the buses are summed and the room added, loudness and peak measured,
   and the unlevelled blocks set aside in temporary files, so that memory stays bounded.
3. Level: one gain brings the mix to its loudness; stems get the same gain.
4. Write: blocks are read back, levelled, limited if need be, dithered and encoded.
"""

import math
from collections.abc import Callable

from generator.band.arrangement import Arrangement
from generator.clock import Clock
from generator.errors import OptionError
from generator.sound.fonts import check_font, choose_font
from generator.sound.model import AudioReport, AudioTarget, SoundSettings
from generator.sound.notes import preset_of
from generator.sound.presets import mix_preset
from generator.sound.record import Recorder

__all__ = ["render_audio"]


def render_audio(
    arrangement: Arrangement,
    clock: Clock,
    end_tick: int,
    targets: tuple[AudioTarget, ...],
    settings: SoundSettings | None = None,
    progress: Callable[[float], None] | None = None,
) -> AudioReport:
    """Render an arrangement into audio files, exactly at the paths given.

    Parameters
    ----------
    arrangement : Arrangement
    clock : Clock
        Turns the ticks of the arrangement into samples.
    end_tick : int
        Where the music ends; the files go on until the sound has died away.
    targets : tuple of AudioTarget
        The files to write; a part that does not play gives a silent stem.
    settings : SoundSettings, optional
    progress : callable, optional
        Called with the share of the work done, 0 to 1.

    Returns
    -------
    AudioReport

    Raises
    ------
    FontError, OptionError
        If the font or a setting cannot be used; nothing was written.
    MissingToolError, SynthError, EncodeError, OutputError
        If something fails while working; no file of `targets` is left.
    """
    settings = settings or SoundSettings()
    _check(settings, targets)
    report = progress or (lambda _: None)
    font = choose_font(settings.font)
    tables = check_font(font.path)
    wanted = {target.part for target in targets}
    presets = {
        preset_of(part)
        for part in arrangement.parts
        if part.notes and (part.name not in settings.mute or part.name in wanted)
    }
    with Recorder(
        tables,
        rate_hz=settings.rate_hz,
        tuning_hz=settings.tuning_hz,
        jobs=settings.jobs,
        presets=presets,
    ) as recorder:
        # numpy is imported here, while the threads of the recorder read the font.
        from generator.sound.session import Session

        with Session(
            arrangement, clock, end_tick, targets, settings, font, tables, recorder, report
        ) as session:
            session.mix()
            return session.write()


def _check(settings: SoundSettings, targets: tuple[AudioTarget, ...]) -> None:
    for name, value, low, high in (
        ("loudness", settings.loudness_lufs, -40, -6),
        ("tuning", settings.tuning_hz, 380, 480),
        ("sample rate", settings.rate_hz, 22_050, 96_000),
        ("bit rate", settings.bitrate_kbps, 64, 320),
    ):
        if not (math.isfinite(value) and low <= value <= high):
            raise OptionError(f"{name} must be {low} to {high}, got {value:g}")
    mix_preset(settings.mix)
    if not targets:
        raise OptionError("no audio file was asked for")
    paths = [target.path for target in targets]
    if len(set(paths)) < len(paths):
        raise OptionError("two audio files have the same path")
