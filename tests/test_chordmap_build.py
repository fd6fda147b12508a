"""The chord map against the timeline that it describes, its schema and its documentation."""

import json
from itertools import pairwise
from pathlib import Path

import jsonschema
import pytest
from chordmap_charts import (
    AUDIO,
    CHARTS,
    FUNK,
    SEVEN,
    WALTZ,
    content_of,
    every_quality,
    model_of,
    timeline_of,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.chordmap.build import map_content, map_json
from generator.chordmap.json_text import indented_json, with_audio
from generator.chordmap.model import FORMAT_VERSION, ChordMapFile
from generator.chordmap.schema import field_reference, schema_json, shipped_schema
from generator.errors import KeyNameError, OptionError
from generator.harmony.chord import parse_chord

PACKAGE = Path(__file__).parent.parent / "generator" / "chordmap"


def test_the_text_is_sorted_indented_utf8_and_the_same_every_time():
    first, again = map_json(model_of(FUNK)), map_json(model_of(FUNK))
    assert first == again
    assert first.endswith("}\n")
    assert (
        first == json.dumps(json.loads(first), ensure_ascii=False, indent=2, sort_keys=True) + "\n"
    )


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    )
)
def test_the_text_is_that_of_the_standard_library(content):
    twice = {"again": content, "before": (content, [content])}  # shared, at several depths
    words = {"ensure_ascii": False, "indent": 2, "sort_keys": True, "allow_nan": False}
    try:
        expected = json.dumps(twice, **words)
    except ValueError:  # infinity
        with pytest.raises(ValueError, match="no number"):
            indented_json(twice)
    else:
        assert indented_json(twice) == expected


def test_files_named_afterwards_are_those_of_the_content():
    silent, named = content_of(FUNK), content_of(FUNK, audio=(AUDIO, {**AUDIO, "part": "bass"}))
    assert named["audio"]
    text = with_audio(map_json(silent), named["audio"])
    assert text == map_json(named)
    with pytest.raises(ValueError, match="already"):
        with_audio(text, named["audio"])


def test_what_json_cannot_hold_is_refused():
    with pytest.raises(TypeError, match="set"):
        indented_json({"notes": {1}})


def test_a_title_outside_ascii_stays_readable():
    text = map_json(model_of(FUNK.replace("Brass Button", "Knöpfe 🎺 <&>")))
    assert '"title": "Knöpfe 🎺 <&>"' in text


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_every_map_holds_against_the_shipped_schema(text):
    schema = json.loads(shipped_schema())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(content_of(text, audio=(AUDIO,)))


@pytest.mark.parametrize("words", [{}, {"audio": (AUDIO,)}, {"written_for": "bb"}, {"capo": 2}])
@pytest.mark.parametrize("text", [*CHARTS.values(), every_quality()], ids=[*CHARTS, "qualities"])
def test_what_a_render_writes_unchecked_is_what_the_model_gives_back(text, words):
    """A render writes the content without the model, whose import would cost more than the map."""
    made_by = {"style": "plain", "seed": 7, "version": "0.1.0"}
    content = map_content(timeline_of(text), **made_by, **words)
    model = ChordMapFile.model_validate_json(map_json(content))
    assert map_json(content) == map_json(model) == map_json(model_of(text, **words))


def test_the_schema_refuses_what_the_model_refuses():
    validator = jsonschema.Draft202012Validator(json.loads(shipped_schema()))
    for change in (
        {"version": "2.0"},
        {"tuning_hz": 0},
        {"chords": []},
        {"colour": "red"},
        {"format": "chords"},
    ):
        assert not validator.is_valid(content_of(FUNK) | change)


def test_the_shipped_schema_is_in_step_with_the_model():
    """To write it anew, put the text of `schema_json()` into the file."""
    assert shipped_schema() == schema_json()
    assert json.loads(shipped_schema())["$schema"].endswith("2020-12/schema")


