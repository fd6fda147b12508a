"""Hypothesis strategies: chart records that hold together, and texts that need not."""

from fractions import Fraction

from hypothesis import strategies as st

from generator.chart.meter import Meter, Tempo
from generator.chart.model import (
    DYNAMICS,
    Bar,
    Chart,
    ChordItem,
    Direction,
    Feel,
    MeterItem,
    NoChordItem,
    RestItem,
    Section,
    SimileItem,
    SlashItem,
)
from generator.chart.words import tempo_text
from generator.harmony.chord import parse_chord
from generator.harmony.key import parse_key

ROOTS = tuple(letter + sign for letter in "ABCDEFG" for sign in ("", "b", "#"))
SUFFIXES = (
    "", "m", "7", "maj7", "m7", "m7b5", "dim7", "6/9", "13", "7alt", "7#9", "sus4", "add9", "5",
    "9sus4", "m(maj7)", "7b9#11", "+",
)  # fmt: skip
METERS = (
    Meter(4, 4), Meter(3, 4), Meter(2, 4), Meter(5, 4), Meter(2, 2), Meter(6, 8), Meter(9, 8),
    Meter(12, 8), Meter(7, 8), Meter(7, 8, (3, 2, 2)), Meter(11, 8), Meter(3, 8),
)  # fmt: skip
NAMES = ("Intro", "A", "B", "Bridge", "First Verse", "Solo 2", "Outro", "Coda")
KEYS = ("C", "G", "F# minor", "Gb", "Eb minor", "D dorian", "A mixolydian")

chords = st.builds(
    lambda root, suffix, bass: parse_chord(root + suffix + bass),
    st.sampled_from(ROOTS),
    st.sampled_from(SUFFIXES),
    st.sampled_from(("", "", "", "/C", "/F#", "/Bb")),
)
articulations = st.sampled_from(("", "", "", "hit", "ring", "fermata"))
keys = st.sampled_from(KEYS).map(parse_key)
meters = st.sampled_from(METERS)
tempos = st.builds(
    Tempo,
    st.sampled_from((Fraction(1), Fraction(1, 2), Fraction(3, 2), Fraction(2))),
    st.integers(80, 400).map(lambda n: Fraction(n, 2)),
).filter(lambda tempo: 20 <= tempo.quarter_bpm <= 400)
feels = st.one_of(
    st.just(Feel()),
    st.builds(
        Feel,
        st.just(True),
        st.sampled_from((Fraction(1, 2), Fraction(1, 4))),
        st.one_of(st.none(), st.integers(50, 80).map(lambda percent: Fraction(percent, 100))),
    ),
)
titles = st.text(
    st.characters(blacklist_categories=("C", "Z"), blacklist_characters=";"), min_size=1, max_size=9
)


def _direction(kind: str, text: str, **more: object) -> Direction:
    return Direction(kind, text, **more)  # type: ignore[arg-type]


directions = st.one_of(
    st.sampled_from(
        [
            _direction("rit", "rit."),
            _direction("accel", "accel."),
            _direction("a-tempo", "a tempo"),
            _direction("cresc", "cresc."),
            _direction("dim", "dim."),
            _direction("stop-time", "stop-time"),
        ]
    ),
    st.sampled_from(DYNAMICS).map(lambda mark: _direction("dynamic", mark, dynamic=mark)),
    keys.map(lambda key: _direction("key", f"Key: {key.name}", key=key)),
    tempos.map(lambda tempo: _direction("tempo", tempo_text(tempo), tempo=tempo)),
)


@st.composite
def _sound(draw, may_push):
    push = Fraction(0)
    if may_push:
        push = draw(st.sampled_from((Fraction(0), Fraction(0), Fraction(1, 2), Fraction(1, 4))))
    mark = draw(articulations)
    if draw(st.integers(0, 9)) == 0:
        return NoChordItem(push, mark)
    return ChordItem(draw(chords), push, mark)


@st.composite
def _items(draw, meter, before_is_long):
    """Return items that fill `meter`; the first is pushed only when a long beat lies before it."""
    beats = len(meter.beat_lengths)
    long = min(meter.beat_lengths) >= 1
    if draw(st.booleans()):
        count = draw(st.sampled_from([n for n in range(1, beats + 1) if beats % n == 0]))
        sounds = [draw(_sound(long if i else before_is_long)) for i in range(count)]
    else:
        sounds = [draw(_sound(before_is_long))]
        for _ in range(beats - 1):
            sounds.append(draw(st.one_of(_sound(long), st.just(SlashItem()), st.just(RestItem()))))
    items = []
    for sound in sounds:
        if draw(st.integers(0, 7)) == 0:
            items.append(draw(directions))
        items.append(sound)
    if draw(st.integers(0, 9)) == 0:
        items.append(draw(directions))
    return items


