"""From an arrangement to audio files: the order of the steps.

1. Plan: notes become placements of recordings (`notes`), channels get level, pan and send.
2. Mix: block after block the buses are summed and the room added, loudness and peak measured,
   and the unlevelled blocks set aside in temporary files, so that memory stays bounded.
3. Level: one gain brings the mix to its loudness; stems get the same gain.
4. Write: blocks are read back, levelled, limited if need be, dithered and encoded.
"""

import math
from collections.abc import Callable
from contextlib import ExitStack

from generator.band.arrangement import Arrangement, Part
from generator.clock import Clock
from generator.errors import FontError, OptionError
from generator.sound.encode import Encoder
from generator.sound.fonts import Font, check_font
from generator.sound.memory import give_back_large_arrays
from generator.sound.mix import EXPRESSION, Bus, Channel, expression_gain
from generator.sound.model import MIX, AudioReport, AudioTarget, SoundSettings
from generator.sound.notes import plan_part, preset_of
from generator.sound.presets import BALANCE_DB, mix_preset
from generator.sound.reel import ReelBus
from generator.sound.sf2 import FontTables
from generator.sound.splice import Joint
from generator.sound.straight import StraightBus
from generator.sound.studio import Studio

__all__ = ["render_audio"]

_KEYLESS = "drums"
"""The part that plays the same in every key."""
_LONG_S = 600.0


def render_audio(
    arrangement: Arrangement,
    clock: Clock,
    end_tick: int,
    targets: tuple[AudioTarget, ...],
    settings: SoundSettings | None = None,
    progress: Callable[[float], None] | None = None,
    studio: Studio | None = None,
    joints: tuple[Joint, ...] = (),
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
    studio : Studio, optional
        Keeps what serves the next track too; one of its own unless given.
    joints : tuple of Joint
        What the arrangement sounds like becomes a longer track by these.

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
    wanted = {target.part for target in targets}
    presets = {
        preset_of(part)
        for part in arrangement.parts
        if part.notes and (part.name not in settings.mute or part.name in wanted)
    }
    with ExitStack() as stack:
        studio = studio or stack.enter_context(Studio())
        font = studio.font(settings.font)
        tables = check_font(font.path)
        recorder = None
        if settings.render == "notes":
            recorder = studio.recorder(tables, settings)
            recorder.warm_up(presets & tables.presets.keys())
        channels = _channels(arrangement, clock, wanted, settings, font, tables)
        end_sample = max(1, clock.samples(end_tick, settings.rate_hz))
        if joints or end_sample > _LONG_S * settings.rate_hz:
            give_back_large_arrays()
        # numpy is imported here, while the threads of the recorder read the font.
        from generator.sound.master import find_level, write_files
        from generator.sound.mixdown import Strip, mix_down

        buses: list[Strip] = []
        if recorder:
            reel = studio.reel(end_sample)
            played = [
                ReelBus(bus, reel) if reel and bus.channel.name == _KEYLESS else bus
                for bus in (Bus(channel, settings.rate_hz, recorder) for channel in channels)
            ]
            recorder.begin(bus.to_place for bus in played)
            buses += played
        else:
            parts = {part.name: part for part in arrangement.parts}
            for channel in channels:
                straight = StraightBus(
                    channel,
                    parts[channel.name],
                    clock,
                    font.path,
                    rate_hz=settings.rate_hz,
                    tuning_hz=settings.tuning_hz,
                    silences=settings.silences,
                )
                stack.callback(straight.close)
                buses.append(straight)
        mixed = mix_down(
            buses,
            parts=tuple(dict.fromkeys((MIX, *(target.part for target in targets)))),
            end_sample=end_sample,
            rate_hz=settings.rate_hz,
            jobs=settings.jobs,
            memory=studio.memory,
            progress=lambda done: report(0.6 * done),
        )
        studio.end_track()  # its memory goes to what follows
        if joints:
            from generator.sound.joined import joined

            mixed = joined(mixed, joints, settings.rate_hz)
            end_sample += round(joints[-1].back_s * settings.rate_hz)
        encoders: list[Encoder] = []
        try:
            level = find_level(mixed, settings.loudness_lufs, settings.rate_hz)
            files = write_files(
                mixed,
                level,
                targets,
                settings,
                end_sample,
                encoders,
                lambda done: report(0.6 + 0.4 * done),
            )
        except BaseException:
            for encoder in encoders:
                encoder.abort()
            raise
        finally:
            studio.let_go(mixed.close)
    placements = [placement for channel in channels for placement in channel.placements]
    return AudioReport(
        files,
        font.path,
        level.gain_db,
        len({placement.key for placement in placements}),
        len(placements),
        level.limited_db,
        level.remarks,
    )


def _channels(
    arrangement: Arrangement,
    clock: Clock,
    wanted: set[str],
    settings: SoundSettings,
    font: Font,
    tables: FontTables,
) -> tuple[Channel, ...]:
    """Put the parts on the desk: those of the mix, and those whose stems are wanted."""
    preset = mix_preset(settings.mix)
    channels = []
    for part in arrangement.parts:
        change_db = preset.levels_db.get(part.name, 0.0)
        in_mix = part.name not in settings.mute and change_db is not None
        if not in_mix and part.name not in wanted:
            continue
        level_db = (
            part.level_db
            + BALANCE_DB.get(part.name, 0.0)
            + (change_db or 0.0)
            + _trim_db(font, tables, part)
        )
        expression = tuple(
            (clock.samples(control.tick, settings.rate_hz), expression_gain(control.value))
            for control in part.controls
            if control.number == EXPRESSION
        )
        channels.append(
            Channel(
                part.name,
                plan_part(part, clock, tables, settings.rate_hz, settings.silences),
                10 ** (level_db / 20),
                part.pan,
                part.reverb_send * 10 ** (preset.room_db / 20),
                expression,
                in_mix,
            )
        )
    return tuple(channels)


def _trim_db(font: Font, tables: FontTables, part: Part) -> float:
    """Return the trim of a part's preset: from the catalogue, else measured now."""
    bank, program = preset_of(part)
    if (bank, program) not in tables.presets:
        raise FontError(
            f"{font.path}: the font lacks {'drum kit' if bank else 'program'} {program}, which "
            f"the part '{part.name}' plays; give another font with --font"
        )
    known = font.trim_db(bank, program)
    if known is not None:
        return known
    from generator.sound.synth import Synth
    from generator.sound.trims import measure_trim

    with Synth(font.path, rate_hz=44_100) as synth:
        return measure_trim(synth, bank, program)


def _check(settings: SoundSettings, targets: tuple[AudioTarget, ...]) -> None:
    for name, value, low, high in (
        ("loudness", settings.loudness_lufs, -40, -9),
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