def test_the_readme_holds_the_field_reference_of_the_model():
    readme = (PACKAGE / "README.md").read_text(encoding="utf-8")
    assert readme.partition("## Fields\n\n")[2] == field_reference()


def test_every_field_says_what_it_means_and_gives_an_example():
    schema = json.loads(shipped_schema())
    records = [schema, *schema["$defs"].values()]
    assert len(records) == 13
    for record in records:
        for name, spec in record["properties"].items():
            assert spec.get("description"), name
            is_record = "$ref" in json.dumps(spec.get("items", spec)) and name != "scales"
            assert is_record or spec.get("examples"), name


def test_the_examples_of_the_reference_hold():
    """Each example is checked against the schema of its own field."""
    schema = json.loads(shipped_schema())
    checked = 0
    for record in (schema, *schema["$defs"].values()):
        for spec in record["properties"].values():
            for example in spec.get("examples", ()):
                part = {"$defs": schema["$defs"], **spec}
                jsonschema.Draft202012Validator(part).validate(example)
                checked += 1
    assert checked > 60


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_seconds_are_those_of_the_clock_to_the_microsecond(text):
    timeline, content = timeline_of(text), content_of(text)
    clock = timeline.clock
    for chord, entry in zip(timeline.chords, content["chords"], strict=True):
        assert abs(entry["start_s"] - clock.seconds(chord.start_tick)) <= 5.1e-7
        assert abs(entry["end_s"] - clock.seconds(chord.end_tick)) <= 5.1e-7
        assert abs(entry["sounds_at_s"] - clock.seconds(chord.sounds_tick)) <= 5.1e-7
        assert (entry["start_tick"], entry["end_tick"]) == (chord.start_tick, chord.end_tick)
    for bar, entry in zip(timeline.bars, content["bars"], strict=True):
        assert entry["beats_s"] == [round(clock.seconds(tick), 6) for tick in bar.beat_ticks]
    assert content["count_in"]["end_s"] == round(clock.seconds(timeline.first_tick), 6)


def test_a_push_sounds_an_eighth_early_and_is_written_on_its_beat():
    """98 quarters a minute are 612,245 whole microseconds a quarter."""
    pushed = next(chord for chord in content_of(FUNK)["chords"] if chord["symbol"] == "G13")
    assert pushed["beat"] == 1.0
    assert pushed["start_s"] - pushed["sounds_at_s"] == pytest.approx(0.612245 / 2, abs=2e-6)


def test_no_chord_and_rest_have_no_notes():
    chords = content_of(FUNK)["chords"]
    silent = [chord for chord in chords if chord["kind"] != "chord"]
    assert {(c["kind"], c["symbol"], c["harte"]) for c in silent} == {
        ("rest", "r", "N"),
        ("no-chord", "N.C.", "N"),
    }
    for chord in silent:
        assert chord["root"] is chord["bass"] is chord["quality"] is None
        assert chord["notes"] == chord["pitch_classes"] == chord["degrees"] == []


def test_a_chord_carries_its_tones_and_its_guidance():
    chord = content_of(FUNK)["chords"][0]
    assert chord["notes"] == ["E", "G", "B", "D", "F#"]
    assert chord["pitch_classes"] == [4, 7, 11, 2, 6]
    assert chord["degrees"] == ["1", "b3", "5", "b7", "9"]
    assert (chord["harte"], chord["guide_tones"]) == ("E:min9", ["G", "D"])
    assert all(set(chord["notes"]) <= set(scale["notes"]) for scale in chord["scales"])
    assert chord["scales"]


def test_a_slash_chord_names_its_bass():
    chord = next(c for c in content_of(WALTZ)["chords"] if c["symbol"] == "Ebm6/Gb")
    assert (chord["root"], chord["bass"]) == ("Eb", "Gb")


