"""The sections of a chord map, and its times: what files of sound name too."""

from collections.abc import Callable
from functools import cache
from typing import Any

from generator.clock import Clock
from generator.timeline.model import Timeline

__all__ = ["Content", "SecondsOf", "seconds_of", "section_contents"]

Content = dict[str, Any]
"""A record of the map, by the names of its fields."""

SecondsOf = Callable[[int], float]


def section_contents(timeline: Timeline) -> tuple[Content, ...]:
    """Return the sections of the map alone."""
    seconds = seconds_of(timeline.clock)
    return tuple(
        {
            "label": section.label,
            "pass": section.repeat_pass,
            "first_bar": timeline.bars[section.first_bar].number,
            "last_bar": timeline.bars[section.last_bar].number,
            "start_s": seconds(section.start_tick),
            "end_s": seconds(section.end_tick),
            "dynamics": section.dynamic,
        }
        for section in timeline.sections
    )


def seconds_of(clock: Clock) -> SecondsOf:
    """Return what gives a tick in seconds: whole microseconds, further digits say nothing."""

    @cache
    def seconds(tick: int) -> float:
        return round(clock.seconds(max(0, tick)), 6)

    return seconds
