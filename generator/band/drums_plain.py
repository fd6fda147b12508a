"""A plain, decent drum pattern for any meter, made from its beats.

Beats go in pairs of kick and snare; an odd number starts with three (kick, nothing, snare), as
5/4 is counted 3+2 more often than not (common practice, no source). Hats play the eighths; the
hat is accented where a beat starts. Some bars get a kick or a ghost note more.
"""

from fractions import Fraction
from random import Random

from generator.chart.meter import Meter

__all__ = ["plain_bar"]

FASTEST_STEP_MS = 130  # faster than this a time-keeping hand plays every other step


def plain_bar(
    meter: Meter, level: int, us_per_quarter: int, rng: Random
) -> tuple[tuple[str, Fraction, str], ...]:
    """Return the strokes of one bar: lane, place in quarters from the bar line, and character.

    Parameters
    ----------
    meter : Meter
    level : int
        0 (pp) to 5 (ff): soft layers use the side stick, loud ones open the hat and add kicks.
    us_per_quarter : int
        The tempo, which says how finely the hat may divide.
    rng : random.Random
        Decides on what is added to the bar.

    Examples
    --------
    >>> strokes = plain_bar(Meter(3, 4), 3, 500_000, Random(1))
    >>> [(lane, str(at)) for lane, at, character in strokes if character == "X"][:2]
    [('kick', '0'), ('hat', '0')]
    """
    onsets, lengths = meter.beat_onsets, meter.beat_lengths
    strokes: list[tuple[str, Fraction, str]] = []
    backbeat = "side-stick" if level <= 1 else "snare"
    for i, (onset, length) in enumerate(zip(onsets, lengths, strict=True)):
        role = _role(i, len(onsets))
        if role == "kick":
            strokes.append(("kick", onset, "X" if i == 0 else "x"))
        elif role == "snare":
            strong = level >= 2 or i == len(onsets) - 1
            strokes.append((backbeat, onset, "X" if strong else "x"))
            if level >= 4 and length >= 1:  # a kick leads out of the loud backbeat
                strokes.append(("kick", onset + length - Fraction(1, 2), "x"))
        strokes.extend(_hats(i, onset, length, level, us_per_quarter))
    added = rng.randrange(len(onsets) * 3)  # in one bar of three something is added to a beat
    if added < len(onsets) and level > 0:
        onset, length = onsets[added], lengths[added]
        late = onset + (length / 2 if length <= 1 else length - Fraction(1, 2))
        if all(at != late for lane, at, _ in strokes if lane in ("kick", "snare")):
            before_kick = _role((added + 1) % len(onsets), len(onsets)) == "kick"
            strokes.append(("kick", late, "x") if before_kick else ("snare", late, "o"))
    return tuple(strokes)


def _role(i: int, n_beats: int) -> str:
    if n_beats == 1:
        return "kick"
    if n_beats % 2:
        if i < 3:
            return ("kick", "", "snare")[i]
        i -= 3
    return ("kick", "snare")[i % 2]


def _hats(
    i: int, onset: Fraction, length: Fraction, level: int, us_per_quarter: int
) -> list[tuple[str, Fraction, str]]:
    step = Fraction(1, 2)
    while length % step:
        step /= 2
    if step * us_per_quarter < FASTEST_STEP_MS * 1000 or level == 0:
        step = length
    hats = []
    for k in range(int(length / step)):
        strong = k == 0 and (step < length or i % 2 == 0)
        accent = "X" if strong and level >= 2 else "x" if strong or level >= 4 else "o"
        hats.append(("hat", onset + k * step, accent))
    return hats
