"""What is missing is said, with the line that installs it, and stand-ins are named."""

from pathlib import Path

import pretty_midi
import pytest

from generator.errors import MissingToolError
from generator.pipeline.options import RenderOptions
from generator.pipeline.render import render_track
from generator.sound import doctor

SMALL_FONT = Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"


def finding(name):
    return next(f for f in doctor.examine() if f.name == name)


def test_all_is_well_on_a_machine_that_make_test_has_set_up():
    assert all(found.ok for found in doctor.examine())


def test_a_missing_library_is_named_with_its_remedy(monkeypatch):
    def missing():
        raise MissingToolError("the FluidSynth library was not found; install it: apt-get ...")

    monkeypatch.setattr("generator.sound.synth.library_version", missing)
    found = finding("FluidSynth library")
    assert not found.ok
    assert "apt-get" in found.remedy


def test_a_missing_ffmpeg_is_named_but_wav_needs_none(monkeypatch):
    def missing():
        raise MissingToolError("ffmpeg was not found; install it: apt-get install ffmpeg")

    monkeypatch.setattr("generator.sound.encode.ffmpeg_program", missing)
    found = finding("ffmpeg")
    assert (found.ok, found.optional) == (False, True)
    assert "apt-get install ffmpeg" in found.remedy


@pytest.mark.parametrize("font", [SMALL_FONT, None], ids=["small", "best"])
def test_a_render_says_that_only_the_small_font_plays(tmp_path, font):
    chart = tmp_path / "a.chart"
    chart.write_text("Title: A\nTempo: q=240\nCount-in: 0\n[A] mf\n| C |\n")
    result = render_track(chart, tmp_path, RenderOptions(formats=("wav",), font=font))
    told = [remark for remark in result.remarks if "small font" in remark]
    assert len(told) == (font is not None)


def test_a_library_that_vanishes_while_a_thread_imports_it_is_missing(monkeypatch):
    """The module of pyfluidsynth is in place, but without the library it looked for."""
    import sys
    import types

    from generator.sound.synth import library_version

    monkeypatch.setitem(sys.modules, "fluidsynth", types.ModuleType("fluidsynth"))
    with pytest.raises(MissingToolError, match="apt-get install libfluidsynth3"):
        library_version()
