"""A mix that is joined to a long track, and what has been measured of it: all from the mix.

A long track need not be heard to know how loud it is. Its spans of 64 samples are those of the mix,
moved: between two of them, power goes by shares and the reach of peaks by the greater one.
"""

import numpy as np
from numpy.typing import NDArray

from generator.sound import native
from generator.sound.loudness import gated_loudness, hop_edges
from generator.sound.mixdown import Mixdown
from generator.sound.native import SPAN
from generator.sound.splice import FADE_FRAMES, Joint, Run, Spliced, runs

__all__ = ["joined"]

Samples = NDArray[np.float32]

_FADED = np.float32(1.01)
"""Between two samples a fade can pass both of the signals that it joins, by less than this."""


def joined(mixed: Mixdown, joints: tuple[Joint, ...], rate_hz: int) -> Mixdown:
    """Return a mix as the track that joints make of it."""
    made_of = runs(joints, len(mixed.span_powers) * SPAN, rate_hz)
    spools = {part: Spliced(spool, made_of) for part, spool in mixed.spools.items()}
    blocks = next(iter(spools.values())).blocks
    spans = blocks * mixed.block_frames // SPAN
    powers, reaches = np.zeros(spans, np.float32), np.zeros(spans + 1, np.float32)
    # Single precision, since numpy takes five times as long for halves.
    own_powers, own_reaches = (
        some.astype(np.float32) for some in (mixed.span_powers, mixed.reaches)
    )
    for run in made_of:
        first, last = -(-run.start // SPAN), -(-run.end // SPAN)
        before, after, share = _around(own_powers, first, last, run)
        powers[first:last] = before + (after - before) * share
        # Windows begin a span before the one whose number they bear, and end in it.
        faded = slice(max(0, run.start - FADE_FRAMES) // SPAN, first + 1)
        before, after, share = _around(own_reaches, faded.start, last + 1, run)
        high = np.maximum(before, after) if share else before
        np.maximum(reaches[faded.start : last + 1], high, out=reaches[faded.start : last + 1])
        reaches[faded] *= _FADED
    hop_powers = _hop_powers(own_powers, made_of, rate_hz)
    return Mixdown(
        spools,
        mixed.block_frames,
        gated_loudness(hop_powers),
        mixed.dbtp,
        hop_powers,
        _halves(powers),
        _halves(reaches, up=True),
        mixed.tail_start + made_of[-1].back,
        mixed.tail_heights,
    )


def _halves(values: Samples, *, up: bool = False) -> NDArray[np.float16]:
    """Return them in half precision, or none that is below."""
    to = np.empty(len(values), np.float16)
    native.halves(values, to, up=up)
    return to


def _around(own: Samples, first: int, last: int, run: Run) -> tuple[Samples, Samples, float]:
    """Return what spans `first` to `last` of a run are made of: two of the mix, by their shares."""
    place, past = divmod(first * SPAN - run.back, SPAN)
    some = own[place : place + last - first + 1]
    some = np.append(some, np.zeros(last - first + 1 - len(some), np.float32))
    return some[:-1], some[1:], past / SPAN


def _hop_powers(own: Samples, made_of: tuple[Run, ...], rate_hz: int) -> NDArray[np.float64]:
    sums = np.concatenate([[0.0], SPAN * own.astype(np.float64).cumsum()])
    places = np.arange(0.0, SPAN * len(sums), SPAN)
    edges = hop_edges(made_of[-1].end * 10 // rate_hz, rate_hz)
    energies = np.zeros(len(edges) - 1)
    for run in made_of:
        # The hops that lie in it, or reach into it.
        first = edges.searchsorted(run.start, "right") - 1
        last = edges.searchsorted(run.end) + 1
        within = np.clip(edges[first:last], run.start, run.end) - run.back
        energies[first : last - 1] += np.diff(np.interp(within, places, sums))
    powers: NDArray[np.float64] = energies / np.diff(edges)
    return powers
