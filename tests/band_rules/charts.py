"""The charts on which the band is measured, for any meter. All invented.

A bar is written as the chords it holds; `_bar` spreads them over the beats of the meter.
"""

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

__all__ = [
    "BODIES",
    "DYNAMICS",
    "KEYS",
    "Case",
    "all_cases",
    "chart_text",
    "meters_of",
    "paired_cases",
    "style_facts",
]

DYNAMICS = ("p", "mf", "ff")
KEYS = (0, 4, 8)
"""Semitones up: three keys that split the octave, so that no register of a hand is missed."""

BODIES: dict[str, tuple[str, int, str]] = {
    # name: (key, choruses, sections); in a section line `@` is the beats that are left, `r*` rests
    "one a bar": (
        "C",
        1,
        """[A] {d}
|: C | Am7 | F | G7 | Em7 | Am7 |1. Dm7 | G7sus4 :|2. F | G7 |
[B]
| Am7 | % | F | C/G | Dm7 | Fm6 | C | C |""",
    ),
    "busy": (
        "Bb",
        1,
        """[A] {d}
| Bbmaj7 Gm7 | Cm7 F7 | Dm7 G7b9 | Cm7 F7 | Fm7 Bb7 | Ebmaj7 Ebm6 | Dm7 G7 Cm7 F7 | Bb6 |
[B]
| Ebm7 Ab7 | Dbmaj7 Bbm7 | Cm7b5 F7b9 | Bb6 Gm7 C9 F13 | Bb Bb/D Eb Edim7 | Bb/F | Cm7 F7 | Bb |""",
    ),
    "colours": (
        "D",
        1,
        """[A] {d}
| Dmaj9 | C#m7b5 F#7b9 | Bm11 | E13 | Em9 | A7alt | D6/9 | Am7/D D13 |
[B]
| Gmaj7#11 | G/A A13sus4 | F#m7/B B7#5 | Em(maj7) | C9#11 | D/F# Fdim7 | A9sus4 A7b13 | D5 |""",
    ),
    "cues": (
        "Em",
        1,
        """[A] {d}
| Em9 | <A13 | Em9^ r* | N.C. | C9 <B7#9 | Em9 | r** | <G13 |
[B]
| Am7<> | % | D9 <G6 | Cmaj7^ | F#m7b5 | B7b9 | N.C. | B7 |
[Stop] "stop-time"
| Em9 | G/D | Cmaj7 | B7 |
[C]
| Em9 | A13 | C9 <<B7alt | Em9 |""",
    ),
    "form": (
        "G",
        4,
        """[Intro] {d}
| G | Cadd9 | Em7 | D |
[A]
|: G | D/F# |1. Em7 | Cmaj7 D7 :|2. Am7 D7sus4 | G |
[B]
| Cm6 | % | G/B | E7 | Am7 | D9 | Bm7 | Am7 D7 |
[Outro]
| C | D | G | G |""",
    ),
    "dynamics": (
        "Am",
        1,
        """[A] {d}
| Am | Am/G | Fmaj7 | E7sus4 E7 | Am9 | D9 | Dm6 | E7b9 |
[B] {d} "cresc."
| F | G | Em7 | Am7 | Dm9 | G13 | Bm7b5 | E7 |
[Tag] ff
| Am(maj7) | F6 | Dm7/G "rit." | Am6(.) |""",
    ),
    "vamp": (
        "A",
        1,
        """[A] {d}
| A7 | % | % | % | D9 | % | A7 | % | E9 | D9 | A7 | E7#9 |
[B]
| A7 | D9 | A7 | % | D9 | D#dim7 | A7 | F#7b9 | Bm7 | E13 | A13 F#7alt | Bm9 E7b9 |""",
    ),
}


@dataclass(frozen=True, slots=True)
class Case:
    """One chart as one style shall play it; `fast` chooses the end of the style's tempo range."""

    chart: str
    dynamic: str
    semitones: int
    fast: bool


def all_cases() -> list[Case]:
    """Return the whole matrix."""
    return [
        Case(chart, dynamic, semitones, fast)
        for chart in BODIES
        for dynamic in DYNAMICS
        for semitones in KEYS
        for fast in (False, True)
    ]


