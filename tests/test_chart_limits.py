"""Hostile charts: each is refused with a clear message, or played, and none costs much."""

import subprocess
import sys
from pathlib import Path

import pytest

from generator.chart.parser import parse_chart
from generator.errors import ChartError, OptionError
from generator.timeline.build import build_timeline

MIB = 1 << 20
THIRTY_TWO = "Time: 32/16 (" + "+".join("1" * 32) + ")\nTempo: q=400\n"

# (name, text, words of the message)
REFUSED = [
    ("too big", "x" * (MIB + 1), "1 MiB"),
    ("one line of bars", "|" * MIB, "break lines"),
    ("lines of bars", ("|" * 999 + "\n") * 1048, "more than 100 problems"),
    ("pushes", ("<" * 999 + "\n") * 1048, "more than 100 problems"),
    ("quotes", ('"' * 999 + "\n") * 1048, "more than 100 problems"),
    ("parentheses", ("(" * 999 + "\n") * 1048, "more than 100 problems"),
    ("closed parentheses", ("|" + "()" * 499 + "\n") * 1000, "more than 100 problems"),
    ("brackets", ("[" * 999 + "\n") * 1048, "more than 100 problems"),
    ("slashes", ("C " + "/" * 900 + " |\n") * 1000, "over 64 symbols"),
    ("zeros", "\0" * MIB, "control character"),
    ("blank lines", "\n" * MIB, "no bars"),
    ("carriage returns", "\r" * MIB, "no bars"),
    ("heads", "Key: C\n" * 100_000, "a second Key:"),
    ("sections", "[A]\n" * 200_000, "has no bars"),
    ("bars", ("| C " * 240 + "|\n") * 1000, "over 10000 written bars"),
    ("symbols", THIRTY_TWO + ("| " + "C " * 32 + "|\n") * 6000, "over 40000 written symbols"),
    ("played symbols", THIRTY_TWO + "|: " + "C " * 32 + ":| x6000", "over 120000 chords"),
    ("a repeat of 99999", "|: C :| x99999", "write x 2 to x 10000"),
    ("repeats that multiply", "|: C :| x9999\n|: F :| x9999", "over 10000 bars"),
    ("choruses", "Choruses: 999999999\n[A]\n| C |", "write 1 to 1000"),
    ("choruses of repeats", "Choruses: 1000\n[A]\n|: C :| x11", "over 10000 bars"),
    ("a form of repeats", "Form: " + "A " * 480 + "\n[A]\n|: C :| x100", "over 10000 bars"),
    ("hours", "|: C :| x10000", "5.6 hours"),
    ("hours of fermatas", "Tempo: q=20\n" + "| C(.) |\n" * 400, "hours"),
    ("a giant tempo", "Tempo: q=" + "9" * 900 + "\n| C |", "is no tempo"),
    ("a giant meter", "Time: " + "9" * 900 + "/4\n| C |", "is no meter"),
    ("a giant ending", "|" + "9" * 900 + ". C |", "write 1 to 99"),
    ("a giant chord", "| " + "C" * 900 + " |", "64 characters"),
    ("directions", ('| C ' + '"rit." "a tempo" ' * 30 + "|\n") * 900, "over 40000 written symbols"),
    ("jumps", '| C "D.C." |\n' * 9000, "over 10000 bars"),
    ("accents", "\u0301" * 900, "64 characters"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"), [case[1:] for case in REFUSED], ids=[c[0] for c in REFUSED]
)
def test_a_hostile_chart_is_refused_in_few_words(text, words):
    with pytest.raises(ChartError) as caught:
        build_timeline(parse_chart(text, "x"))
    assert words in str(caught.value)
    assert len(caught.value.problems) <= 101
    assert len(str(caught.value)) < 200_000


def test_a_big_chart_is_played():
    timeline = build_timeline(parse_chart("Tempo: q=400\n" + "| C |\n" * 9999))
    assert len(timeline.bars) == 9999


def test_no_hostile_chart_takes_much_memory():
    script = (
        "import resource, sys\n"
        "sys.path.insert(0, sys.argv[1])\n"
        "from test_chart_limits import REFUSED\n"
        "from generator.chart.parser import parse_chart\n"
        "from generator.errors import ChartError\n"
        "from generator.timeline.build import build_timeline\n"
        "for _, text, _ in REFUSED:\n"
        "    try: build_timeline(parse_chart(text))\n"
        "    except ChartError: pass\n"
        "unit = 1 if sys.platform == 'darwin' else 1024\n"  # macOS counts bytes, Linux KiB
        "peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit\n"
        "try:\n"  # on Linux that figure starts at the size of the process that started this one
        "    lines = open('/proc/self/status').read().splitlines()\n"
        "    peak = next(int(l.split()[1]) * 1024 for l in lines if l.startswith('VmHWM'))\n"
        "except OSError: pass\n"
        "print(peak)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(Path(__file__).parent)],
        capture_output=True,
        text=True,
        check=True,
        timeout=200,
    )
    assert int(done.stdout) < 300 * MIB


def test_options_that_lead_over_a_limit_blame_the_option():
    chart = parse_chart("[A]\n|: C :| x100")
    with pytest.raises(OptionError, match="choruses: 500 make over 10000 bars"):
        build_timeline(chart, choruses=500)
    with pytest.raises(OptionError, match="1001 choruses: give 1 to 1000"):
        build_timeline(chart, choruses=1001)
    with pytest.raises(OptionError, match="stay between 20 and 400"):
        build_timeline(chart, tempo_scale=4)
    with pytest.raises(OptionError, match="2 at most"):
        build_timeline(chart, choruses=60, quarter_bpm=100)
