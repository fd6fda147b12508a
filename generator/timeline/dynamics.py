"""Dynamic levels of a track: marks, and ramps between them.

"cresc." and "dim." lead to the next mark when it lies in their direction. Otherwise they lead one
level up or down, by the next mark or the end of the section.
"""

from collections.abc import Sequence
from typing import Literal, NamedTuple

from generator.chart.model import DYNAMICS
from generator.timeline.model import DynamicPoint

__all__ = ["DynamicEvent", "dynamic_points"]


class DynamicEvent(NamedTuple):
    """At `tick`, a mark sets `level`; "cresc" and "dim" start a ramp; "end" closes a section."""

    tick: int
    kind: Literal["mark", "cresc", "dim", "end"]
    level: int = 0


def dynamic_points(events: Sequence[DynamicEvent], end_tick: int) -> tuple[DynamicPoint, ...]:
    """Return the levels of a track.

    Parameters
    ----------
    events : sequence of DynamicEvent
        In order of tick; the first a mark.
    end_tick : int
        The end of the music.
    """
    points: list[DynamicPoint] = []
    level = float(events[0].level)

    def put(point: DynamicPoint) -> None:
        while points and points[-1].tick == point.tick and not points[-1].ramps:
            if len(points) > 1 and points[-2].ramps and points[-1].level != point.level:
                break  # where a ramp arrives; the mark after it stands at the same tick
            points.pop()
        if point.ramps or not points or points[-1].ramps or points[-1].level != point.level:
            points.append(point)

    for i, event in enumerate(events):
        if event.kind == "mark":
            level = float(event.level)
            put(DynamicPoint(event.tick, level))
        elif event.kind in ("cresc", "dim"):
            following = events[i + 1] if i + 1 < len(events) else DynamicEvent(end_tick, "end")
            if following.kind == "end" and i + 2 < len(events):
                beyond = events[i + 2]
                if beyond.tick == following.tick and beyond.kind == "mark":
                    following = beyond
            if following.tick <= event.tick:
                continue
            change = 1 if event.kind == "cresc" else -1
            goal = max(0.0, min(len(DYNAMICS) - 1.0, level + change))
            if following.kind == "mark" and (following.level - level) * change > 0:
                goal = float(following.level)
            if goal != level:
                put(DynamicPoint(event.tick, level, ramps=True))
                points.append(DynamicPoint(following.tick, goal))
            level = goal
    return tuple(points)
