"""What changes along the way: tempo, dynamics, stop-time, in the order of playing."""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple

from generator.chart.model import DYNAMICS, Chart, Direction
from generator.timeline.dynamics import DynamicEvent
from generator.timeline.model import TempoMark
from generator.timeline.tempo import TempoEvent
from generator.timeline.unfold import PlayedMeasure, PlayedSection
from generator.timeline.written import Standing

__all__ = ["Events", "events_of"]


class Events(NamedTuple):
    """Changes in the order of ticks; `stops` are stretches of stop-time (start, end)."""

    tempos: tuple[TempoEvent, ...]
    tempo_marks: tuple[TempoMark, ...]
    levels: tuple[DynamicEvent, ...]
    stops: tuple[tuple[int, int], ...]


def events_of(
    chart: Chart,
    measures: tuple[PlayedMeasure, ...],
    sections: tuple[PlayedSection, ...],
    stands: tuple[Standing, ...],
    scale: Fraction,
) -> Events:
    """Walk the measures once and collect what changes.

    Parameters
    ----------
    stands : tuple of Standing
        What holds at each written bar; it holds again where the music goes back.
    scale : Fraction
        Factor on every tempo.
    """
    collector = _Collector(chart, stands, scale)
    starts = {section.first: section for section in sections}
    for i, played in enumerate(measures):
        collector.measure(played, starts.get(i), opening=i == 0)
    collector.close_stop(measures[-1].end_tick)
    return Events(
        tuple(collector.tempos),
        tuple(collector.marks),
        tuple(collector.levels),
        tuple(collector.stops),
    )


@dataclass(slots=True)
class _Collector:
    chart: Chart
    stands: tuple[Standing, ...]
    scale: Fraction
    tempos: list[TempoEvent] = field(default_factory=list)
    marks: list[TempoMark] = field(default_factory=list)
    levels: list[DynamicEvent] = field(default_factory=list)
    stops: list[tuple[int, int]] = field(default_factory=list)
    stopped_from: int | None = None
    quarter_bpm: Fraction = Fraction(0)

    def measure(
        self, played: PlayedMeasure, section: PlayedSection | None, *, opening: bool
    ) -> None:
        tick = played.start_tick
        back = opening or (played.first and played.play.jumped)
        if back or section is not None:
            self.close_stop(tick)
            if not opening:
                self.tempos.append(TempoEvent(tick, "end"))
                self.levels.append(DynamicEvent(tick, "end"))
        if back:
            self._go_back(self.stands[played.laid.index], played, opening=opening)
        elif section is not None:
            mark = self.chart.sections[section.section].dynamic
            if mark:
                self.levels.append(DynamicEvent(tick, "mark", DYNAMICS.index(mark)))
        for at, direction in played.directions:
            self._direction(at, direction)

    def _go_back(self, stand: Standing, played: PlayedMeasure, *, opening: bool) -> None:
        """Let what was written for this bar hold.

        When the music opens with it, it holds from tick 0: the count-in has the first tempo.
        """
        tick = played.start_tick
        start = 0 if opening else tick
        tempo = stand.tempo
        for at, direction in played.directions:
            if at == tick and direction.tempo is not None:
                tempo = direction.tempo
        bpm = tempo.quarter_bpm * self.scale
        if bpm != self.quarter_bpm:
            self.tempos.append(TempoEvent(start, "mark", bpm))
        self.quarter_bpm = bpm
        self.levels.append(DynamicEvent(start, "mark", stand.level))
        self.stopped_from = tick if stand.stopped else None

    def _direction(self, tick: int, direction: Direction) -> None:
        kind = direction.kind
        if kind == "tempo" and direction.tempo is not None:
            self.quarter_bpm = direction.tempo.quarter_bpm * self.scale
            self.tempos.append(TempoEvent(tick, "mark", self.quarter_bpm))
        elif kind == "rit" or kind == "accel" or kind == "a-tempo":
            self.tempos.append(TempoEvent(tick, kind))
        elif kind == "dynamic" and direction.dynamic is not None:
            self.levels.append(DynamicEvent(tick, "mark", DYNAMICS.index(direction.dynamic)))
        elif kind == "cresc" or kind == "dim":
            self.levels.append(DynamicEvent(tick, kind))
        elif kind == "stop-time" and self.stopped_from is None:
            self.stopped_from = tick
        if kind in ("tempo", "rit", "accel", "a-tempo"):
            self.marks.append(TempoMark(tick, direction.text))

    def close_stop(self, tick: int) -> None:
        """End a stretch of stop-time that is open."""
        if self.stopped_from is not None and self.stopped_from < tick:
            self.stops.append((self.stopped_from, tick))
        self.stopped_from = None
