"""From a chart to the notes: key, tempo and style as asked, then timeline and band."""

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from generator.band.arrangement import Arrangement
from generator.chart.model import Chart
from generator.errors import OptionError
from generator.harmony.key import Key, parse_key
from generator.pipeline.options import RenderOptions
from generator.record import record
from generator.timeline.model import Timeline

if TYPE_CHECKING:
    from generator.band.style import Style

__all__ = ["Track", "asked_key", "in_key", "load_chart", "prepare", "prepare_source", "set_out"]

_COMMON_STYLES = (
    "straight-eighth-rock",
    "pop-ballad",
    "folk-waltz",
    "slow-soul-six-eight",
    "slow-blues-twelve-eight",
    "five-four-groove",
    "seven-eight-rock",
)


@record
class Track:
    """A chart worked out up to the notes: everything short of sound.

    `chart` is the chart as played, in the key that was asked for.
    """

    chart: Chart
    timeline: Timeline
    arrangement: Arrangement
    remarks: tuple[str, ...]


def load_chart(source: Path | str) -> Chart:
    """Read a chart, and check the name of its style too.

    Raises
    ------
    ChartError
        With every problem of the text.
    """
    from generator.band.style_catalogue import style_names
    from generator.chart.parser import read_chart

    return read_chart(source, styles=style_names())


def prepare_source(source: Path | str | Chart, options: RenderOptions) -> Track:
    """Work out a chart, read where it is not yet; raise as `load_chart` and `prepare` do."""
    return prepare(source if isinstance(source, Chart) else load_chart(source), options)


def prepare(chart: Chart, options: RenderOptions = RenderOptions()) -> Track:
    """Work a chart out up to the notes.

    Raises
    ------
    InputError
        If an option makes no sense for this chart.
    """
    from generator.band.arrange import arrange

    chart = in_key(chart, options)
    style, timeline, remarks = set_out(chart, options)
    arrangement = arrange(timeline, style, seed=options.seed, jobs=options.jobs)
    timeline = style.groove(timeline, options.seed).with_swung_pushes()
    return Track(chart, timeline, arrangement, remarks + arrangement.remarks)


def set_out(chart: Chart, options: RenderOptions) -> tuple["Style", Timeline, tuple[str, ...]]:
    """Return the style that plays a chart, the timeline with its ending, and remarks.

    So much of a track is soon known, its length and its parts among it. The key is left alone.

    Raises
    ------
    InputError
        If an option makes no sense for this chart.
    """
    from generator.band.style import load_style
    from generator.timeline.build import build_timeline

    timeline = build_timeline(
        chart,
        choruses=options.choruses,
        count_in_bars=options.count_in_bars,
        tempo_scale=_tempo_scale(chart, options.tempo),
        section=options.section,
    )
    remarks: tuple[str, ...] = ()
    name = options.style if options.style is not None else chart.style
    if name is None:
        name = _style_for(chart)
        remarks = (f"the chart names no style: {name} plays it (choose with --style)",)
    style = load_style(name)
    for part in options.mute:
        if part not in style.parts:
            raise OptionError(
                f"--mute {part}: {name} has no such part; it has {', '.join(sorted(style.parts))}"
            )
    return style, style.ended(timeline), remarks


def asked_key(text: str, own: Key, *, option: str) -> Key:
    """Read the key that an option asks for, for a chart in the key `own`.

    Raises
    ------
    KeyNameError
        If it is no key.
    OptionError
        If it is of another mode than the chart.
    """
    key = parse_key(text)
    if key.mode != own.mode:
        raise OptionError(
            f"{option} {text} is {key.mode}, but the chart is in {own.name}: "
            f"ask for a {own.mode} key, such as '{key.tonic} {own.mode}'"
        )
    return key


def in_key(chart: Chart, options: RenderOptions) -> Chart:
    """Return the chart in the key that the options ask for.

    Raises
    ------
    InputError
        If the key cannot be read, is of another mode than the chart, or both ways are given.
    """
    from generator.chart.transpose import transpose_chart
    from generator.harmony.transposition import key_after_semitones

    if options.key is not None and options.transpose:
        raise OptionError("--key and --transpose both move the chart: give one of the two")
    if not -12 <= options.transpose <= 12:
        raise OptionError(f"--transpose takes -12 to 12 semitones, got {options.transpose}")
    target = chart.key
    if options.key is not None:
        target = asked_key(options.key, chart.key, option="--key")
    elif options.transpose:
        target = key_after_semitones(chart.key, options.transpose)
    return chart if target == chart.key else transpose_chart(chart, target)


def _tempo_scale(chart: Chart, tempo: str | None) -> Fraction:
    from generator.chart.values import ValueFault, parse_tempo

    if tempo is None:
        return Fraction(1)
    try:
        if tempo.endswith("%"):
            scale = Fraction(tempo[:-1].strip()) / 100
        else:
            scale = parse_tempo(tempo, chart.meter).quarter_bpm / chart.tempo.quarter_bpm
    except (ValueFault, ValueError, ZeroDivisionError) as error:
        raise OptionError(
            f"--tempo {tempo!r}: write beats a minute (98), a mark (q=98) or a share of the "
            "chart's tempo (75%); 20 to 400 quarters a minute are playable"
        ) from error
    quarter_bpm = chart.tempo.quarter_bpm * scale
    if not 20 <= quarter_bpm <= 400:
        raise OptionError(
            f"--tempo {tempo} gives {float(quarter_bpm):g} quarters a minute; "
            "20 to 400 are playable"
        )
    return scale


def _style_for(chart: Chart) -> str:
    """Return the first of the common styles that plays the chart's meter and tempo."""
    from generator.band.style_catalogue import style_catalogue
    from generator.chart.values import parse_tempo

    entries = {entry["name"]: entry for entry in style_catalogue()}
    meter = f"{chart.meter.numerator}/{chart.meter.denominator}"
    fitting = [
        name
        for name in _COMMON_STYLES
        if any(written.split()[0] == meter for written in entries[name]["meters"])
    ]
    for name in fitting:
        low, high = (
            parse_tempo(f"{entries[name]['tempo_unit']}={bound}").quarter_bpm
            for bound in entries[name]["tempo"]
        )
        if low <= chart.tempo.quarter_bpm <= high:
            return name
    return fitting[0] if fitting else "plain"
