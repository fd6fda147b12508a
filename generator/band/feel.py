"""Feel: where a note that stands on the grid really sounds.

Every part writes its notes on the *straight grid* of the timeline and sends each onset through
`Groove.strike`, which

1. bends the grid for swing (`Groove.warp`): the first note of each pair of swung notes takes
   `share` of the pair. Positions between are bent in proportion, so that in a swing of two to one
   the second sixteenth of a beat falls on the middle triplet;
2. adds the player's habit (`offset_ms`: ahead or behind) and the human spread (`spread_ms`, a
   standard deviation, near-normal), together never more than 15 ms. Part of the spread is common
   to the whole band (players breathe together), so that kick and bass stay locked.

Timing deviations of this size do not hurt a groove, exaggerated ones do: Senn et al. 2016, "The
effect of expert performance microtiming on listeners' experience of groove". The swing by tempo
holds the short note near 100 ms, after Friberg and Sundstrom 2002, "Swing ratios and ensemble
timing in jazz performance".

Everything is whole-number arithmetic over a keyed hash: the same seed gives the same ticks on any
machine, and a note does not move because another was added.
"""

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import NamedTuple

from generator.band.drawn import ONE_SIGMA, key_of, near_normal
from generator.chart.model import Feel
from generator.clock import TICKS_PER_QUARTER
from generator.record import record
from generator.timeline.model import Timeline

__all__ = ["LIMIT_MS", "Groove", "Swing", "VoiceTiming", "swing_share"]

LIMIT_MS = 14.5
"""No note sounds farther than this from its place on the (swung) grid: 15 with room for ticks."""

LIMIT_US = round(LIMIT_MS * 1000)
BAND_SHARE_PERMILLE = 806  # sqrt(0.65): the part of the spread that the band has in common
OWN_SHARE_PERMILLE = 592  # sqrt(0.35): the part that is the player's own
SHORT_NOTE_MS = 100
MAX_RATIO = Fraction(5, 2)


class VoiceTiming(NamedTuple):
    """Habit and spread of one voice, both in ms; a positive offset is behind the beat."""

    offset_ms: float = 0.0
    spread_ms: float = 5.0


class _Voice(NamedTuple):
    """What a voice draws its timing from: a key of its own, its habit and its spread."""

    key: int
    offset_us: int
    spread_us: int


@record
class Swing:
    """How a style swings.

    `unit_quarters` is the swung note (1/2 or 1/4); `share` the part of the pair that the first
    note takes (1/2 straight, 2/3 triplets), None for by tempo; `cap` the largest ratio of long to
    short when it goes by tempo.
    """

    unit_quarters: Fraction = Fraction(1, 2)
    share: Fraction | None = Fraction(1, 2)
    cap: Fraction = MAX_RATIO

    def or_feel(self, feel: Feel | None) -> "Swing":
        """Return the swing that the chart asks for, or this one when it does not say.

        >>> Swing(share=Fraction(2, 3)).or_feel(Feel(swing=False)).share
        Fraction(1, 2)
        """
        if feel is None:
            return self
        share = feel.share if feel.swing else Fraction(1, 2)
        return Swing(feel.unit_quarters, share, self.cap)


def swing_share(swing: Swing, us_per_quarter: int) -> Fraction:
    """Return the part of the pair that the first note takes at a tempo.

    By tempo the ratio of long to short is ``(pair_ms - 100) / 100``, from 1 to the cap.

    >>> swing_share(Swing(share=None), 300_000)  # q=200: two to one
    Fraction(2, 3)
    """
    if swing.share is not None:
        return swing.share
    pair_ms = 2 * swing.unit_quarters * us_per_quarter / 1000
    ratio = min(swing.cap, max(Fraction(1), (pair_ms - SHORT_NOTE_MS) / SHORT_NOTE_MS))
    return ratio / (ratio + 1)


