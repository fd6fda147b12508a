"""Charts with a few random slips in them are read or refused, and printed faithfully."""

import random
from pathlib import Path

import pytest

from generator.chart.format import format_chart
from generator.chart.parser import parse_chart
from generator.errors import ChartError
from generator.timeline.build import build_timeline

FOLDER = Path(__file__).parent / "charts"
PIECES = (
    "|", "||", "|:", ":|", "x2", "1.", "2.", "1-2.", "1-2-3.", " C ", " / ", " r ", " % ", "%%",
    "<", "<<", "^", "<>", "(.)", "3/8 ", "7/8 (2+2+3) ", '"Segno"', '"D.S. al Coda"',
    '"To Coda"', '"Fine"', '"D.C."', '"rit."', '"dim."', '"', "\n[A]\n", "[", "]", " mf ", ";",
    ":", "\n", "Choruses: 3\n", "Pickup: 1\n", "Form: A\n", "  ",
)  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_slips_of_the_pen(seed):
    generator = random.Random(f"slips/{seed}")
    texts = [path.read_text(encoding="utf-8-sig") for path in sorted(FOLDER.glob("valid/*.chart"))]
    read = refused = 0
    for _ in range(400):
        text = generator.choice(texts)
        for _ in range(generator.randint(1, 4)):
            at = generator.randint(0, len(text))
            cut = generator.randint(1, 6) if generator.random() < 0.4 else 0
            text = text[:at] + ("" if cut else generator.choice(PIECES)) + text[at + cut :]
        try:
            chart = parse_chart(text)
        except ChartError:
            refused += 1
            continue
        read += 1
        assert parse_chart(format_chart(chart)) == chart
        timeline = build_timeline(chart)
        assert timeline.chords[-1].end_tick == timeline.end_tick
    assert read > 20
    assert refused > 100
