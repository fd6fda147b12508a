"""Where a style places notes: its grid with its swing, worked out anew from the style file.

The swing by tempo is the formula of quality rule 15: long to short is ``(beat_ms - 100) / 100``,
clamped, after Friberg and Sundstrom 2002, "Swing ratios and ensemble timing in jazz performance"
(Music Perception 19): over a wide range of tempos the short note of the pair lasts about 100 ms.
"""

from itertools import pairwise

__all__ = ["StyleGrid", "asked_ratio"]

UNIT_QUARTERS = {"eighth": 0.5, "sixteenth": 0.25}
SHORT_MS = 100.0


def asked_ratio(facts: dict, quarter_bpm: float) -> float:
    """Return long to short as the style file asks for it at a tempo; 1 is straight.

    >>> asked_ratio({"swing": {"by_tempo": True, "cap": 2.2}}, 200)
    2.0
    """
    swing = facts.get("swing")
    if not swing:
        return 1.0
    if "share" in swing:
        return swing["share"] / (1 - swing["share"])
    if "ratio" in swing:
        return swing["ratio"]
    pair_ms = 2 * UNIT_QUARTERS[swing.get("unit", "eighth")] * 60_000 / quarter_bpm
    return min(min(2.5, swing.get("cap", 2.5)), max(1.0, (pair_ms - SHORT_MS) / SHORT_MS))


class StyleGrid:
    """The places of a style: sixteenths, with triplets where the style file writes them, swung."""

    def __init__(self, facts: dict) -> None:
        self.facts = facts
        self.has_triplets = "triplet" in _steps(facts)
        swing = facts.get("swing") or {}
        self.pair_quarters = 2 * UNIT_QUARTERS[swing.get("unit", "eighth")]

    def ticks(self, beats: tuple[int, ...], quarter_bpm: float, quarter: int) -> tuple[float, ...]:
        """Return the places from the first of `beats` to the last, which is the bar's end."""
        ratio = asked_ratio(self.facts, quarter_bpm)
        share = ratio / (1 + ratio)
        pair = self.pair_quarters * quarter
        steps = [quarter / 4] + ([quarter / 3] if self.has_triplets else [])
        found = {float(beats[-1])}
        for start, end in pairwise(beats):
            bends = ratio != 1 and (end - start) % pair == 0
            for step in steps:
                for k in range(int((end - start) / step + 0.001)):
                    at = k * step
                    found.add(start + (_bend(at, pair, share) if bends else at))
        return tuple(sorted(found))


def _bend(at: float, pair: float, share: float) -> float:
    pairs, rest = divmod(at, pair)
    half = pair / 2
    bent = rest * share / 0.5 if rest <= half else pair * share + (rest - half) * (1 - share) / 0.5
    return pairs * pair + bent


def _steps(value: object) -> set[str]:
    if isinstance(value, dict):
        own = {value["step"]} if "step" in value else set()
        return own.union(*(_steps(v) for v in value.values()))
    if isinstance(value, list):
        return set().union(*(_steps(v) for v in value))
    return set()
