"""The last chord dies away; every other ending stays as it is."""

import pytest

from generator.band.arrange import arrange
from generator.band.cues import read_cues
from generator.band.fade import EXPRESSION
from generator.band.style import load_style
from generator.chart.parser import parse_chart
from generator.timeline.build import build_timeline


def played(text):
    timeline = build_timeline(parse_chart(text))
    style = load_style("straight-eighth-rock")
    return timeline, arrange(timeline, style, seed=1)


def curve(part, start_tick):
    return [c.value for c in part.controls if c.number == EXPRESSION and c.tick > start_tick]


@pytest.mark.parametrize("last", ["C", "C<>", "C(.)"])
def test_a_held_last_chord_fades_in_every_pitched_part(last):
    timeline, band = played(f"[A] f\n| C | F | G | {last} |")
    final = read_cues(timeline).cues[-1]
    for part in band.parts[1:]:
        values = curve(part, final.start_tick)
        assert values == sorted(values, reverse=True), part.name
        assert values[-1] < 40, part.name
        assert [c.tick for c in part.controls] == sorted(c.tick for c in part.controls)
        last_note = max(note.end_tick for note in part.notes)
        assert part.controls[-1].tick <= last_note + 40
    assert not [c for c in band.parts[0].controls if c.number == EXPRESSION]


@pytest.mark.parametrize("last", ["C^ r r r", "N.C.", "r r r r"])
def test_a_stab_or_silence_at_the_end_has_no_fade(last):
    _, band = played(f"[A] f\n| C | F | G | {last} |")
    for part in band.parts[1:]:
        assert all(c.value > 90 for c in part.controls if c.number == EXPRESSION), part.name
