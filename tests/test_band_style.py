"""Style files: what holds, what is refused and how that is told."""

import re
import subprocess
import sys
import tomllib
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.band.drums_spec import LANES, DrumSpec
from generator.band.pitched_spec import STEP_QUARTERS
from generator.band.style import load_style, parse_meter, parse_style, style_catalogue, style_names
from generator.band.style_catalogue import find_style
from generator.band.style_lines import line_of
from generator.band.style_table import table_keys
from generator.band.style_words import describe_style
from generator.chart.meter import Meter
from generator.errors import StyleError
from generator.shipped import styles_folder

ASKED = (
    "straight-eighth-rock", "medium-shuffle", "slow-blues-twelve-eight", "sixteenth-funk",
    "half-time-backbeat", "medium-swing", "bossa-nova", "jazz-waltz", "slow-soul-six-eight",
    "one-drop-reggae", "country-train-beat", "pop-ballad", "five-four-groove",
    "seven-eight-rock", "indie-eighths", "slow-minor-ballad", "folk-waltz", "plain",
)  # fmt: skip

HEAD = """description = "A test"
feel = "straight"
meters = ["4/4"]
tempo = [80, 120]
"""


def style(text=""):
    return parse_style(HEAD + text, "test", source_name="test.toml")


def test_every_style_that_was_asked_for_is_there_and_holds():
    assert set(ASKED) <= set(style_names())
    for name in style_names():
        assert load_style(name).name == name


def test_a_style_has_layers_from_pp_to_ff_and_fills_for_every_mark():
    for name in style_names():
        drums = load_style(name).drums
        if name != "plain":
            marks = [layer.from_ for layer in drums.layers]
            assert marks[0] == "pp", name
            assert marks[-1] == "ff", name
            assert all(layer.alternates for layer in drums.layers), name
        assert any(fill.from_ == "pp" for fill in drums.fills), name
        assert any(fill.to == "ff" for fill in drums.fills), name


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[drums]\ncount_in = 'gong'\n", "test.toml:6: drums.count_in: no such drum 'gong'; use"),
        (
            "[drums]\n[[drums.layers]]\nfrom = 'pp'\nsnare = '--k- --x-'\n",
            "test.toml:8: drums.layers.1.snare: 'k' at 3 is no stroke; use x X o - and | for bars",
        ),
        (
            (
                "[[drums.layers]]\nfrom = 'pp'\nhat = 'xxxx'\n\n[[drums.layers]]\nfrom = 'f'\n"
                "step = 'eighth'\nkick = 'X--- X--- | X--- X--'\n"
            ),
            (
                "test.toml:7: hat: a bar of 4/4 has 16 sixteenth steps, got 4\n"
                "test.toml:12: kick: a bar of 4/4 has 8 eighth steps, got 7"
            ),
        ),
        (
            "[[drums.layers]]\nfrom = 'pp'\n[[drums.layers.alternates]]\nchance = 2\nkick = 'x'\n",
            ("test.toml:8: drums.layers.1.alternates.1.chance: must be 0 to 1, got 2"),
        ),
        (
            "[[drums.layers]]\nfrom = 'pp'\nkik = 'x'\n",
            "test.toml:7: drums.layers.1.kik: unknown key; did you mean kick?",
        ),
        ("swinng = 1\n", "test.toml:5: swinng: unknown key; did you mean swing?"),
        (
            "[swing]\nunit = 'eighth'\n",
            "test.toml:5: swing: give one of share, ratio or by_tempo = true",
        ),
        ("[timing]\nkazoo = {}\n", "test.toml:6: timing.kazoo: no such voice 'kazoo'; use kick"),
        (
            "[[drums.fills]]\nsnare = 'xx'\nkick = 'x'\n",
            (
                "test.toml:5: drums.fills.1: the lines of a fill must be equally long, "
                "got snare 2, kick 1 steps"
            ),
        ),
        (
            "[drums]\nlevel_db = 'loud'\n",
            "test.toml:6: drums.level_db: must be a number, got 'loud'",
        ),
        ("[drums]\nvelocity = [90, 40]\n", "velocity must rise within 1 to 127, got [90, 40]"),
        ("[drums\n", "test.toml: no TOML: "),
    ],
)
def test_a_fault_is_told_with_file_line_and_key(text, message):
    with pytest.raises(StyleError, match=re.escape(message)):
        style(text)


