"""The only place where quarters, ticks, seconds and samples convert.

Conventions
-----------
* A *quarter* is a quarter note (`_quarters`, `Fraction`); a *tick* is 1/960 of it (`_ticks` or
  `_tick`, `int`). What a musician counts, the *beat*, belongs to the meter (`chart/meter.py`).
* Tick 0 is the start of the track: the first beat of the count-in, or of the music without one.
* A tempo is an integer number of microseconds a quarter, as a MIDI file stores it (Standard MIDI
  Files 1.0, meta event 51). Seconds are computed from that integer, never from the BPM that it
  came from, so that map, MIDI and audio cannot drift apart.
"""

from bisect import bisect_right
from collections.abc import Iterable
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from generator.chart.meter import Meter
from generator.record import record

__all__ = [
    "TICKS_PER_QUARTER",
    "Clock",
    "TempoPoint",
    "bar_ticks",
    "microseconds_per_quarter",
    "ticks",
]

TICKS_PER_QUARTER = 960

_SCALED_US = TICKS_PER_QUARTER * 1_000_000  # a second, in microseconds times TICKS_PER_QUARTER


def ticks(quarters: Fraction | int) -> int:
    """Convert quarters to ticks, to the nearest tick.

    >>> ticks(Fraction(1, 3))
    320
    """
    return round(quarters * TICKS_PER_QUARTER)


@lru_cache(maxsize=64)
def bar_ticks(meter: Meter) -> int:
    """Return the length of a whole bar.

    >>> bar_ticks(Meter(6, 8))
    2880
    """
    return ticks(meter.bar_quarters)


def microseconds_per_quarter(quarter_bpm: Fraction | float) -> int:
    """Convert quarters a minute to whole microseconds a quarter.

    >>> microseconds_per_quarter(98)
    612245
    """
    return round(Fraction(60_000_000) / Fraction(quarter_bpm))


@record
class TempoPoint:
    """From `tick` on, a quarter lasts `us_per_quarter` microseconds."""

    tick: int
    us_per_quarter: int

    @property
    def quarter_bpm(self) -> float:
        """Quarters a minute, from the integer that the MIDI file stores."""
        return 60_000_000 / self.us_per_quarter


class Clock:
    """Convert between ticks, seconds and samples under a list of tempos.

    Parameters
    ----------
    tempos : tuple of TempoPoint
        In order of `tick`, the first at tick 0.

    Raises
    ------
    ValueError
        If the list is empty, unordered, or does not start at tick 0.

    Examples
    --------
    >>> clock = Clock((TempoPoint(0, 500_000),))
    >>> clock.seconds(960 * 4), clock.samples(960 * 4, 44_100), clock.tick(2.0)
    (2.0, 88200, 3840)
    """

    __slots__ = ("_changes", "_starts_us", "tempos")

    def __init__(self, tempos: tuple[TempoPoint, ...]) -> None:
        if not tempos or tempos[0].tick != 0:
            raise ValueError("the first tempo must stand at tick 0")
        starts_us = [0]  # scaled as above: stays a whole number
        for before, after in pairwise(tempos):
            if after.tick <= before.tick:
                raise ValueError(f"tempos out of order at tick {after.tick}")
            starts_us.append(starts_us[-1] + (after.tick - before.tick) * before.us_per_quarter)
        self.tempos = tempos
        self._changes = [point.tick for point in tempos[1:]]
        self._starts_us = starts_us

    def seconds(self, tick: int) -> float:
        """Return the time of a tick in seconds from tick 0 (negative before it)."""
        i = bisect_right(self._changes, tick)
        point = self.tempos[i]
        return (self._starts_us[i] + (tick - point.tick) * point.us_per_quarter) / _SCALED_US

    def samples(self, tick: int, rate_hz: int) -> int:
        """Return the nearest sample to a tick."""
        return round(self.seconds(tick) * rate_hz)

    def samples_of(self, ticks: Iterable[int], rate_hz: int) -> list[int]:
        """Return the nearest sample to each of many ticks: what `samples` says, in less time."""
        changes = self._changes
        stretches = [
            (start_us, point.tick, point.us_per_quarter)
            for start_us, point in zip(self._starts_us, self.tempos, strict=True)
        ]
        found = []
        for tick in ticks:
            start_us, start_tick, us_per_quarter = stretches[bisect_right(changes, tick)]
            time_s = (start_us + (tick - start_tick) * us_per_quarter) / _SCALED_US
            found.append(round(time_s * rate_hz))
        return found

    def tick(self, time_s: float) -> int:
        """Return the nearest tick to a time in seconds from tick 0."""
        scaled_us = time_s * _SCALED_US
        i = max(0, bisect_right(self._starts_us, scaled_us) - 1)
        point = self.tempos[i]
        return point.tick + round((scaled_us - self._starts_us[i]) / point.us_per_quarter)

    def quarter_bpm(self, tick: int) -> float:
        """Return the tempo that holds at a tick, in quarters a minute."""
        return self.tempos[bisect_right(self._changes, tick)].quarter_bpm

    def without(self, start_tick: int, end_tick: int) -> "Clock":
        """Return the clock of what is left when a stretch at one tempo is cut out.

        >>> clock = Clock((TempoPoint(0, 500_000), TempoPoint(9600, 750_000)))
        >>> clock.without(960, 4800).tempos[1].tick
        5760
        """
        less_ticks = end_tick - start_tick
        return Clock(
            tuple(
                point
                if point.tick <= start_tick
                else TempoPoint(point.tick - less_ticks, point.us_per_quarter)
                for point in self.tempos
            )
        )

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Clock) and self.tempos == other.tempos

    def __hash__(self) -> int:
        return hash(self.tempos)

    def __repr__(self) -> str:
        return f"Clock({self.tempos!r})"
