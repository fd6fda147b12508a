"""The table of rules: what is measured, by which statistic, within which bounds, and why.

A line belongs to a rule of the quality list by its number; a rule may have several lines. Sources:
[S] published, [M] measured in a study of the project's own on 396 takes of the Groove MIDI Dataset
(Gillick et al. 2019, "Learning to Groove with Inverse Sequence Transformations", CC BY 4.0), [C]
common practice, no source.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean, median, pstdev

__all__ = ["LINES", "RULES", "Line", "Pools", "Verdict", "verdict"]

Samples = dict[str, list[float]]
Pools = dict[str, Samples]
"""Samples by dynamic mark."""


@dataclass(frozen=True)
class Line:
    """One measured value of a rule.

    `statistic` turns the samples `key` into the value, which must lie in `low` to `high`; `worst`
    chooses among the dynamic marks (each is a pool of its own). `fewest` samples are needed: a
    line that nothing was measured for is broken, unless the style has no such part (`optional`).
    `counts` values below one sample in so many are shown as per cent.
    """

    rule: int
    name: str
    key: str
    statistic: Callable[[Sequence[float]], float]
    low: float = float("-inf")
    high: float = float("inf")
    fewest: int = 1
    optional: bool = False
    percent: bool = False
    unit: str = ""
    whole_style: bool = False

    def shown(self, value: float | None) -> str:
        if value is None:
            return "-"
        return f"{100 * value:.1f} %" if self.percent else f"{value:.2f}".rstrip("0").rstrip(".")

    def bounds(self) -> str:
        low, high = (None if abs(b) == float("inf") else b for b in (self.low, self.high))
        if low is not None and low == high:
            return self.shown(low)
        if low is None:
            return f"<= {self.shown(high)}"
        return (
            f">= {self.shown(low)}" if high is None else f"{self.shown(low)} to {self.shown(high)}"
        )


@dataclass(frozen=True)
class Verdict:
    """What a line came to for one style; `value` is the worst of the dynamic marks."""

    line: Line
    value: float | None
    samples: int
    holds: bool


RULES = {
    1: "The bass plays the root, or the slash bass, first at chord changes [C]",
    2: "Notes of the bass foreign to the chord resolve by semitone, step, fourth or fifth [C]",
    3: "The bass lies on 20 frets of four strings, mostly low [C]",
    4: "One bass note at a time, few leaps over an octave [C]",
    5: "The voices of the pad move little [M]",
    6: "No voice of the pad jumps [M]",
    7: "The pad leaves the register above C5 to the soloist [C]",
    8: "No semitone clash below C4 [C]",
    9: "The pad holds third and seventh [C]",
    10: "No held note reaches into a chord that it is foreign to [C]",
    11: "The band is no wall: few notes at once [C]",
    12: "Fills end phrases; one crash opens a section [C]",
    13: "Touch: velocities spread as those of drummers do [M]",
    14: "Timing: small, centred deviations (Senn et al. 2016 [S])",
    15: "Swing is what was asked (by tempo after Friberg and Sundstrom 2002 [S])",
    16: "Kick and bass that share a beat sound together [C]",
    17: "Silence is silent [C]",
    18: "A push sounds early, and is not struck again on the beat [C]",
    19: "The last chord rings, nothing hangs [C]",
    20: "Loud and soft differ by layers and touch [C]",
    22: "A chorus is no photocopy of the last; sections are heard [C]",
}  # fmt: skip


def nine_of_ten(low: bool) -> Callable[[Sequence[float]], float]:
    """Return the value that nine takes of ten are not below, or not above: one may be odd."""

    def decile(values: Sequence[float]) -> float:
        ranked = sorted(values)
        place = (len(ranked) - 1) * (0.1 if low else 0.9)
        i = int(place)
        after = ranked[min(i + 1, len(ranked) - 1)]
        return ranked[i] + (place - i) * (after - ranked[i])

    return decile


LEAST, MOST = nine_of_ten(True), nine_of_ten(False)

LINES = (
    Line(1, "root first", "bass first", fmean, low=0.95, fewest=100, percent=True),
    Line(2, "resolved", "bass resolved", fmean, low=0.95, fewest=5, percent=True, optional=True),
    Line(3, "lowest", "bass keys", min, low=28),
    Line(3, "highest", "bass keys", max, high=63),
    Line(3, "median", "bass keys", median, high=43),
    Line(4, "leaps", "bass leaps", fmean, high=0.02, percent=True),
    Line(4, "overlaps", "bass overlaps", sum, high=0),
    Line(5, "movement", "pad moves", fmean, high=1.75, fewest=100, unit="semitones"),
    Line(6, "jumps", "pad jumps", fmean, high=0.02, fewest=100, percent=True),
    Line(7, "in E3 to C5", "pad in register", fmean, low=0.95, percent=True),
    Line(7, "top to C5", "pad top", fmean, low=0.95, percent=True),
    Line(7, "comp to C5", "band comp to C5", fmean, low=0.85, percent=True, optional=True),
    Line(8, "in the pad", "pad clash", fmean, high=0, percent=True),
    Line(8, "pad and comp", "band pitched clash", fmean, high=0.005, percent=True, optional=True),
    Line(9, "guides held", "pad guides", fmean, low=0.95, fewest=100, percent=True),
    Line(10, "pad", "pad late", max, high=50, unit="ms"),
    Line(10, "comp", "band comp late", max, high=50, unit="ms", optional=True),
    Line(11, "voices of the pad", "pad voices", max, high=4),
    Line(11, "pitched at once", "band pitched at once", max, high=8),
    # Two hands and two feet; claps, shaker and tambourine belong to other players. With them the
    # band passes ten notes for a moment where all strike together: rarely, at its loudest.
    Line(11, "drum strokes at once", "band strokes at once", max, high=4),
    Line(11, "over ten at once", "band over ten", fmean, high=0.05, percent=True),
    Line(12, "fills end phrases", "fills placed", fmean, low=0.95, fewest=5, percent=True),
    Line(12, "crashes", "crashes", max, high=1),
    Line(13, "time hand, least", "spread hat", LEAST, low=10),
    Line(13, "time hand, most", "spread hat", MOST, high=42),
    Line(13, "snare, least", "spread snare", LEAST, low=8),
    Line(13, "snare, most", "spread snare", MOST, high=48),
    Line(13, "kick, least", "spread kick", LEAST, low=6),
    Line(13, "kick, most", "spread kick", MOST, high=34),
    *(
        line
        for voice in ("kick", "snare", "hat", "ride", "tom", "bass", "pad", "comp")
        for line in (
            Line(14, f"{voice} mean", f"late {voice}", lambda v: abs(fmean(v)), high=2, unit="ms",
                 fewest=200, optional=True, whole_style=True),
            Line(14, f"{voice} spread", f"late {voice}", pstdev, low=4, high=8, unit="ms",
                 fewest=200, optional=True, whole_style=True),
        )
    ),
    Line(14, "farthest", "late all", max, high=15, unit="ms"),
    Line(15, "mean miss", "swing error", lambda v: abs(fmean(v)), high=0.02, percent=True,
         optional=True, whole_style=True),
    Line(16, "within 10 ms", "with the kick", fmean, low=0.95, fewest=50, percent=True),
    Line(17, "pitched in N.C.", "in N.C.", sum, high=0, fewest=2),
    Line(17, "in rests and stops", "in silence", sum, high=0, fewest=5),
    Line(18, "early", "pushed", fmean, low=0.95, fewest=4, percent=True),
    Line(18, "struck again", "struck again", sum, high=0, fewest=3),
    Line(19, "rings", "last rings", min, low=2, unit="beats", fewest=10),
    Line(19, "past the end", "past the end", max, high=20, unit="ms"),
    Line(19, "hanging", "hanging", sum, high=0),
    Line(20, "drums, more strokes", "louder drums notes a bar", fmean, low=1.1, unit="x",
         whole_style=True),
    Line(20, "drums, harder", "louder drums velocity", fmean, low=20, whole_style=True),
    Line(20, "band, more notes", "louder band notes a bar", fmean, low=1.2, unit="x",
         whole_style=True),
    Line(20, "bass, harder", "louder bass velocity", fmean, low=15, whole_style=True),
    Line(20, "pad, harder", "louder pad velocity", fmean, low=15, whole_style=True),
    Line(22, "drums differ", "differs", fmean, low=0.3, fewest=20, percent=True),
    Line(22, "fills differ", "fills alike", fmean, high=0.5, fewest=5, percent=True),
    Line(22, "sections heard", "audible", fmean, low=0.95, fewest=5, percent=True),
)  # fmt: skip


def verdict(line: Line, pools: Pools) -> Verdict:
    """Judge one line on the samples of one style."""
    if line.whole_style:
        joined = [value for samples in pools.values() for value in samples.get(line.key, [])]
        groups = [joined]
    else:
        groups = [samples.get(line.key, []) for samples in pools.values()]
    total = sum(map(len, groups))
    if total < line.fewest:
        return Verdict(line, None, total, line.optional)
    values = [line.statistic(group) for group in groups if group]
    value = max(values, key=lambda v: max(line.low - v, v - line.high))
    return Verdict(line, float(value), total, line.low <= value <= line.high)
