"""What has to be mixed of a track that comes round: the rest is spliced from it.

The mix holds the track as far as a little into the second time round, and goes on a little before
the last time ends: by then all that still sounds has begun within what is the same each time.
"""

from dataclasses import replace

from generator.band.cycle import Stretch, spliced
from generator.pipeline.score import Score
from generator.sound.splice import Joint

__all__ = ["abridged"]

_OVERLAP_S = 32.0
_JOINED = 0.75  # where in the overlap a joint lies
_DIES_AWAY_S = 8.0
"""For how long anything is heard after its end: strings, cymbals, the room."""


def abridged(score: Score) -> Score:
    """Return the score of a shorter track, and the joints that make the long one of it.

    A track that does not come round is returned as it is, and so is one in which a chord is held so
    long that it rings over a joint.
    """
    cycle, clock = score.arrangement.cycle, score.clock
    if cycle is None:
        return score
    length = cycle.end_tick - cycle.start_tick
    last_end = cycle.start_tick + cycle.times * length
    overlap = clock.tick(clock.seconds(cycle.end_tick) + _OVERLAP_S) - cycle.end_tick
    near = round(overlap * _JOINED)
    leaves, returns = cycle.end_tick + overlap, last_end - overlap
    less = returns - leaves
    if less <= 0:
        return score

    def lasts_s(start_tick: int, end_tick: int) -> float:
        return clock.seconds(end_tick) - clock.seconds(start_tick)

    must_end = overlap * (_JOINED - _DIES_AWAY_S / _OVERLAP_S)
    held = [
        note
        for part in score.arrangement.parts
        for note in part.notes
        if note.end_tick - note.start_tick > must_end
    ]
    for differs in (cycle.start_tick, cycle.end_tick, returns):
        if any(note.start_tick < differs < note.end_tick - must_end for note in held):
            return score

    length_s = lasts_s(cycle.start_tick, cycle.end_tick)
    first_s = clock.seconds(cycle.end_tick + near)
    joints = [Joint(first_s + n * length_s, (n + 1) * length_s) for n in range(cycle.times - 1)]
    joints.append(Joint(clock.seconds(last_end - overlap + near), lasts_s(leaves, returns)))
    stretches = Stretch(0, leaves, 0), Stretch(returns, None, leaves)
    parts = tuple(spliced(part, stretches) for part in score.arrangement.parts)
    return replace(
        score,
        clock=clock.without(leaves, returns),
        end_tick=score.end_tick - less,
        arrangement=replace(score.arrangement, parts=parts, cycle=None),
        silences=tuple(
            (start, end) if start < leaves else (start - less, end - less)
            for start, end in score.silences
            if start < leaves or start >= returns
        ),
        joints=tuple(joints),
    )