def paired_cases() -> list[Case]:
    """Return a sixth of the matrix in which every pair of two values of two factors occurs.

    (Every chart at every dynamic, in every key and at both tempos; every dynamic in every key and
    at both tempos; every key at both tempos.)
    """
    cases = []
    for c, chart in enumerate(BODIES):
        for d, dynamic in enumerate(DYNAMICS):
            cases.append(Case(chart, dynamic, KEYS[(c + d) % 3], ((c + d) // 3 + d) % 2 == 1))
    return cases


def style_facts(style: str | Path) -> dict:
    """Read a style file as what was asked of the band."""
    from generator.shipped import styles_folder

    path = Path(style) if str(style).endswith(".toml") else styles_folder() / f"{style}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def meters_of(facts: dict) -> list[str]:
    """Return the meters of a style; four unlike ones for a style that plays any."""
    return facts["meters"] if facts["meters"] != ["any"] else ["4/4", "5/8", "9/8", "7/4"]


def chart_text(style: str | Path, case: Case, *, feel: str = "") -> str:
    """Write a chart for the first meter of a style; "dynamics" goes through the others, too."""
    facts = style_facts(style)
    meters = meters_of(facts)
    tempo = facts["tempo"][case.fast]
    key, choruses, body = BODIES[case.chart]
    lines = [
        f"Title: {case.chart.title()}",
        f"Key: {key}",
        f"Time: {meters[0]}",
        f"Tempo: {facts.get('tempo_unit', 'q')}={tempo}",
        f"Choruses: {choruses}",
    ]
    if feel:
        lines.append(f"Feel: {feel}")
    if case.chart == "dynamics":
        lines.append("Pickup: 1\n| N.C. |")
        for number, meter in enumerate(meters[1:]):
            extra = f"[M{number + 1}] {case.dynamic}\n| {meter} Am | F | C/E | G |\n"
            body = body.replace("[Tag]", extra + "[Tag]")
        if len(meters) > 1:
            body = body.replace("ff\n| ", f"ff\n| {meters[0]} ")
    out: list[str] = []
    n_beats = len(_beats(meters[0]))
    for line in body.format(d=case.dynamic).splitlines():
        head = line.lstrip().startswith("[")
        if not head and line.startswith("|"):
            parts = line.split("|")
            beats = n_beats
            shown = []
            for part in parts:
                for meter in meters:
                    if part.strip().startswith(meter + " "):
                        beats = n_beats = len(_beats(meter))
                shown.append(_bar(part, beats))
            line = "|".join(shown)
        out.append(line)
    return "\n".join([*lines, *out]) + "\n"


def _beats(meter: str) -> tuple:
    from generator.chart.meter import Meter

    head, _, groups = meter.partition(" ")
    numerator, denominator = map(int, head.split("/"))
    own = tuple(map(int, groups.strip("()").split("+"))) if groups else ()
    return Meter(numerator, denominator, own).beat_lengths


def _bar(part: str, n_beats: int) -> str:
    """Spread the chords of a bar over its beats: `/` for each beat that a chord goes on."""
    words = part.split()
    rest = [w for w in words if w in ("r*", "r**")]
    if rest:
        fill = n_beats - (1 if rest == ["r*"] else 0)
        kept = [w for w in words if w not in rest]
        return f" {' '.join(kept + ['r'] * fill)} "
    chords = [w for w in words if w[0] in "<ABCDEFG"]
    if len(chords) < 2:
        return part
    kept = chords if len(chords) <= n_beats else chords[:n_beats]
    share, more = divmod(n_beats, len(kept))
    spread = [" ".join([chord] + ["/"] * (share - 1 + (i < more))) for i, chord in enumerate(kept)]
    first = words.index(chords[0])
    last = len(words) - words[::-1].index(chords[-1])
    text = f"{' '.join([*words[:first], *spread, *words[last:]])} "
    return re.sub(r" : $", " :", text if re.match(r"\d", text) else f" {text}")
