"""A track as far as its sound goes: what is played and when, and what the files will be called."""

from typing import TYPE_CHECKING

from generator.band.arrangement import Arrangement
from generator.clock import Clock
from generator.record import record

if TYPE_CHECKING:
    from generator.pipeline.prepare import Track
    from generator.sound.splice import Joint

__all__ = ["Score", "score_of"]


@record
class Score:
    """What is known of a track once its notes are, but for the chart and its timeline.

    A small part of a `Track`, which is quickly handed from process to process. `chapters` are
    (start_s, end_s, title). With `joints`, clock, end, arrangement and silences are of a shorter
    track, from which the sound is spliced.
    """

    title: str
    composer: str
    key: str
    bars: int
    clock: Clock
    end_tick: int
    arrangement: Arrangement
    silences: tuple[tuple[int, int], ...]
    chapters: tuple[tuple[float, float, str], ...]
    tempo: str
    remarks: tuple[str, ...]
    joints: tuple["Joint", ...] = ()

    @property
    def quarter_bpm(self) -> float:
        """The tempo at the start."""
        return self.clock.quarter_bpm(0)


def score_of(track: "Track") -> Score:
    """Return the score of a track."""
    from generator.band.cues import read_cues
    from generator.chordmap.chapters import section_chapters
    from generator.chordmap.sections import section_contents

    timeline = track.timeline
    # After a stab at the very end the room may ring: nobody waits for the next bar.
    gaps = read_cues(timeline).silences()
    silences = tuple(gap for gap in gaps if gap[1] < timeline.end_tick)
    return Score(
        title=track.chart.title,
        composer=track.chart.composer,
        key=track.chart.key.name,
        bars=len(timeline.bars),
        clock=timeline.clock,
        end_tick=timeline.end_tick,
        arrangement=track.arrangement,
        silences=silences,
        chapters=section_chapters(
            section_contents(timeline), counted=bool(timeline.count_in_ticks)
        ),
        tempo=str(round(timeline.clock.quarter_bpm(timeline.first_tick))),
        remarks=track.remarks,
    )
