"""A timeline in the words of a musician: the form, the bars, the length."""

from collections.abc import Iterable

from generator.chart.roadmap import plays_once
from generator.timeline.model import Timeline, TimelineSection

__all__ = ["summarize"]


def summarize(timeline: Timeline) -> str:
    r"""Return the form as it is played, the number of bars and the length without the count-in.

    Examples
    --------
    >>> from generator.chart.parser import parse_chart
    >>> from generator.timeline.build import build_timeline
    >>> chart = parse_chart("Tempo: q=60\n[Intro]\n| C | F |\n[A]\n|: Am | % | F | G :|")
    >>> summarize(build_timeline(chart))
    'Intro 2, A 4 x2; 10 bars, 0:40'
    """
    bars = sum(bar.number > 0 for bar in timeline.bars)
    seconds = timeline.clock.seconds(timeline.end_tick) - timeline.clock.seconds(
        timeline.first_tick
    )
    total = round(seconds)
    hours, minutes = divmod(total // 60, 60)
    length = f"{hours}:{minutes:02}" if hours else f"{minutes}"
    noun = "bar" if bars == 1 else "bars"
    form = _form(timeline)
    form = "" if form == str(bars) else f"{form}; "  # one stretch without a name
    return f"{form}{bars} {noun}, {length}:{total % 60:02}"


def _form(timeline: Timeline) -> str:
    words = [(section.chorus, _name(section, timeline)) for section in timeline.sections]
    body = [i for i, section in enumerate(timeline.sections) if not _once(section, timeline)]
    if timeline.choruses > 1 and body:
        first, last = body[0], body[-1] + 1
        choruses = [
            [word for chorus, word in words[first:last] if chorus == number]
            for number in range(1, timeline.choruses + 1)
        ]
        if all(chorus == choruses[0] for chorus in choruses):
            before = [word for _, word in words[:first]]
            after = [word for _, word in words[last:]]
            inner = f"{timeline.choruses} choruses of ({_joined(choruses[0])})"
            parts = [_joined(before)] * bool(before) + [inner] + [_joined(after)] * bool(after)
            return ", ".join(parts)
    return _joined(word for _, word in words)


def _once(section: TimelineSection, timeline: Timeline) -> bool:
    pickup_only = section.first_bar == section.last_bar and (
        timeline.bars[section.first_bar].number == 0
    )
    return pickup_only or plays_once(section.label)


def _name(section: TimelineSection, timeline: Timeline) -> str:
    bars = sum(bar.number > 0 for bar in timeline.bars[section.first_bar : section.last_bar + 1])
    name = section.label if bars else section.label or "pickup"
    return f"{name} {bars}".strip() if bars else name


def _joined(words: Iterable[str]) -> str:
    runs: list[tuple[str, int]] = []
    for word in words:
        if runs and runs[-1][0] == word:
            runs[-1] = (word, runs[-1][1] + 1)
        else:
            runs.append((word, 1))
    return ", ".join(word if count == 1 else f"{word} x{count}" for word, count in runs)