FAULTY = """tempo_unit = "x"
[drums]
program = false
pan = nan
hit = "kick"
balance = { gong = 1 }
velocity = [1, 2, 3]
fill_every = 2.0
[pad]
layers = []
[comp]
program = 27
[[comp.layers]]
from = "p"
patterns = ["d-", "q-"]
length = 0
"""


def test_every_fault_of_a_file_is_told():
    with pytest.raises(StyleError) as caught:
        style(FAULTY)
    assert str(caught.value).splitlines() == [
        "test.toml:5: tempo_unit: must be 'e', 'q', 'q.', 'h' or 'h.', got 'x'",
        "test.toml:7: drums.program: must be 0, 8, 16, 24, 25, 32, 40 or 48, got False",
        "test.toml:8: drums.pan: must be -1 to 1, got nan",
        "test.toml:9: drums.hit: must be a list, got 'kick'",
        (
            f"test.toml:10: drums.balance.gong: no such drum 'gong'; use {', '.join(LANES)}, "
            "or a key 27 to 87"
        ),
        "test.toml:11: drums.velocity: must be a list of 2, got 3",
        "test.toml:12: drums.fill_every: must be a whole number, got 2.0",
        "test.toml:13: pad.program: is missing; add it",
        "test.toml:14: pad.layers: must not be empty",
        (
            "test.toml:19: comp.layers.1.patterns.2: 'q' at 1 of 'q-' is no step; "
            "use d u D U x 1 2 3 4 = -"
        ),
        "test.toml:20: comp.layers.1.length: must be more than 0, got 0",
    ]


def test_what_is_missing_is_named():
    with pytest.raises(StyleError, match=r"x.toml:1: tempo: is missing; add it"):
        parse_style(HEAD.replace("tempo = [80, 120]\n", ""), "x", source_name="x.toml")
    with pytest.raises(StyleError, match=r"the groups sum to 6, not to 7"):
        parse_style(HEAD.replace("4/4", "7/8 (2+2+2)"), "x")
    with pytest.raises(StyleError, match=r"tempo must rise within 20 to 400 quarters"):
        parse_style(HEAD.replace("80, 120", "120, 80"), "x")


@pytest.mark.parametrize(
    ("asked", "nearest"),
    [
        ("samba-punk", "choose from"),
        ("jaz-walz", "jazz-waltz"),
        ("funk", "sixteenth-funk"),
        ("BOSSA", "bossa-nova"),
    ],
)
def test_an_unknown_name_brings_the_nearest_ones(asked, nearest):
    with pytest.raises(StyleError, match=f"unknown style '{asked}'; .*{nearest}"):
        load_style(asked)


