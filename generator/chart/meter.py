"""Meters and tempos, as written in a chart.

Positions inside a bar are measured in *quarters* (`Fraction`, suffix `_quarters`); the *beat* is
what a musician counts and what a slash in a chart stands for: a quarter in x/4, a half in x/2, a
dotted quarter in 6/8, 9/8 and 12/8, and one group in an additive meter such as 7/8 (2+2+3).
"""

from fractions import Fraction

from generator.record import record

__all__ = ["Meter", "Tempo"]


@record
class Meter:
    """A time signature.

    Attributes
    ----------
    numerator, denominator : int
        As written.
    groups : tuple of int
        Lengths of the beats in units of the denominator, when they were written out or when the
        meter is additive; empty for plain meters.
    """

    numerator: int
    denominator: int
    groups: tuple[int, ...] = ()

    @property
    def bar_quarters(self) -> Fraction:
        """Length of the bar in quarters."""
        return Fraction(4 * self.numerator, self.denominator)

    @property
    def beat_lengths(self) -> tuple[Fraction, ...]:
        """Length of each beat in quarters, in order.

        >>> Meter(6, 8).beat_lengths
        (Fraction(3, 2), Fraction(3, 2))
        >>> [str(length) for length in Meter(7, 8).beat_lengths]
        ['1', '1', '3/2']
        """
        unit = Fraction(4, self.denominator)
        return tuple(group * unit for group in self.groups or self._default_groups())

    @property
    def beat_onsets(self) -> tuple[Fraction, ...]:
        """Onset of each beat in quarters from the start of the bar."""
        onsets, position = [], Fraction(0)
        for length in self.beat_lengths:
            onsets.append(position)
            position += length
        return tuple(onsets)

    @property
    def is_compound(self) -> bool:
        """Whether each beat divides in three (6/8, 9/8, 12/8)."""
        return not self.groups and self.denominator >= 8 and self.numerator in (6, 9, 12)

    def _default_groups(self) -> tuple[int, ...]:
        n = self.numerator
        if self.is_compound:
            return (3,) * (n // 3)
        if self.denominator >= 8 and n > 4 and n % 2:  # 5/8, 7/8, 11/8: twos, then a three
            return (2,) * ((n - 3) // 2) + (3,)
        if self.denominator >= 8 and n > 4:  # 8/8, 10/8: counted in twos
            return (2,) * (n // 2)
        return (1,) * n

    def __str__(self) -> str:
        groups = f" ({'+'.join(map(str, self.groups))})" if self.groups else ""
        return f"{self.numerator}/{self.denominator}{groups}"


@record
class Tempo:
    """A metronome mark: `count` notes of `unit_quarters` a minute (`q.=60` is 3/2 and 60).

    >>> Tempo(Fraction(1, 2), Fraction(210)).quarter_bpm
    Fraction(105, 1)
    """

    unit_quarters: Fraction
    count: Fraction

    @property
    def quarter_bpm(self) -> Fraction:
        """The same tempo in quarters a minute."""
        return self.unit_quarters * self.count
