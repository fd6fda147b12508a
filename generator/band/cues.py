"""Cues: who plays when. What the chart asks of the whole band, read once for every part.

The music is cut into *cues*, by what **sounds**: a cue starts where its chord is heard (early for
a push) and ends where the next one starts. Cues tile the music without gap. Each says one of

* ``groove``: play the style. After a push only from behind the written beat on (`Cue.opens`).
* ``silent``: nothing starts (`r`).
* ``hit``: everyone strikes at `start_tick`, lets go at `release_tick`, silent to `end_tick`
  (`^`, and each chord and bar start of a stop-time stretch).
* ``hold``: everyone strikes at `start_tick` and holds to `release_tick`; nothing else starts
  (`<>` ring, fermata, the final chord).

A cue whose harmony is N.C. has `pitched` False: pitched parts are silent in it, drums obey it.
"""

from bisect import bisect_right
from dataclasses import field
from typing import Literal, NamedTuple

from generator.clock import TICKS_PER_QUARTER
from generator.record import record
from generator.timeline.model import Timeline, TimelineChord

__all__ = ["Cue", "CueKind", "Cues", "read_cues"]

CueKind = Literal["groove", "silent", "hit", "hold"]

HIT_TICKS = TICKS_PER_QUARTER // 2


class Cue(NamedTuple):
    """What the band does from `start_tick` to `end_tick` (sounding, straight grid).

    `written_tick` is where the chart writes the chord (later than `start_tick` for a push),
    `release_tick` where a struck note is let go; `final` marks the last sound of the track.
    """

    kind: CueKind
    start_tick: int
    end_tick: int
    written_tick: int
    release_tick: int
    chord: TimelineChord
    final: bool = False

    @property
    def pushed(self) -> bool:
        """Whether the chord sounds before its written beat."""
        return self.start_tick < self.written_tick

    @property
    def pitched(self) -> bool:
        """Whether pitched parts may sound."""
        return self.chord.kind == "chord"

    @property
    def struck(self) -> bool:
        """Whether everyone strikes together at `start_tick`."""
        return self.kind in ("hit", "hold") or (self.pushed and self.kind == "groove")

    def opens(self, tick: int) -> bool:
        """Return whether a note of the style's own pattern may start at `tick` on the grid.

        Not so at the push itself (that is the strike) and not on the beat it replaces.
        """
        inside = self.start_tick <= tick < self.end_tick
        return self.kind == "groove" and inside and not (self.pushed and tick <= self.written_tick)


@record
class Cues:
    """All cues of a track, in order."""

    cues: tuple[Cue, ...]
    # For the look-up: where each cue but the first one starts.
    _starts: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_starts", tuple(cue.start_tick for cue in self.cues[1:]))

    def at(self, tick: int) -> Cue:
        """Return the cue that sounds at `tick`; the nearest one outside the music."""
        return self.cues[bisect_right(self._starts, tick)]

    def opens(self, tick: int) -> bool:
        """Return whether a note of the style's pattern may start at `tick` on the grid."""
        return self.at(tick).opens(tick)

    def silences(self) -> tuple[tuple[int, int], ...]:
        """Return the stretches (start, end) in which nothing may start."""
        gaps = [
            (cue.release_tick if cue.kind == "hit" else cue.start_tick, cue.end_tick)
            for cue in self.cues
            if cue.kind in ("hit", "silent")
        ]
        return tuple((start, end) for start, end in gaps if start < end)


def read_cues(timeline: Timeline, *, ending: Literal["ring", "cut", "rit"] = "ring") -> Cues:
    """Read what the chart asks of the band.

    Parameters
    ----------
    timeline : Timeline
    ending : {"ring", "cut", "rit"}
        How the track ends when the chart does not say: the last chord is struck and rings for at
        least two beats, or is let go after one ("cut"). "rit" rings too; the slowing is the
        clock's (`ending.slowed_ending`).
    """
    cues: list[Cue] = []
    chords = timeline.chords
    for i, chord in enumerate(chords):
        end = chords[i + 1].sounds_tick if i + 1 < len(chords) else timeline.end_tick
        if chord.sounds_tick < end:
            cues.extend(_cues_of_chord(timeline, chord, end))
    if cues:
        cues[-1:] = _final(timeline, cues[-1], ending)
    return Cues(tuple(cues))


def _cues_of_chord(timeline: Timeline, chord: TimelineChord, end: int) -> list[Cue]:
    start, written = chord.sounds_tick, chord.start_tick
    if chord.kind == "rest":
        return [Cue("silent", start, end, written, start, chord)]
    if chord.articulation == "hit":
        return [_hit(start, end, written, chord)]
    if chord.articulation in ("ring", "fermata"):
        return [Cue("hold", start, end, written, end, chord)]
    return _with_stops(timeline, Cue("groove", start, end, written, end, chord))


def _with_stops(timeline: Timeline, cue: Cue) -> list[Cue]:
    """Cut a groove where stop-time begins and ends, and into one hit for each bar within."""
    for start, end in timeline.stops:
        if not (cue.written_tick < end and start < cue.end_tick):
            continue
        pieces = []
        if cue.written_tick < start:
            pieces.append(Cue("groove", cue.start_tick, start, cue.written_tick, start, cue.chord))
        first = max(start, cue.written_tick)
        last = min(end, cue.end_tick)
        strikes = [first] + [b.start_tick for b in timeline.bars if first < b.start_tick < last]
        for strike, after in zip(strikes, [*strikes[1:], last], strict=True):
            sounds = cue.start_tick if strike == cue.written_tick else strike
            pieces.append(_hit(sounds, after, strike, cue.chord))
        if last < cue.end_tick:
            after_stop = Cue("groove", last, cue.end_tick, last, cue.end_tick, cue.chord)
            pieces.extend(_with_stops(timeline, after_stop))
        return pieces
    return [cue]


def _hit(start: int, end: int, written: int, chord: TimelineChord) -> Cue:
    return Cue("hit", start, end, written, min(end, start + HIT_TICKS), chord)


def _final(timeline: Timeline, cue: Cue, ending: str) -> list[Cue]:
    if cue.kind in ("hit", "silent") or (cue.kind == "groove" and not cue.pitched):
        return [cue]  # the chart has its own end: a stab, silence, or drums alone
    bar = timeline.bars[-1]
    plays_on = cue.kind == "groove" and cue.written_tick < bar.start_tick
    start = bar.start_tick if plays_on else cue.start_tick
    beats = (*bar.beat_ticks, bar.end_tick)
    beat_ticks = beats[1] - beats[0]
    release = max(timeline.end_tick, start + 2 * beat_ticks)
    if ending == "cut" and cue.kind == "groove":
        release = start + beat_ticks
    written = max(cue.written_tick, start)
    hold = Cue("hold", start, timeline.end_tick, written, release, cue.chord, final=True)
    if start == cue.start_tick:
        return [hold]
    before = Cue("groove", cue.start_tick, start, cue.written_tick, start, cue.chord)
    return [before, hold]
