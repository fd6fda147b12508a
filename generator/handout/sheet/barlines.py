"""What closes a written bar on paper, and how far the bracket of an ending reaches."""

from typing import Literal

from generator.chart.layout import LaidBar

__all__ = ["Close", "bracket_of", "close_of", "ending_label"]

Close = Literal["single", "double", "repeat", "final"]


def close_of(laid: tuple[LaidBar, ...], i: int) -> Close:
    """Return the bar line behind bar `i`; a section ends in a double one (common practice)."""
    bar = laid[i].bar
    if bar.close == ":|":
        return "repeat"
    if i + 1 == len(laid):
        return "final"
    ends_section = laid[i + 1].section != laid[i].section and bar.number > 0
    return "double" if bar.close == "||" or ends_section else "single"


def ending_label(passes: tuple[int, ...]) -> str:
    """Label an ending as it is printed: "1.", "2. 3.", "1.-3." for three and more in a row."""
    if len(passes) > 2 and passes == tuple(range(passes[0], passes[-1] + 1)):
        return f"{passes[0]}.–{passes[-1]}."
    return " ".join(f"{number}." for number in passes)


def bracket_of(laid: tuple[LaidBar, ...], i: int) -> tuple[int, bool]:
    """Return how many bars the bracket of an ending spans, and whether a repeat sign closes it.

    The last ending has no closing sign: its bracket is as long as the one before, and stops at a
    double bar line or at the end of the section (common practice, no source).
    """
    if not laid[i].bar.ending:
        return 0, False
    section = laid[i].section
    for length, entry in enumerate(laid[i:], 1):
        if entry.section != section or (
            length > 1 and (entry.bar.ending or entry.bar.repeat_opens)
        ):
            break
        if entry.bar.close == ":|":
            return length, True
    longest = _length_before(laid, i)
    length = 1
    while (
        length < longest
        and i + length < len(laid)
        and laid[i + length].section == section
        and laid[i + length - 1].bar.close == "|"
        and not laid[i + length].bar.repeat_opens
        and not laid[i + length].bar.ending
    ):
        length += 1
    return length, False


def _length_before(laid: tuple[LaidBar, ...], i: int) -> int:
    for length, entry in enumerate(reversed(laid[:i]), 1):
        if entry.bar.ending:
            return length
    return 1
