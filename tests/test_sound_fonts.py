"""Fonts: what is found, what is refused and with which words, what is read from their tables."""

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from sound_fonts import click, sine, write_font

from generator.errors import FontError
from generator.sound.fonts import check_font, choose_font, find_fonts
from generator.sound.notes import NoteKey
from generator.sound.recorder import Recorder
from generator.sound.sf2 import read_font

SMALL = Path(find_spec("pretty_midi").origin).parent / "TimGM6mb.sf2"


def test_the_small_font_of_pretty_midi_is_always_found_and_levelled():
    fonts = {font.path: font for font in find_fonts()}
    small = fonts[SMALL.resolve()]
    assert small.quality == 2
    assert set(small.trims_db) >= {str(program) for program in range(128)} | {"drums 0"}


def test_the_best_font_comes_first_and_is_the_default():
    fonts = find_fonts()
    assert list(fonts) == sorted(fonts, key=lambda font: (-font.quality, str(font.path)))
    assert choose_font() == fonts[0]


def test_hats_choke_one_another_and_nothing_else_does():
    """General MIDI Level 1: 42, 44 and 46 are the closed, pedal and open hat."""
    classes = read_font(SMALL).preset(128, 0).chokes
    assert classes[42] == classes[44] == classes[46]
    assert not {35, 36, 38, 49, 51} & classes.keys()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"it does not start like one \(RIFF ... sfbk\)"),
        (b"hello, this is text", r"it does not start like one"),
        (SMALL.read_bytes()[:100_000], r"it is cut short, 100,000 of [\d,]+ bytes are there"),
        (SMALL.read_bytes()[:-3000], r"it is cut short"),
    ],
)
def test_a_broken_font_is_refused(tmp_path, content, message):
    path = tmp_path / "broken.sf2"
    path.write_bytes(content)
    with pytest.raises(FontError, match=message):
        choose_font(path)


@pytest.mark.parametrize(
    ("table", "place"), [("phdr", 24), ("pbag", 0), ("pbag", 2), ("inst", 20), ("ibag", 0)]
)
def test_a_damaged_table_is_refused(tmp_path, table, place):
    """The first record of a table points far behind the end of the next one."""
    data = bytearray(write_font(tmp_path / "good.sf2", click()).read_bytes())
    at = data.index(table.encode()) + 8 + place
    data[at : at + 2] = b"\xff\xff"
    path = tmp_path / "damaged.sf2"
    path.write_bytes(data)
    with pytest.raises(FontError, match="its tables point outside of themselves"):
        check_font(path)


def test_an_absent_font_a_folder_and_a_font_without_programs_are_refused(tmp_path):
    with pytest.raises(FontError, match="cannot be read"):
        choose_font(tmp_path / "nowhere.sf2")
    with pytest.raises(FontError, match="this is a folder"):
        choose_font(tmp_path)
    partial = write_font(tmp_path / "partial.sf2", click(), programs=range(5))
    with pytest.raises(FontError, match="has 6 presets"):
        choose_font(partial)
    no_kit = write_font(tmp_path / "no-kit.sf2", click(), kit=False)
    with pytest.raises(FontError, match="not a General MIDI font"):
        choose_font(no_kit)


def test_a_huge_font_is_refused_before_it_is_loaded(tmp_path, monkeypatch):
    path = write_font(tmp_path / "huge.sf2", click())
    monkeypatch.setattr("generator.sound.fonts._LARGEST_BYTES", 1000)
    with pytest.raises(FontError, match="more than FluidSynth can load"):
        choose_font(path)


def test_a_compressed_font_sounds(tmp_path):
    tables = check_font(write_font(tmp_path / "tone.sf3", sine()))
    assert tables.compressed
    with Recorder(tables, rate_hz=44_100, tuning_hz=440.0, jobs=1) as recorder:
        (sound,) = recorder.get(NoteKey(0, 0, 69, 127, 200))
    assert np.abs(sound.recording.decoded()).max() > 0.01