@st.composite
def _phrase(draw, state):
    """Return plain bars, a repeat, or a repeat with endings, as keyword arguments of `Bar`."""

    def bar(**more):
        if state["bars"] and state["plain"] and draw(st.integers(0, 5)) == 0:
            state["bars"] += 1
            return {"items": (SimileItem(1),), **more}
        items = []
        state["plain"] = True
        if state["bars"] and draw(st.integers(0, 5)) == 0:
            state["meter"] = draw(meters)
            items.append(MeterItem(state["meter"]))
        items += draw(_items(state["meter"], state["long"]))
        state["long"] = min(state["meter"].beat_lengths) >= 1
        if draw(st.integers(0, 9)) == 0:  # a meter inside the bar
            state["meter"] = draw(meters)
            items += [MeterItem(state["meter"]), *draw(_items(state["meter"], False))]
            state["long"] = min(state["meter"].beat_lengths) >= 1
            state["plain"] = False
        state["bars"] += 1
        return {"items": tuple(items), **more}

    kind = draw(st.sampled_from(("plain", "plain", "repeat", "endings")))
    count = draw(st.integers(1, 3))
    if kind == "plain":
        closes = [draw(st.sampled_from(("|", "|", "||"))) for _ in range(count)]
        return [bar(close=close) for close in closes]
    if kind == "repeat":
        bars = [bar(repeat_opens=i == 0) for i in range(count)]
        bars[-1] |= {"close": ":|", "times": draw(st.integers(2, 4))}
        return bars
    passes = draw(st.sampled_from((((1,), (2,)), ((1, 2), (3,)), ((1,), (2, 3), (4,)))))
    bars = [bar(repeat_opens=i == 0) for i in range(count)]
    for ending in passes[:-1]:
        bars.append(bar(ending=ending, close=":|"))
    bars.append(bar(ending=passes[-1], close="||"))
    return bars


@st.composite
def charts(draw):
    """Return a chart that `parse_chart` could have made, without its places in a text."""
    meter = draw(meters)
    state = {"meter": meter, "bars": 0, "plain": False, "long": False}
    names = draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=4, unique=True))
    pickup = draw(st.booleans()) and len(meter.beat_lengths) > 1
    drafts = []
    if pickup:
        drafts.append(("", [{"items": (draw(_sound(False)),)}]))
        state["bars"] = 1
    last_meters = []
    for name in names:
        bars = [bar for _ in range(draw(st.integers(1, 2))) for bar in draw(_phrase(state))]
        drafts.append((name, bars))
        last_meters.append(state["meter"])
    form = ()
    if draw(st.booleans()):
        form = tuple(draw(st.lists(st.sampled_from(names), min_size=1, max_size=5)))
    elif len(names) > 1 and draw(st.booleans()):
        for number, sign in (
            (0, _direction("fine", "Fine")),
            (-1, _direction("jump", "D.C. al Fine")),
        ):
            bars = drafts[pickup:][number][1]
            beats = len(last_meters[number].beat_lengths)
            bars.append({"items": (ChordItem(draw(chords)), *[SlashItem()] * (beats - 1), sign)})
    repeated = [n for n in names if n not in ("Intro", "Outro", "Coda")]
    number = 0 if pickup else 1
    sections = []
    for name, bars in drafts:
        made = []
        for more in bars:
            made.append(Bar(number=number, **more))
            number += 1
        mark = draw(st.one_of(st.none(), st.sampled_from(DYNAMICS))) if name else None
        above = tuple(draw(st.lists(directions, max_size=1))) if name else ()
        above = tuple(d for d in above if d.kind != "dynamic")
        sections.append(Section(name, tuple(made), mark, above))
    return Chart(
        title=draw(titles),
        composer=draw(st.one_of(st.just(""), titles)),
        key=draw(keys),
        meter=meter,
        tempo=draw(tempos),
        sections=tuple(sections),
        feel=draw(st.one_of(st.none(), feels)),
        style=draw(st.one_of(st.none(), st.sampled_from(("medium-swing", "folk-waltz")))),
        pickup_beats=Fraction(1) if pickup else Fraction(0),
        choruses=draw(st.integers(1, 3)) if repeated else 1,
        form=form,
        count_in_bars=draw(st.integers(0, 3)),
    )


_PIECES = (
    "|", "||", "|:", ":|", "x2", "x 99999", "1.", "2.", "1-2.", "C", "Am7", "H", "/", "r", "%",
    "%%", "N.C.", "<C", "<<", "^", "<>", "(.)", "C^", "4/4", "7/8 (2+2+3)", "3/0", '"Segno"',
    '"D.S. al Coda"', '"To Coda"', '"Coda"', '"Fine"', '"D.C."', '"D.C. al Fine"', '"rit."',
    '"q=72"', '"Key: G"', '"', "[A]", "[Coda]", "[", "]", "mf", ";", ":", "\n", "\n", "\n", "\r",
    "\t", "Key: C\n", "Form: A A\n", "Choruses: 3\n", "Pickup: 1\n", "Time: 3/8\n", "Tempo: 0\n",
    "\x00", "\ufeff", "é", "♭", "(", ")", "C(", "|1.",
)  # fmt: skip

chart_like_texts = st.lists(st.sampled_from(_PIECES), max_size=60).map(" ".join)
"""Texts made of the pieces of the language in any order."""
