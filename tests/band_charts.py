"""Charts for the tests of the pitched players, and what sounds in them, read from the timeline."""

from dataclasses import dataclass, replace
from functools import cache

from generator.band.drums import play_drums
from generator.band.style import load_style, style_names
from generator.chart.parser import parse_chart
from generator.harmony.chord import Chord
from generator.timeline.build import build_timeline
from generator.timeline.model import Timeline

STYLES = style_names()
DYNAMICS = ("p", "mf", "ff")

BODIES = {
    "pop": """[A] {d}
|: C | G/B | Am7 | F | C/E | F | Gsus4 | G :|
[B]
| Am | Em | F | C | Dm7 | Em7 | F | G7 |""",
    "jazz": """[A] {d}
|: Dm7 | G7b9 | Cmaj9 | A7alt | Dm9 | G13 | C6/9 | Em7b5 |1. A7b9 :|2. C6 |
[B]
| Fm7 | Bb7 | Ebmaj7#11 | % | Abm9 | Db7#11 | Dm7 | G7sus4 |""",
    "funk": """[A] {d}
|: Em9 | % | A13 | <G13 | Em9 | % | A13 | <F#7#9 :|
[B]
| Cmaj9 | B7#5 | Em9 | <A13 | C9 | B7alt | Em9 | % |""",
    "dense": """[A] {d}
|: {two} | Am7b5 | Dm11 | {two} | Gm(maj7) | C13sus4 | Fmaj13 | {two} :|""",
    "odd": """[A] {d}
| C | Fm | r{rest} | N.C. | Bb^ | Ab<> | <Eb | G7 |
[B] "stop-time"
| C | Eb/G | F | G |
[C] "cresc."
| Dm7 | Em7 | F | G |
[D] ff
| Am | F | <Dm7 | C |""",
}


@dataclass(frozen=True)
class Harmony:
    """A chord as it sounds, from its first stroke to the next chord's (ticks, straight grid)."""

    chord: Chord | None
    start_tick: int
    end_tick: int
    pushed: bool = False


@cache
def timeline_of(
    style_name: str, chart: str, dynamic: str = "mf", fifths: int = 0, choruses: int = 1
) -> Timeline:
    """Return a chart in the first meter of a style, at a tempo in the middle of its range."""
    style = load_style(style_name)
    meter = style.main_meter
    low, high = style.tempo_quarters
    two = {2: "Dm7 G7", 4: "Dm7 G7", 3: "Dm7 / G7", 5: "Dm7 / / G7 /"}[len(meter.beat_lengths)]
    rest = " r" * (len(meter.beat_lengths) - 1)
    body = BODIES[chart].replace("{d}", dynamic).replace("{two}", two).replace("{rest}", rest)
    text = (
        f"Title: Test\nKey: C\nTime: {meter}\nTempo: q={round((low + high) / 2)}\n"
        f"Choruses: {choruses}\n{body}\n"
    )
    timeline = build_timeline(parse_chart(text, chart))
    moved = tuple(
        replace(chord, chord=chord.chord and chord.chord.transpose(fifths))
        for chord in timeline.chords
    )
    return replace(timeline, chords=moved)


@cache
def kick_ticks(
    style_name: str, chart: str, dynamic: str = "mf", fifths: int = 0, choruses: int = 1
) -> tuple[int, ...]:
    timeline = timeline_of(style_name, chart, dynamic, fifths, choruses)
    drums = play_drums(timeline, load_style(style_name), seed=1)
    return tuple(sorted(note.start_tick for note in drums.notes if note.pitch in (35, 36)))


def harmonies(timeline: Timeline) -> list[Harmony]:
    """Return the chords as they sound; the same chord written again goes on."""
    found: list[Harmony] = []
    chords = timeline.chords
    for i, chord in enumerate(chords):
        end = chords[i + 1].sounds_tick if i + 1 < len(chords) else timeline.end_tick
        last = found[-1] if found else None
        pushed = chord.sounds_tick < chord.start_tick
        if last and last.chord == chord.chord and not pushed:
            found[-1] = replace(last, end_tick=end)
        else:
            found.append(Harmony(chord.chord, chord.sounds_tick, end, pushed))
    return found


def milliseconds(timeline: Timeline, from_tick: int, to_tick: int) -> float:
    clock = timeline.clock
    return 1000 * (clock.seconds(to_tick) - clock.seconds(from_tick))
