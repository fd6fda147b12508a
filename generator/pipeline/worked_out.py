"""What a render works out before and beside its sound; importing this takes no time."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from generator.chart.model import Chart
    from generator.pipeline.options import RenderOptions

__all__ = ["LOADS", "worked_out"]

LOADS = (
    "generator.chart.parser",
    "generator.timeline.build",
    "generator.band.arrange",
    "generator.pipeline.prepare",
    "generator.pipeline.score",
    "generator.chordmap.chapters",
    "generator.chordmap.sections",
)
"""What takes most of the time to load that the work needs to begin."""


def worked_out(source: "Path | str | Chart", options: "RenderOptions") -> Iterator[Any]:
    """Give the `Score` of a track, and then its `Documents`.

    Raises
    ------
    InputError
        If the chart or an option cannot be used.
    """
    from generator.pipeline.prepare import prepare_source
    from generator.pipeline.score import score_of

    track = prepare_source(source, options)
    score = score_of(track)
    if track.arrangement.cycle and options.has_sound and options.render == "notes":
        from generator.pipeline.abridged import abridged

        score = abridged(score)
    yield score
    from generator.pipeline.products import documents_of

    yield documents_of(track, options)