def test_a_style_of_the_users_own_is_loaded_by_its_path(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(HEAD, encoding="utf-8")
    assert load_style(str(path)).name == "mine"
    with pytest.raises(StyleError, match=r"there is no such style file; check the path"):
        load_style(str(tmp_path / "other.toml"))
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(StyleError, match=r"mine.toml: cannot be read"):
        load_style(str(path))


@pytest.mark.parametrize(
    ("meter", "plays"),
    [
        (Meter(4, 4), True),
        (Meter(4, 4, (2, 2)), True),
        (Meter(2, 2), True),
        (Meter(2, 4), True),
        (Meter(3, 4), True),
        (Meter(8, 4), True),
        (Meter(5, 4), False),
        (Meter(6, 8), False),
        (Meter(7, 8), False),
        (Meter(8, 8, (3, 3, 2)), False),
    ],
)
def test_a_style_in_four_four_plays_the_bars_whose_beats_it_has(meter, plays):
    assert style().plays(meter) is plays


def test_other_meters():
    assert load_style("slow-soul-six-eight").plays(Meter(12, 8))
    assert load_style("slow-blues-twelve-eight").plays(Meter(9, 8))
    assert load_style("seven-eight-rock").plays(Meter(7, 8))
    assert not load_style("seven-eight-rock").plays(Meter(7, 8, (3, 2, 2)))
    assert load_style("plain").plays(Meter(31, 16))


def test_every_common_meter_has_a_style_written_for_it():
    for meter in ("2/4", "3/4", "4/4", "5/4", "6/8", "9/8", "12/8", "7/8", "3/8", "2/2"):
        played = [
            name
            for name in style_names()
            if name != "plain" and load_style(name).plays(parse_meter(meter))
        ]
        assert played, meter


def test_lanes_fill_whole_bars_of_the_first_meter():
    """Counted here from the raw file, without the model."""
    for name in style_names():
        data = tomllib.loads((styles_folder() / f"{name}.toml").read_text(encoding="utf-8"))
        if data["meters"][0] == "any":
            continue
        bar = parse_meter(data["meters"][0]).bar_quarters
        for layer in data["drums"]["layers"]:
            step = STEP_QUARTERS[layer.get("step", "sixteenth")]
            for value in layer.values():
                if isinstance(value, str) and set(value) <= set("xXo-| ") and len(value) > 2:
                    assert {Fraction(len(b.replace(" ", ""))) * step for b in value.split("|")} == {
                        bar
                    }, (name, value)


def test_the_catalogue_agrees_with_the_styles_and_is_ready_for_json():
    catalogue = style_catalogue()
    assert [entry["name"] for entry in catalogue] == list(style_names())
    for entry in catalogue:
        loaded = load_style(entry["name"])
        assert entry["tempo"] == list(loaded.tempo)
        assert entry["meter"] == loaded.meters[0]
        assert (entry["feel"], entry["description"]) == (loaded.feel, loaded.description)


@pytest.mark.parametrize(
    ("statement", "unloaded"),
    [
        ("import generator.band.style_catalogue as c; c.style_catalogue()", "generator.band.style"),
        ("import generator.band.style as s; s.load_style('plain')", "pydantic"),
    ],
)
def test_styles_are_read_without_what_loads_slowly(statement, unloaded):
    code = f"import sys; {statement}; sys.exit({unloaded!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_worked_example_of_the_readme_is_a_style_after_every_step():
    text = (styles_folder() / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", text.split("## Swing")[0], re.DOTALL)
    assert len(blocks) == 8
    for n in range(1, len(blocks) + 1):
        finished = parse_style("".join(blocks[:n]), "mine")
    assert [layer.from_ for layer in finished.drums.layers] == ["pp", "mp", "ff"]
    assert finished.bass
    assert finished.pad
    assert finished.comp


def test_the_readme_names_every_lane_and_every_key_of_the_drums():
    text = (styles_folder() / "README.md").read_text(encoding="utf-8")
    assert [lane for lane in LANES if lane not in text] == []
    told = set(re.findall(r"`(\w+)`", text))
    assert set(table_keys(DrumSpec)) - told - {"layers", "fills"} == set()


@given(st.lists(st.sampled_from(["a", "bb", "x-y"]), min_size=1, max_size=3, unique=True))
def test_the_line_of_a_key_is_found_in_nested_tables(names):
    lines, place = ["top = 1"], ()
    for name in names:
        place = (*place, name)
        lines += [f"[{'.'.join(place)}]", "key = 2"]
    assert line_of("\n".join(lines), (*place, "key")) == len(lines)
    assert line_of("\n".join(lines), (*place, "absent")) == len(lines) - 1


def test_find_style_gives_the_file():
    assert find_style("plain").name == "plain.toml"


def test_a_style_is_told_in_words():
    told = describe_style(load_style("slow-minor-ballad")).splitlines()
    assert told[0].startswith("slow-minor-ballad: A slow ballad with brushes")
    assert "  tempo   q=48 to q=80" in told
    assert "  ending  the band slows down and the last chord rings" in told
    assert "  drums   brushes, pp to p: sweep, snare, pedal-hat" in told
    for name in style_names():
        lines = describe_style(load_style(name)).splitlines()
        assert {line.split()[0] for line in lines[1:]} >= {"meter", "drums", "bass", "pad", "comp"}
