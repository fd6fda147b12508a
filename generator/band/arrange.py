"""The band: every player over one timeline, and what was decided for the user."""

from functools import lru_cache

from generator.band.arrangement import Arrangement, Part
from generator.band.bass import play_bass
from generator.band.comp import play_comp
from generator.band.cues import read_cues
from generator.band.drums import play_drums
from generator.band.drums_spec import LANES
from generator.band.fade import faded
from generator.band.feel import Groove
from generator.band.pad import play_pad, voice_pad
from generator.band.pitched import harmonies
from generator.band.style import Style
from generator.timeline.model import Timeline

__all__ = ["arrange"]

KICK = LANES["kick"]


def arrange(timeline: Timeline, style: Style, *, seed: int = 1) -> Arrangement:
    """Let the band of a style play a timeline.

    Parameters
    ----------
    timeline : Timeline
    style : Style
    seed : int
        The same chart, style and seed give the same notes on any machine.

    Returns
    -------
    Arrangement
        Parts in the order of `PART_NAMES`, those that the style has. `remarks` say where a plain
        pattern stands in for the style, and when the tempo is outside its range.
    """
    groove, drums = _beat(timeline.without_harmony(), style, seed)
    parts = [drums]
    cues = read_cues(timeline, ending=style.ending)
    if style.bass:
        kick_ticks = tuple(n.start_tick for n in drums.notes if n.pitch == KICK)
        bass = play_bass(timeline, style, seed=seed, kick_ticks=kick_ticks, groove=groove)
        parts.append(faded(bass, cues))
    pad_voicings = None
    if style.pad:
        pad_voicings = voice_pad(timeline, harmonies(cues), style.pad, seed)
        pad = play_pad(timeline, style, seed=seed, voicings=pad_voicings, groove=groove)
        parts.append(faded(pad, cues))
    comp = play_comp(timeline, style, seed=seed, pad=pad_voicings, groove=groove)
    if comp:
        parts.append(faded(comp, cues))
    return Arrangement(style.name, seed, tuple(parts), _remarks(timeline, style))


@lru_cache(maxsize=16)
def _beat(rhythm: Timeline, style: Style, seed: int) -> tuple[Groove, Part]:
    """Return the feel and the drums, which every key of a pack shares."""
    groove = style.groove(rhythm, seed)
    return groove, play_drums(rhythm, style, seed=seed, groove=groove)


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