def test_form_meters_and_keys():
    content = content_of(SEVEN)
    assert [(s["label"], s["pass"], s["dynamics"]) for s in content["sections"]] == [
        ("A", 1, "mf"),
        ("A", 2, "mf"),
        ("B", 1, "ff"),
    ]
    assert [meter["meter"] for meter in content["meters"]] == [
        "7/8 (2+3+2)",
        "4/4",
        "6/8",
        "7/8 (2+3+2)",
    ]
    assert content["meters"][0]["beat_quarters"] == [1.0, 1.5, 1.0]
    assert [(key["key"], key["fifths"]) for key in content["keys"]] == [
        ("D dorian", 0),
        ("G minor", -2),
    ]
    assert content["bars"][3]["written"] == 1
    assert content["bars"][3]["number"] == 4


def test_a_pickup_is_bar_zero():
    bars = content_of(WALTZ)["bars"]
    assert [bar["number"] for bar in bars[:3]] == [0, 1, 2]
    assert len(bars[0]["beats_s"]) == 1


def test_audio_and_maker_are_kept():
    content = content_of(FUNK, audio=(AUDIO,), tuning_hz=442)
    assert content["audio"] == [AUDIO]
    assert content["tuning_hz"] == 442.0
    made = content["made_by"]
    assert (made["name"], made["version"], made["style"], made["seed"]) == (
        "chartbed",
        "0.1.0",
        "plain",
        7,
    )
    assert content["version"] == FORMAT_VERSION


@pytest.mark.parametrize(
    ("options", "name", "semitones"),
    [
        ({"written_for": "bb"}, "bb", 2),
        ({"written_for": "eb"}, "eb", 9),
        ({"written_for": "f"}, "f", 7),
        ({"capo": 3}, "capo 3", -3),
    ],
)
def test_a_written_view_moves_every_name_by_its_interval(options, name, semitones):
    """Intervals of transposing instruments: any handbook of orchestration, from memory."""
    for chord in content_of(FUNK, **options)["chords"]:
        if chord["kind"] != "chord":
            assert "written" not in chord
            continue
        written = chord["written"]
        assert written["for"] == name
        moved = [(pitch + semitones) % 12 for pitch in chord["pitch_classes"]]
        assert list(parse_chord(written["symbol"]).pitch_classes) == moved


def test_without_a_view_nothing_is_written():
    assert all("written" not in chord for chord in content_of(FUNK)["chords"])


def test_unknown_views_are_refused():
    with pytest.raises(KeyNameError, match="write bb, eb or f"):
        model_of(FUNK, written_for="zz")
    with pytest.raises(KeyNameError, match="capo at fret 12"):
        model_of(FUNK, capo=12)
    with pytest.raises(OptionError, match="give one of the two"):
        model_of(FUNK, written_for="bb", capo=2)


BARS = st.lists(
    st.sampled_from(
        ["C", "Dm7 / / G7", "%", "<Bb13 / Eb9 /", "N.C.", "F r r r", "/ / <<Am7 /", "G7^", "Ab(.)"]
    ),
    min_size=1,
    max_size=24,
)


@settings(max_examples=40, deadline=None)
@given(BARS, st.integers(20, 400), st.integers(0, 4))
def test_any_chart_gives_a_map_that_tiles_the_music(bars, tempo, count_in):
    text = f"Tempo: q={tempo}\nCount-in: {count_in}\n[A]\n| Em7 | {' | '.join(bars)} |\n"
    content = content_of(text)
    assert "NaN" not in json.dumps(content)
    for name in ("bars", "chords", "sections"):
        entries = content[name]
        assert entries[0]["start_s"] == content["count_in"]["end_s"]
        assert entries[-1]["end_s"] == content["bars"][-1]["end_s"]
        assert all(entry["start_s"] < entry["end_s"] for entry in entries)
        assert all(a["end_s"] == b["start_s"] for a, b in pairwise(entries))
    assert all(chord["sounds_at_s"] <= chord["start_s"] for chord in content["chords"])
    onsets = [chord["sounds_at_s"] for chord in content["chords"]]
    assert onsets == sorted(onsets)
