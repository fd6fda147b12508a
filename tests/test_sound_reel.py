"""The drums of a pack are placed once a tempo: each key sounds as if it were made alone."""

from pathlib import Path

import pytest

from generator.pipeline.options import RenderOptions
from generator.pipeline.render import render_track
from generator.sound import studio
from generator.sound.mix import Bus
from generator.sound.reel import ReelBus
from generator.sound.studio import Studio

CHART = """\
Title: Same Beat
Key: C
Time: 4/4
Tempo: q=120
Style: straight-eighth-rock
[A]
| C | F | G7 | C |
"""


@pytest.fixture
def placed(monkeypatch):
    """Return the names of the parts of which blocks were made, in order."""
    names, block = [], Bus.block

    def noted(bus: Bus, start: int, frames: int):
        names.append(bus.channel.name)
        return block(bus, start, frames)

    monkeypatch.setattr(Bus, "block", noted)
    return names


@pytest.fixture
def chart(tmp_path: Path) -> Path:
    path = tmp_path / "same.chart"
    path.write_text(CHART)
    return path


def rendered(chart: Path, folder: Path, kept: Studio | None, **words) -> list[str]:
    """Return the hashes of the audio of a track."""
    options = RenderOptions(formats=("wav",), jobs=1, **words)
    return [file.sha256 for file in render_track(chart, folder, options, studio=kept).files]


def test_another_key_takes_the_drums_from_the_reel_and_sounds_as_made_alone(
    chart, tmp_path, placed
):
    words = {"key": "E", "stems": True}
    alone = rendered(chart, tmp_path / "alone", None, **words)
    assert "drums" in placed
    with Studio(many=True) as kept:
        rendered(chart, tmp_path / "first", kept)
        placed.clear()
        assert rendered(chart, tmp_path / "second", kept, **words) == alone
        assert set(placed) == {"bass", "pad", "comp"} & set(placed) != set()


@pytest.mark.parametrize(
    "words", [{"tempo": "80%"}, {"seed": 2}, {"style": "pop-ballad"}, {"rate_hz": 48_000}]
)
def test_other_drums_are_placed_anew(chart, tmp_path, placed, words):
    alone = rendered(chart, tmp_path / "alone", None, **words)
    with Studio(many=True) as kept:
        rendered(chart, tmp_path / "first", kept)
        placed.clear()
        assert rendered(chart, tmp_path / "second", kept, **words) == alone
        assert "drums" in placed


def test_what_was_broken_off_is_not_taken_for_the_whole(chart, tmp_path, monkeypatch):
    alone = rendered(chart, tmp_path / "alone", None, choruses=4)
    block = ReelBus.block

    def interrupted(bus: ReelBus, start: int, frames: int):
        if start:
            raise KeyboardInterrupt
        return block(bus, start, frames)

    with Studio(many=True) as kept:
        with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
            patch.setattr(ReelBus, "block", interrupted)
            rendered(chart, tmp_path / "broken", kept, choruses=4)
        assert rendered(chart, tmp_path / "whole", kept, choruses=4) == alone


def test_a_long_track_is_not_kept(chart, tmp_path, monkeypatch, placed):
    monkeypatch.setattr(studio, "_LONGEST_REEL_FRAMES", 1000)
    with Studio(many=True) as kept:
        rendered(chart, tmp_path / "first", kept)
        placed.clear()
        rendered(chart, tmp_path / "second", kept, key="E")
        assert "drums" in placed
