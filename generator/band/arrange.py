"""The band: every player over one timeline, and what was decided for the user."""

from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import replace
from functools import lru_cache, partial

from generator.band.arrangement import Arrangement, Part
from generator.band.bass import play_bass
from generator.band.comp import play_comp
from generator.band.cues import Cues, read_cues
from generator.band.drums import play_drums
from generator.band.drums_spec import LANES
from generator.band.fade import faded
from generator.band.feel import Groove
from generator.band.pad import play_pad, voice_pad
from generator.band.pitched import harmonies
from generator.band.style import Style
from generator.beside import beside
from generator.timeline.model import Timeline

__all__ = ["arrange"]

KICK = LANES["kick"]

_LONG_BARS = 200


def arrange(timeline: Timeline, style: Style, *, seed: int = 1, jobs: int = 1) -> Arrangement:
    """Let the band of a style play a timeline.

    Parameters
    ----------
    timeline : Timeline
    style : Style
    seed : int
        The same chart, style and seed give the same notes on any machine.
    jobs : int
        With more than one, pad and comp of a long track are worked out beside drums and bass.

    Returns
    -------
    Arrangement
        Parts in the order of `PART_NAMES`, those that the style has. `remarks` say where a plain
        pattern stands in for the style, and when the tempo is outside its range.
    """
    played = _played_on(timeline, style, seed, jobs) if len(timeline.bars) > _LONG_BARS else None
    if played is None:
        cues = read_cues(timeline, ending=style.ending)
        played = Arrangement(style.name, seed, _parts(timeline, style, seed, cues, jobs))
    return replace(played, remarks=_remarks(timeline, style))


def _played_on(timeline: Timeline, style: Style, seed: int, jobs: int) -> Arrangement | None:
    """Return a long track that comes round; None where it does not."""
    from generator.band.cycle import find_seam, played_on, rehearsal

    learnt = rehearsal(timeline)
    if learnt is None:
        return None
    cues = read_cues(learnt.timeline, ending=style.ending)
    parts = _parts(learnt.timeline, style, seed, cues, jobs)
    seam_tick = find_seam(learnt.timeline, cues, parts, learnt.cycle_ticks)
    if seam_tick is None:
        return None
    return played_on(Arrangement(style.name, seed, parts), seam_tick, learnt)


def _parts(timeline: Timeline, style: Style, seed: int, cues: Cues, jobs: int) -> tuple[Part, ...]:
    groove = _groove(timeline.without_harmony(), style, seed)
    work = partial(_pad_and_comp, timeline, style, seed, cues, groove)
    is_worth_it = jobs > 1 and len(timeline.bars) > _LONG_BARS
    with beside(work) if is_worth_it else nullcontext(work()) as above:
        return (*_drums_and_bass(timeline, style, seed, cues, groove), *next(above))


def _drums_and_bass(
    timeline: Timeline, style: Style, seed: int, cues: Cues, groove: Groove
) -> list[Part]:
    drums = _drums(groove, style, seed)
    if not style.bass:
        return [drums]
    kick_ticks = tuple(n.start_tick for n in drums.notes if n.pitch == KICK)
    bass = play_bass(timeline, style, seed=seed, kick_ticks=kick_ticks, groove=groove)
    return [drums, faded(bass, cues)]


def _pad_and_comp(
    timeline: Timeline, style: Style, seed: int, cues: Cues, groove: Groove
) -> Iterator[list[Part]]:
    played, voicings = [], None
    if style.pad:
        voicings = voice_pad(timeline, harmonies(cues), style.pad, seed)
        played.append(play_pad(timeline, style, seed=seed, voicings=voicings, groove=groove))
    comp = play_comp(timeline, style, seed=seed, pad=voicings, groove=groove)
    if comp:
        played.append(comp)
    yield [faded(part, cues) for part in played]


@lru_cache(maxsize=16)
def _groove(rhythm: Timeline, style: Style, seed: int) -> Groove:
    """Return the feel of a timeline without harmony, which every key of a pack shares."""
    return style.groove(rhythm, seed)


@lru_cache(maxsize=16)
def _drums(groove: Groove, style: Style, seed: int) -> Part:
    return play_drums(groove.timeline, style, seed=seed, groove=groove)


def _remarks(timeline: Timeline, style: Style) -> tuple[str, ...]:
    return (*_meter_remarks(timeline, style), *_tempo_remarks(timeline, style))


def _meter_remarks(timeline: Timeline, style: Style) -> list[str]:
    runs: dict[str, list[list[int]]] = {}  # by meter: first and last bar of each run
    for bar in timeline.bars:
        if style.plays(bar.meter):
            continue
        of_meter = runs.setdefault(str(bar.meter), [])
        if of_meter and of_meter[-1][1] == bar.number - 1:
            of_meter[-1][1] = bar.number
        else:
            of_meter.append([bar.number, bar.number])
    remarks = []
    for meter, of_meter in runs.items():
        told = [f"{first}-{last}" if first < last else str(first) for first, last in of_meter]
        one = len(told) == 1 and "-" not in told[0]
        shown = ", ".join(told[:6]) + (" and later ones" if len(told) > 6 else "")
        remarks.append(
            f"{style.name} does not play {meter}; a plain pattern plays "
            f"{'bar' if one else 'bars'} {shown}"
        )
    return remarks


def _tempo_remarks(timeline: Timeline, style: Style) -> list[str]:
    if not timeline.bars:
        return []
    low, high = style.tempo_quarters
    tempo = timeline.clock.quarter_bpm(timeline.first_tick)
    if low * 0.99 <= tempo <= high * 1.01:
        return []
    told = f"{style.name} is made for q={float(low):g} to q={float(high):g}"
    return [f"{told}; q={tempo:.3g} is played all the same"]
