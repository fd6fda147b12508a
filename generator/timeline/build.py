"""Chart to timeline: the road map followed, everything at its tick."""

from fractions import Fraction

from generator.chart.layout import Layout, lay_out
from generator.chart.meter import Meter
from generator.chart.model import DYNAMICS, Chart, Direction
from generator.chart.roadmap import Play, RoadMapError, plays_once, road_map
from generator.chart.suggest import did_you_mean
from generator.chart.values import MAX_QUARTER_BPM, MIN_QUARTER_BPM
from generator.clock import Clock, ticks
from generator.errors import ChartError, OptionError
from generator.timeline.dynamics import dynamic_points
from generator.timeline.events import events_of
from generator.timeline.harmony import chords_of
from generator.timeline.model import (
    Timeline,
    TimelineBar,
    TimelineSection,
)
from generator.timeline.tempo import tempo_points
from generator.timeline.unfold import PlayedMeasure, PlayedSection, place
from generator.timeline.written import Standing, standings

__all__ = ["MAX_CHORUSES", "MAX_COUNT_IN_BARS", "MAX_DURATION_S", "build_timeline"]

MAX_DURATION_S = 7200
"""Longest track."""

MAX_CHORUSES = 1000
MAX_COUNT_IN_BARS = 8


def build_timeline(
    chart: Chart,
    *,
    choruses: int | None = None,
    count_in_bars: int | None = None,
    tempo_scale: Fraction | float = Fraction(1),
    quarter_bpm: Fraction | float | None = None,
    section: str | None = None,
) -> Timeline:
    r"""Unfold a chart in time.

    Parameters
    ----------
    chart : Chart
        As `parse_chart` returns it.
    choruses : int, optional
        How often the body is played, instead of what the chart says; 1 to 1000.
    count_in_bars : int, optional
        Bars counted before the music, instead of what the chart says; 0 to 8. Before a pickup the
        last bar of the count is shared with it: the count stops where the pickup starts.
    tempo_scale : Fraction
        Factor on every tempo (1/2 is half as fast).
    quarter_bpm : Fraction, optional
        Quarters a minute instead of the chart's first tempo; the other tempos keep their
        proportion to it.
    section : str, optional
        Play only the first playing of this section, with the playings of the same name that
        follow it directly.

    Returns
    -------
    Timeline

    Raises
    ------
    OptionError
        If an option lies outside its range or names no section.
    ChartError
        If the jumps never end, or what is played is over 10,000 bars or two hours.

    Examples
    --------
    >>> from generator.chart.parser import parse_chart
    >>> timeline = build_timeline(parse_chart("Tempo: q=60\n[A]\n|: C | F :|"))
    >>> [bar.written for bar in timeline.bars], timeline.clock.seconds(timeline.end_tick)
    ([1, 2, 1, 2], 20.0)
    """
    body = _checked(choruses, chart.choruses, "choruses", 1, MAX_CHORUSES)
    if choruses is not None and choruses > 1 and all(plays_once(s.name) for s in chart.sections):
        raise OptionError("choruses: this chart has no section to repeat; name one such as [A]")
    count_in = _checked(count_in_bars, chart.count_in_bars, "count-in bars", 0, MAX_COUNT_IN_BARS)
    scale = _scale(chart, tempo_scale, quarter_bpm)

    layout = lay_out(chart.sections, chart.meter, chart.pickup_beats)
    roads = road_map(chart, layout)
    faults = (*layout.faults, *roads.faults)
    if faults:
        raise ChartError(tuple(chart.problem(fault.span, fault.message) for fault in faults))
    try:
        plays = tuple(roads.plays(body))
    except RoadMapError as error:
        if choruses is not None and choruses > chart.choruses:
            raise OptionError(f"choruses: {choruses} make {error.fault.message}") from error
        problem = chart.problem(error.fault.span, error.fault.message)
        raise ChartError((problem,)) from error
    if section is not None:
        plays = _only(chart, layout, plays, section)
    pickup = bool(chart.pickup_beats) and plays[0].bar == 0

    stands = standings(chart, layout.bars)
    first = layout.bars[plays[0].bar].measures[0]
    count_in_ticks, first_tick = _count_in(first.meter, first.length_quarters, count_in)
    names = tuple(s.name for s in chart.sections)
    measures, played = place(plays, layout.bars, names, start_tick=first_tick, pickup=pickup)
    end_tick = measures[-1].end_tick

    events = events_of(chart, measures, played, stands, scale)
    bars = _bars(measures, stands)
    chords, fermatas = chords_of(chart, measures, bars, first_tick)
    clock = Clock(tempo_points(events.tempos, fermatas, end_tick))
    duration_s = clock.seconds(end_tick)
    if duration_s > MAX_DURATION_S:
        message = f"{duration_s / 3600:.1f} hours when played out; {MAX_DURATION_S // 3600} at most"
        if choruses is not None or scale < 1:
            raise OptionError(f"{message}: play fewer choruses or faster")
        name = "Choruses" if body > 1 else "Tempo"
        problem = chart.problem(chart.head_span(name), f"{message}; play fewer repeats")
        raise ChartError((problem,))
    return Timeline(
        title=chart.title,
        composer=chart.composer,
        key=bars[0].key,
        meter=bars[0].meter,
        feel=chart.feel,
        style=chart.style,
        chart_sha256=chart.sha256,
        clock=clock,
        count_in_ticks=count_in_ticks,
        first_tick=first_tick,
        end_tick=end_tick,
        bars=bars,
        chords=chords,
        sections=_sections(chart, played, measures, stands),
        dynamics=dynamic_points(events.levels, end_tick),
        stops=events.stops,
        tempo_marks=events.tempo_marks,
        choruses=body,
    )