class Groove:
    """The feel of one band over one timeline.

    Parameters
    ----------
    timeline : Timeline
    swing : Swing
        The style's; the chart's `Feel:` (``timeline.feel``) goes before it.
    timing : mapping of str to VoiceTiming
        By voice: "kick", "snare", "hat", "ride", "crash", "tom", "percussion", "bass", "pad",
        "comp". A voice that is absent has no offset and a spread of 5 ms.
    seed : int

    Examples
    --------
    ``groove = style.groove(timeline, seed)`` is the usual way to get one;
    ``groove.strike("bass", tick)`` places an onset, ``groove.warp(tick)`` a release.
    """

    __slots__ = ("_band", "_band_key", "_bends", "_never_early", "_seed", "_starts",
                 "_tempo_changes", "_tempos_us", "_timing", "_voices", "_warped",
                 "timeline")  # fmt: skip

    def __init__(
        self, timeline: Timeline, swing: Swing, timing: Mapping[str, VoiceTiming], seed: int
    ) -> None:
        self.timeline = timeline
        self._timing = dict(timing)
        self._seed = seed
        self._band_key = key_of(f"{seed}/band")
        self._voices: dict[str, _Voice] = {}
        # Every tick is asked for many times: what `warp` said, and the band's part of the spread.
        self._warped: dict[int, int] = {}
        self._band: dict[int, int] = {}
        tempos = timeline.clock.tempos
        self._tempo_changes = [point.tick for point in tempos[1:]]
        self._tempos_us = [point.us_per_quarter for point in tempos]
        swing = swing.or_feel(timeline.feel)
        pair_ticks = int(2 * swing.unit_quarters * TICKS_PER_QUARTER)
        self._starts: list[int] = []
        self._bends: list[tuple[int, int]] = []  # per beat: pair (0 straight), long note, ticks
        long_ticks_at: dict[int, int] = {}  # by tempo
        for bar in timeline.bars:
            us_per_quarter = self._us_per_quarter(bar.start_tick)
            if us_per_quarter not in long_ticks_at:
                share = swing_share(swing, us_per_quarter)
                long_ticks_at[us_per_quarter] = round(share * pair_ticks)
            long_ticks = long_ticks_at[us_per_quarter]
            ends = (*bar.beat_ticks[1:], bar.end_tick)
            for start, end in zip(bar.beat_ticks, ends, strict=True):
                bends = (end - start) % pair_ticks == 0 and 2 * long_ticks != pair_ticks
                self._starts.append(start)
                self._bends.append((pair_ticks if bends else 0, long_ticks))
        self._never_early = _ends_of_silence(timeline)

    def warp(self, tick: int) -> int:
        """Return where a place on the straight grid lies on the swung one, without jitter."""
        place = self._warped.get(tick)
        if place is None:
            place = self._warped[tick] = self._warp(tick)
        return place

    def _warp(self, tick: int) -> int:
        if not self.timeline.first_tick <= tick < self.timeline.end_tick:
            return tick
        i = max(0, bisect_right(self._starts, tick) - 1)
        pair_ticks, long_ticks = self._bends[i]
        if not pair_ticks:
            return tick
        pairs, rest = divmod(tick - self._starts[i], pair_ticks)
        half = pair_ticks // 2
        if rest <= half:
            bent = rest * long_ticks // half
        else:
            bent = long_ticks + (rest - half) * (pair_ticks - long_ticks) // half
        return self._starts[i] + pairs * pair_ticks + bent

    def strike(self, voice: str, tick: int, *, note: int = 0) -> int:
        """Return the tick at which `voice` strikes a note that stands at `tick` on the grid.

        The same voice and tick always give the same answer; notes of one chord that shall not
        fall together take different `note` numbers. A note that opens the music or ends a
        silence never comes early, so that nothing starts within a rest, a stop or N.C.
        """
        if voice not in self._voices:
            self._voices[voice] = self._voice(voice)
        key, offset_us, spread_us = self._voices[voice]
        common = self._band.get(tick)
        if common is None:
            common = self._band[tick] = near_normal(self._band_key, tick) * BAND_SHARE_PERMILLE
        own = near_normal(key + note, tick) * OWN_SHARE_PERMILLE
        human_us = (common + own) * spread_us // (1000 * ONE_SIGMA)
        late_us = max(-LIMIT_US, min(LIMIT_US, offset_us + human_us))
        if tick in self._never_early:
            late_us = abs(late_us)
        # Towards zero: rounding to whole ticks never carries a note past the limit.
        size_ticks = abs(late_us) * TICKS_PER_QUARTER // self._us_per_quarter(tick)
        return max(0, self.warp(tick) + (size_ticks if late_us > 0 else -size_ticks))

    def _voice(self, name: str) -> "_Voice":
        timing = self._timing.get(name) or DEFAULT_TIMING
        offset_us, spread_us = round(timing.offset_ms * 1000), round(timing.spread_ms * 1000)
        return _Voice(key_of(f"{self._seed}/{name}"), offset_us, spread_us)

    def ticks_of_ms(self, time_ms: float, tick: int) -> int:
        """Return how many ticks `time_ms` lasts at the tempo that holds at `tick`."""
        return round(time_ms * 1000) * TICKS_PER_QUARTER // self._us_per_quarter(tick)

    def _us_per_quarter(self, tick: int) -> int:
        return self._tempos_us[bisect_right(self._tempo_changes, tick)]

    def with_swung_pushes(self) -> Timeline:
        """Return the timeline with each push where it sounds: on the swung grid.

        For the chord map, after the band has played: a push on the last eighth of a swung bar
        sounds on the last triplet. (The band itself reads the straight grid.)
        """
        chords = tuple(
            replace(chord, sounds_tick=self.warp(chord.sounds_tick))
            if chord.sounds_tick < chord.start_tick
            else chord
            for chord in self.timeline.chords
        )
        return replace(self.timeline, chords=chords)


DEFAULT_TIMING = VoiceTiming()


def _ends_of_silence(timeline: Timeline) -> frozenset[int]:
    ends = {timeline.first_tick}
    for chord, after in zip(timeline.chords, (*timeline.chords[1:], None), strict=True):
        if chord.kind != "chord" or chord.articulation == "hit":
            ends.add(after.sounds_tick if after else chord.end_tick)
    for start, end in timeline.stops:
        ends.add(end)
        ends.update(chord.sounds_tick for chord in timeline.chords
                    if start <= chord.start_tick < end)  # fmt: skip
        ends.update(bar.start_tick for bar in timeline.bars if start <= bar.start_tick < end)
    return frozenset(ends)
