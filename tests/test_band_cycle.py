"""A long track: the band learns some choruses and plays them on."""

from collections import Counter
from functools import cache
from itertools import pairwise

import pytest
from band_rules.charts import Case, chart_text, style_facts
from band_rules.measure import pooled, verdicts
from band_rules.take import Take, written

from generator.band.arrange import arrange
from generator.band.arrangement import Arrangement, Control, Note, Part
from generator.band.cycle import Stretch, rehearsal, spliced
from generator.band.style import load_style, style_names
from generator.chart.parser import parse_chart
from generator.timeline.build import build_timeline
from generator.timeline.model import Timeline

FORM = """Title: Long Way Round
Tempo: q=97
[A] mf
| G | D/F# | Em7 | Cmaj7 | G/B | C | Am7 / D7 / | G |
| G | D/F# | Em7 | Cmaj7 | G/B | C | Am7 / <D7 / | G |
[B] f
| Em7 | Bm7 | Cmaj7 | G/B | Am7 | Em7 | F | D7 |
"""
CHORUSES = 40
ONE_CHORD = "Tempo: q=100\n[A]\n| Dm7 | / / / / | / / / / | / / / / |\n"


def timeline(text: str = FORM, choruses: int = CHORUSES) -> Timeline:
    return build_timeline(parse_chart(text), choruses=choruses)


@cache
def played(style: str) -> tuple[Timeline, Arrangement]:
    whole = load_style(style).ended(timeline())
    return whole, arrange(whole, load_style(style))


@pytest.mark.parametrize("style", style_names())
def test_a_long_track_comes_round_note_for_note(style: str) -> None:
    whole, band = played(style)
    cycle = band.cycle
    assert cycle is not None
    length = cycle.end_tick - cycle.start_tick
    assert whole.clock.seconds(cycle.end_tick) - whole.clock.seconds(cycle.start_tick) >= 300
    for part in band.parts:
        # What rings over the end of the last time may be cut short by what comes then.
        first, *others = (
            [
                (note.start_tick - at, note.pitch, note.velocity)
                for note in part.notes
                if at <= note.start_tick < at + length
            ]
            for at in range(cycle.start_tick, cycle.start_tick + cycle.times * length, length)
        )
        assert first
        assert all(other == first for other in others)


@pytest.mark.parametrize("style", style_names())
def test_it_begins_and_ends_as_the_band_has_learnt_it(style: str) -> None:
    whole, band = played(style)
    learnt = rehearsal(whole)
    assert learnt is not None
    short = arrange(learnt.timeline, load_style(style))
    assert short.cycle is None
    assert band.cycle is not None
    less = whole.end_tick - learnt.timeline.end_tick
    last = band.cycle.end_tick + less
    for long, part in zip(band.parts, short.parts, strict=True):
        seam = band.cycle.end_tick
        assert [note for note in long.notes if note.end_tick < seam] == [
            note for note in part.notes if note.end_tick < seam
        ]
        late = [note for note in part.notes if note.start_tick >= seam]
        assert late
        assert [note for note in long.notes if note.start_tick >= last] == [
            note._replace(start_tick=note.start_tick + less, end_tick=note.end_tick + less)
            for note in late
        ]


@pytest.mark.parametrize("style", style_names())
def test_no_key_is_struck_while_it_sounds_nor_left_out_of_order(style: str) -> None:
    for part in played(style)[1].parts:
        assert list(part.notes) == sorted(part.notes)
        assert list(part.controls) == sorted(part.controls)
        sounds: dict[int, int] = {}
        for note in part.notes:
            assert sounds.get(note.pitch, 0) <= note.start_tick < note.end_tick
            sounds[note.pitch] = note.end_tick


def test_choruses_within_a_cycle_differ() -> None:
    _, band = played("straight-eighth-rock")
    assert band.cycle is not None
    chorus_ticks = 24 * 4 * 960
    drums = next(part for part in band.parts if part.name == "drums")
    start, end, _ = band.cycle
    bars: dict[int, list[frozenset[tuple[int, int]]]] = {}
    for tick in range(start, end, 4 * 960):
        inside = [note for note in drums.notes if tick <= note.start_tick < tick + 4 * 960]
        struck = frozenset((round((note.start_tick - tick) / 240), note.pitch) for note in inside)
        bars.setdefault((tick - start) % chorus_ticks, []).append(struck)
    pairs = [pair for alike in bars.values() for pair in pairwise(alike)]
    assert len(pairs) > 100
    assert sum(a != b for a, b in pairs) >= 0.3 * len(pairs)


def test_two_processes_give_what_one_gives() -> None:
    whole, band = played("pop-ballad")
    assert arrange(whole, load_style("pop-ballad"), jobs=2) == band


@pytest.mark.parametrize("style", ["straight-eighth-rock", "medium-swing", "slow-minor-ballad"])
def test_a_long_track_keeps_the_rules_of_a_good_band(style: str) -> None:
    text = chart_text(style, Case("one a bar", "mf", 0, False))
    heads, body = text.split("[", 1)
    heads = heads[: heads.index("Choruses")] + "Choruses: 30\n"
    text = f"{heads}[{body}"
    take = Take(*written(style, text), style_facts(style), "mf")
    track = build_timeline(parse_chart(text))
    assert arrange(track, load_style(style)).cycle is not None
    told = [
        f"{v.line.rule} {v.line.name}: {v.line.shown(v.value)}"
        for v in verdicts(pooled([take]))
        if not v.holds and v.value is not None  # None: not in this chart
    ]
    assert not told


@pytest.mark.parametrize("choruses", [1, 2, 9, 16])
def test_a_short_track_is_played_as_ever(choruses: int) -> None:
    track = timeline(choruses=choruses)
    assert arrange(track, load_style("plain")).cycle is None


def test_where_no_seam_is_found_every_chorus_is_made() -> None:
    """A picked chord that rings for a whole chorus never ends alike."""
    track = timeline(ONE_CHORD, 150)
    assert rehearsal(track) is not None
    band = arrange(track, load_style("pop-ballad"))
    assert band.cycle is None
    per_chorus = Counter(
        note.start_tick // (4 * 4 * 960) for part in band.parts for note in part.notes
    )
    assert set(range(150)) <= set(per_chorus)


def test_stretches_take_notes_and_controllers_along() -> None:
    part = Part(
        "pad", 1, 89,
        (
            Note(0, 90, 60, 80), Note(50, 130, 64, 80),
            Note(110, 160, 64, 70), Note(180, 360, 67, 60),
        ),
        (Control(10, 11, 100), Control(60, 11, 90), Control(120, 11, 80)),
    )  # fmt: skip
    made = spliced(part, (Stretch(0, 100, 0), Stretch(100, 200, 100), Stretch(40, None, 200)))
    assert made.notes == (
        Note(0, 90, 60, 80), Note(50, 110, 64, 80), Note(110, 160, 64, 70), Note(180, 340, 67, 60),
        Note(210, 290, 64, 80), Note(270, 320, 64, 70), Note(340, 520, 67, 60),
    )  # fmt: skip
    assert made.controls == (
        Control(10, 11, 100), Control(60, 11, 90), Control(120, 11, 80),
        Control(200, 11, 100), Control(220, 11, 90), Control(280, 11, 80),
    )  # fmt: skip
