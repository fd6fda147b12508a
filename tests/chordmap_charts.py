"""Charts, and the way from a chart to a chord map, for the tests of the chord map."""

import json

from generator.chart.parser import parse_chart
from generator.chordmap.build import build_map, map_json
from generator.chordmap.reader import ChordMap
from generator.harmony.quality import QUALITIES
from generator.timeline.build import build_timeline

FUNK = """\
Title: Brass Button
Composer: A. Nobody
Key: E minor
Time: 4/4
Tempo: q=98
[A] mf
|: Em9 | % | A13 | <G13 / <F#7#9^ r :| x2
[B] f
|: Cmaj9 | B7#5 |1. Em9 | A13 :|2. Em9^ r r r | N.C. |
[C] ff
| C9 / / <B7alt | Em9<> |
"""

WALTZ = """\
Title: Wet Umbrella
Key: Bb
Time: 3/4
Tempo: q=132
Pickup: 1
| N.C. |
[A] p
| Bbmaj7 | G7b9 | Cm9 | F13sus4 / F13 |
[B] mp
| Ebm6/Gb | / / Dm7/C | F7b9 | Bb6/9(.) |
"""

SEVEN = """\
Title: Crooked Stair
Key: D dorian
Time: 7/8 (2+3+2)
Tempo: e=210
Count-in: 2
[A] mf
|: Dm11 / C | Bbmaj7#11 |1. F/A / Gsus4 :|2. A5^ r r |
[B] ff
| 4/4 Gm9 | <C9 / Bb5^ r | "Key: G minor" 6/8 D5 / | 7/8 (2+3+2) D5(.) |
"""

CHARTS = {"funk": FUNK, "waltz": WALTZ, "seven": SEVEN}

AUDIO = {
    "file": "Brass Button.mp3",
    "part": "mix",
    "format": "mp3",
    "sha256": "ab" * 32,
    "duration_s": 61.5,
    "sample_rate": 44100,
    "start_offset_s": 0.0,
}


def timeline_of(text, **options):
    return build_timeline(parse_chart(text), **options)


def model_of(text, **options):
    return build_map(timeline_of(text), style="plain", seed=7, version="0.1.0", **options)


def content_of(text, **options):
    """Return the chord map as the object that its JSON holds."""
    return json.loads(map_json(model_of(text, **options)))


def map_of(text, **options):
    return ChordMap.from_dict(content_of(text, **options))


def every_quality():
    """Return a chart with each quality of the table, on roots all around the circle of fifths."""
    roots = ("C", "F#", "Bb", "E", "Ab", "D", "Gb", "A", "Db", "G", "B", "F", "Eb", "C#")
    symbols = [f"{roots[i % len(roots)]}{row.symbol}" for i, row in enumerate(QUALITIES)]
    extras = "C7b9b13 F#7(#5,#9) Bb13#11 Ebmaj7#11 Am7/G D/C Gm(maj7)/F# C7no3 F#m7add11 Bmaj7no5"
    symbols += [*extras.split(), "Eb(b5)", "A7sus4b9", "Cadd9", "F#madd9", "Gadd11", "Abmaj7b5"]
    lines = ["Title: Every Quality", "Tempo: q=120", "[A]"]
    lines += [f"| {' | '.join(symbols[i : i + 4])} |" for i in range(0, len(symbols), 4)]
    return "\n".join(lines) + "\n"


def long_chart(bars):
    """Return a chart of so many written bars, a section every twenty; 2/4 keeps it short."""
    lines = ["[A]", *["| Dm7 G7 | Cmaj7 | Dm7 G7 | Cmaj7 |"] * 5]
    return "\n".join(["Title: Long", "Time: 2/4", "Tempo: q=200", *lines * (bars // 20)]) + "\n"
