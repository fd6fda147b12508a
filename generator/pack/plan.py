"""Every combination of charts, keys, tempos, mutes and styles, with its place in the folder."""

import hashlib
import json
from dataclasses import asdict, replace
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING

from generator.chart.model import Chart
from generator.errors import OptionError
from generator.files import safe_name
from generator.harmony.key import Key
from generator.pack.spec import PackSpec
from generator.pack.words import read_keys, read_mutes, read_tempos
from generator.pipeline.options import AUDIO_ENDINGS, RenderOptions, check_formats
from generator.pipeline.prepare import load_chart, set_out
from generator.record import record

if TYPE_CHECKING:
    from generator.sound.fonts import Font

__all__ = ["MAX_TRACKS", "PackPlan", "PlannedTrack", "folder_of", "plan_pack"]

MAX_TRACKS = 10_000

_WAV_BYTES_A_S = 44_100 * 4
_BYTES_A_S = {
    "wav": _WAV_BYTES_A_S,
    "wav24": _WAV_BYTES_A_S * 3 // 2,
    "wav32f": _WAV_BYTES_A_S * 2,
    "flac": _WAV_BYTES_A_S * 6 // 10,
}
_LOSSY_BYTES_A_S = 192_000 // 8
_TEXT_BYTES = 100_000  # map, MIDI and chart of a usual track, together


@record
class PlannedTrack:
    """One track to make.

    `folder` is relative to the pack, with `/` between its parts; `name` the stem of its files.
    `job` names everything that the result depends on: the same job gives the same files.
    """

    title: str
    folder: str
    name: str
    chart_text: str
    options: RenderOptions
    duration_s: float
    job: str


@record
class PackPlan:
    """All tracks of a pack, and what they will take, estimated from their length."""

    tracks: tuple[PlannedTrack, ...]

    @property
    def duration_s(self) -> float:
        """Length of all tracks together."""
        return sum(track.duration_s for track in self.tracks)

    @property
    def size_bytes(self) -> int:
        """About how much they will take on disk."""
        return sum(_size_bytes(track) for track in self.tracks)


def folder_of(pack: Path, folder: str) -> Path:
    """Return where a track's `folder` lies in a pack, in the way of this system."""
    return pack.joinpath(*folder.split("/"))


def plan_pack(spec: PackSpec) -> PackPlan:
    """Work out every track of a pack; nothing is written.

    Raises
    ------
    ChartError
        If a chart cannot be read.
    OptionError
        If a word makes no sense, or the tracks are too many.
    """
    check_formats(spec.formats)
    tracks: list[PlannedTrack] = []
    titles: set[str] = set()
    for source in spec.charts:
        chart = load_chart(source)
        title = _unused(safe_name(chart.title), titles)
        tracks += _tracks_of(chart, title, spec)
        if len(tracks) > MAX_TRACKS:
            raise OptionError(f"a pack of over {MAX_TRACKS} tracks: split it")
    folders = [track.folder for track in tracks]
    if len(set(folders)) != len(folders):
        twice = next(folder for folder in folders if folders.count(folder) > 1)
        raise OptionError(f"two tracks would lie in {twice!r}: give each tempo and key once")
    return PackPlan(tuple(tracks))


def _tracks_of(chart: Chart, title: str, spec: PackSpec) -> list[PlannedTrack]:
    from generator.chart.format import format_chart
    from generator.sound.fonts import choose_font

    text = format_chart(chart)
    keys = read_keys(spec.keys, chart.key)
    tempos = read_tempos(spec.tempos)
    mutes = read_mutes(spec.mutes)
    styles = spec.styles or (chart.style,)
    common = RenderOptions(
        seed=spec.seed,
        choruses=spec.choruses,
        count_in_bars=spec.count_in,
        formats=spec.formats,
        stems=spec.stems,
        loudness_lufs=spec.loudness,
        mix=spec.mix,
        font=Path(spec.font) if spec.font else None,
    )
    font = choose_font(common.font)
    tracks = []
    for style, tempo in product(styles, tempos):
        # Length and parts are the same in every key and with every mute: worked out once.
        band, timeline, _ = set_out(chart, replace(common, style=style, tempo=tempo))
        duration_s = timeline.clock.seconds(timeline.end_tick)
        bpm = timeline.clock.quarter_bpm(timeline.first_tick)
        for key, mute in product(keys, mutes):
            if absent := sorted(set(mute) - set(band.parts)):
                raise OptionError(
                    f"--mutes {', '.join(absent)}: {title} has no such part; "
                    f"it has {', '.join(sorted(band.parts))}"
                )
            options = replace(common, key=key.name, tempo=tempo, style=band.name, mute=mute)
            names = [
                f"{_short(key)} {bpm:.3g} bpm" if bpm < 100 else f"{_short(key)} {bpm:.4g} bpm"
            ]
            if len(styles) > 1:
                names[0] += f" {band.name}"
            if len(mutes) > 1:
                names.append(f"no {' '.join(mute)}" if mute else "full band")
            tracks.append(
                PlannedTrack(
                    title=chart.title,
                    folder="/".join([title, *names]),
                    name=" ".join([_shortened(title), *names]),
                    chart_text=text,
                    options=options,
                    duration_s=duration_s,
                    job=_job(text, options, font),
                )
            )
    return tracks


def _job(text: str, options: RenderOptions, font: "Font") -> str:
    from generator import __version__

    depends = {
        "chart": text,
        "options": asdict(options) | {"font": None, "jobs": None, "cache": None},
        "font": [font.path.name, font.path.stat().st_size],
        "version": __version__,
    }
    return hashlib.sha256(json.dumps(depends, sort_keys=True, default=str).encode()).hexdigest()


def _short(key: Key) -> str:
    """Return a key as students say it: Em, Bb, D dorian."""
    if key.mode == "major":
        return key.tonic.name
    return f"{key.tonic.name}m" if key.mode == "minor" else key.name


def _unused(title: str, titles: set[str]) -> str:
    """Return the title, or with a number when another chart has it (in any case of letters)."""
    name, number = title, 1
    while name.casefold() in titles:
        number += 1
        name = f"{title} ({number})"
    titles.add(name.casefold())
    return name


def _shortened(title: str) -> str:
    """Leave room in the file name for key, tempo and mute."""
    while len(title.encode()) > 110:
        title = title[:-1]
    return title.rstrip(" .-")


def _size_bytes(track: PlannedTrack) -> int:
    files = 1 + (3 if track.options.stems else 0)
    rate = sum(
        _BYTES_A_S.get(kind, _LOSSY_BYTES_A_S)
        for kind in track.options.formats
        if kind in AUDIO_ENDINGS
    )
    return round(rate * track.duration_s * files) + _TEXT_BYTES
