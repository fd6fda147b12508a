"""One track of a pack: the work of a process, here or on a cluster."""

import tempfile
from dataclasses import replace
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from generator.errors import ChartbedError
from generator.pack.plan import PlannedTrack, folder_of
from generator.record import record

if TYPE_CHECKING:
    from generator.chart.model import Chart
    from generator.sound.studio import Studio

__all__ = ["MadeFile", "Outcome", "make_track", "make_track_bytes"]


@record
class MadeFile:
    """A file of a track: its name (no folder), what it is, and how to tell that it is whole."""

    name: str
    format: str
    part: str
    size_bytes: int
    sha256: str


@record
class Outcome:
    """What became of a track: its files, or the `error` that kept it from being made."""

    job: str
    folder: str
    files: tuple[MadeFile, ...] = ()
    key: str = ""
    style: str = ""
    quarter_bpm: float = 0.0
    bars: int = 0
    duration_s: float = 0.0
    loudness_lufs: float | None = None
    true_peak_dbtp: float | None = None
    error: str = ""


@cache
def _studio() -> "Studio":
    """Return what this process keeps between its tracks."""
    from generator.sound.studio import Studio

    return Studio(many=True)


@lru_cache(maxsize=8)
def _written(text: str, name: str) -> "Chart":
    """Return a chart as it is written, which many tracks share."""
    from generator.chart.parser import parse_chart

    return parse_chart(text, name)


@lru_cache(maxsize=32)
def _chart(text: str, name: str, key: str | None) -> "Chart":
    """Return a chart in the key that is asked for, which the tempos of a pack share."""
    from generator.pipeline.options import RenderOptions
    from generator.pipeline.prepare import in_key

    return in_key(_written(text, name), RenderOptions(key=key))


def make_track(track: PlannedTrack, pack: Path) -> Outcome:
    """Render a track into its folder of the pack; a failure becomes the `error` of the outcome."""
    from generator.pipeline.render import render_track

    try:
        name, options = f"{track.title}.chart", track.options
        chart = _chart(track.chart_text, name, options.key)
        result = render_track(
            chart, folder_of(pack, track.folder), options, name=track.name, studio=_studio()
        )
    except ChartbedError as error:
        return Outcome(track.job, track.folder, error=str(error))
    except Exception as error:  # a fault of ours in one track must not take the others along
        return Outcome(track.job, track.folder, error=f"{type(error).__name__}: {error}")
    return Outcome(
        track.job,
        track.folder,
        tuple(
            MadeFile(
                file.path.name, file.format, file.part, file.path.stat().st_size, file.sha256
            )
            for file in result.files
        ),
        result.key,
        result.style,
        result.quarter_bpm,
        result.bars,
        result.duration_s,
        result.loudness_lufs,
        result.true_peak_dbtp,
    )  # fmt: skip


def make_track_bytes(track: PlannedTrack) -> tuple[Outcome, dict[str, bytes]]:
    """Render a track on a machine that does not see the pack; return its files by name."""
    with tempfile.TemporaryDirectory(prefix="chartbed-") as folder:
        outcome = make_track(replace(track, folder="track"), Path(folder))
        contents = {
            file.name: (Path(folder) / "track" / file.name).read_bytes() for file in outcome.files
        }
    return replace(outcome, folder=track.folder), contents