def _checked(given: int | None, default: int, noun: str, lowest: int, highest: int) -> int:
    if given is None:
        return default
    if not lowest <= given <= highest:
        raise OptionError(f"{given} {noun}: give {lowest} to {highest}")
    return given


def _scale(
    chart: Chart, tempo_scale: Fraction | float, quarter_bpm: Fraction | float | None
) -> Fraction:
    try:
        scale = Fraction(tempo_scale)
        if quarter_bpm is not None:
            scale *= Fraction(quarter_bpm) / chart.tempo.quarter_bpm
    except (ValueError, OverflowError) as error:
        raise OptionError("the tempo is no number: give BPM such as 96, or percent") from error
    tempos = [chart.tempo.quarter_bpm]
    for section in chart.sections:
        marks = (*section.directions, *(item for bar in section.bars for item in bar.items))
        tempos += [
            mark.tempo.quarter_bpm
            for mark in marks
            if isinstance(mark, Direction) and mark.tempo is not None
        ]
    for tempo in tempos:
        if not MIN_QUARTER_BPM <= tempo * scale <= MAX_QUARTER_BPM:
            raise OptionError(
                f"a tempo of {float(tempo * scale):.4g} quarters a minute: "
                f"stay between {MIN_QUARTER_BPM} and {MAX_QUARTER_BPM}"
            )
    return scale


def _only(chart: Chart, layout: Layout, plays: tuple[Play, ...], name: str) -> tuple[Play, ...]:
    wanted = name.strip().casefold()
    names = tuple(section.name for section in chart.sections)
    inside = [names[layout.bars[play.bar].section].casefold() == wanted for play in plays]
    if True not in inside:
        known = tuple(dict.fromkeys(n for n in names if n))
        hint = did_you_mean(name, known)
        if not hint:
            hint = f"sections are {', '.join(known)}" if known else "this chart names no section"
        raise OptionError(f"no section '{name[:40]}' is played: {hint}")
    start = inside.index(True)
    stop = inside.index(False, start) if False in inside[start:] else len(plays)
    chosen = plays[start:stop]
    return (chosen[0]._replace(starts_section=True, jumped=True), *chosen[1:])


def _count_in(meter: Meter, first_quarters: Fraction, bars: int) -> tuple[tuple[int, ...], int]:
    """Return the ticks of the count's clicks, and the tick at which the music starts."""
    bar = ticks(meter.bar_quarters)
    short = bar - ticks(first_quarters)  # what a pickup leaves of its bar
    if bars == 0:
        return (), 0
    end = bar * bars - (bar - short if short else 0)
    clicks = tuple(bar * i + ticks(onset) for i in range(bars) for onset in meter.beat_onsets)
    return tuple(tick for tick in clicks if tick < end), end


def _bars(
    measures: tuple[PlayedMeasure, ...], stands: tuple[Standing, ...]
) -> tuple[TimelineBar, ...]:
    bars = []
    key = stands[measures[0].laid.index].key
    onsets: dict[int, tuple[int, ...]] = {}  # by the identity of the tuple: many bars share it
    for i, played in enumerate(measures):
        if played.first:
            key = stands[played.laid.index].key
        for at, direction in played.directions:
            if direction.key is not None and at == played.start_tick:
                key = direction.key
        following = measures[i + 1] if i + 1 < len(measures) else None
        whole = following is None or following.first
        ends = whole and (
            following is None
            or following.section != played.section
            or following.play.jumped
            or played.laid.bar.close != "|"
            or following.laid.bar.repeat_opens
        )
        beats = played.measure.beat_onsets
        if id(beats) not in onsets:
            onsets[id(beats)] = tuple(map(ticks, beats))
        bars.append(
            TimelineBar(
                index=i,
                number=played.number,
                written=played.laid.bar.number,
                chorus=played.play.chorus,
                repeat_pass=played.play.repeat_pass,
                section=played.section,
                meter=played.measure.meter,
                key=key,
                start_tick=played.start_tick,
                end_tick=played.end_tick,
                beat_ticks=tuple(played.start_tick + onset for onset in onsets[id(beats)]),
                ends_phrase=ends,
            )
        )
        for _, direction in played.directions:
            if direction.key is not None:
                key = direction.key
    return tuple(bars)


def _sections(
    chart: Chart,
    played: tuple[PlayedSection, ...],
    measures: tuple[PlayedMeasure, ...],
    stands: tuple[Standing, ...],
) -> tuple[TimelineSection, ...]:
    return tuple(
        TimelineSection(
            index=i,
            label=chart.sections[section.section].name,
            repeat_pass=section.repeat_pass,
            chorus=section.chorus,
            first_bar=section.first,
            last_bar=section.last,
            start_tick=measures[section.first].start_tick,
            end_tick=measures[section.last].end_tick,
            dynamic=DYNAMICS[stands[measures[section.first].laid.index].level],
        )
        for i, section in enumerate(played)
    )
