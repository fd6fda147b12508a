"""Notes on disk: the same sound with and without, damage noticed, bounded, shared."""

import os
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from sound_bands import BAR_TICKS, render, small_band
from sound_fonts import click, write_font

from generator.sound import SoundSettings
from generator.sound.cache import NoteCache
from generator.sound.notes import NoteKey

KEY = NoteKey(0, 33, 40, 100, 64)


@pytest.fixture
def font(tmp_path):
    return write_font(tmp_path / "click.sf2", click())


def cache_at(folder: Path, font: Path, **more) -> NoteCache:
    return NoteCache(folder, font, rate_hz=44_100, tuning_hz=440.0, **more)


def test_what_is_put_comes_back_to_the_bit(tmp_path, font):
    sound = np.random.default_rng(1).standard_normal((2, 1000)).astype(np.float32)
    cache_at(tmp_path / "c", font).put(KEY, sound)
    np.testing.assert_array_equal(cache_at(tmp_path / "c", font).get(KEY), sound)
    assert cache_at(tmp_path / "c", font).get(KEY._replace(pitch=41)) is None


def test_another_rate_tuning_or_font_is_another_note(tmp_path, font):
    cache_at(tmp_path / "c", font).put(KEY, np.ones((1, 10), np.float32))
    other = write_font(tmp_path / "other.sf2", click())
    assert NoteCache(tmp_path / "c", font, rate_hz=48_000, tuning_hz=440.0).get(KEY) is None
    assert NoteCache(tmp_path / "c", font, rate_hz=44_100, tuning_hz=442.0).get(KEY) is None
    assert cache_at(tmp_path / "c", other).get(KEY) is None
    os.utime(font, (1, 1))  # the font was changed
    assert cache_at(tmp_path / "c", font).get(KEY) is None


@pytest.mark.parametrize(
    "damage",
    [lambda d: d[:-1], lambda d: b"", lambda d: d[:60] + b"\x01" + d[61:], lambda d: b"x" + d[1:]],
    ids=["cut", "empty", "bit", "head"],
)
def test_a_damaged_file_is_noticed_removed_and_made_anew(tmp_path, font, damage):
    folder = tmp_path / "c"
    sound = np.full((2, 100), 0.5, np.float32)
    cache_at(folder, font).put(KEY, sound)
    (path,) = folder.rglob("*.note")
    path.write_bytes(damage(path.read_bytes()))
    assert cache_at(folder, font).get(KEY) is None
    assert not path.exists()
    cache_at(folder, font).put(KEY, sound)
    np.testing.assert_array_equal(cache_at(folder, font).get(KEY), sound)


def test_the_folder_stays_under_its_limit_and_keeps_what_was_used_last(tmp_path, font):
    folder = tmp_path / "c"
    cache = cache_at(folder, font, limit_bytes=10_000)
    for pitch in range(20):
        cache.put(KEY._replace(pitch=pitch), np.zeros((1, 250), np.float32))
        path = cache._path(KEY._replace(pitch=pitch))
        os.utime(path, (1000 + pitch, 1000 + pitch))
    cache.get(KEY._replace(pitch=0))  # used just now
    cache.close()
    assert sum(path.stat().st_size for path in folder.rglob("*.note")) <= 10_000
    assert cache.get(KEY._replace(pitch=0)) is not None
    assert cache.get(KEY._replace(pitch=19)) is not None
    assert cache.get(KEY._replace(pitch=1)) is None


def test_a_folder_that_cannot_be_used_is_no_fault(tmp_path, font):
    (tmp_path / "file").write_text("in the way")
    cache = cache_at(tmp_path / "file", font)
    cache.put(KEY, np.zeros((1, 4), np.float32))
    cache.close()
    assert cache.get(KEY) is None


def _put_many(folder: Path, font: Path) -> None:
    cache = cache_at(folder, font)
    for pitch in range(40):
        sound = np.full((1, 5000), pitch, np.float32)
        cache.put(KEY._replace(pitch=pitch), sound)
        again = cache.get(KEY._replace(pitch=pitch))
        assert again is None or (again == sound).all()


def test_several_processes_share_a_folder(tmp_path, font):
    context = get_context("spawn")
    workers = [context.Process(target=_put_many, args=(tmp_path / "c", font)) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert [worker.exitcode for worker in workers] == [0, 0]
    assert len(list((tmp_path / "c").rglob("*.note"))) == 40
    assert not list((tmp_path / "c").rglob(".unfinished*"))


def test_a_render_is_the_same_with_a_cache_cold_or_warm(tmp_path, monkeypatch):
    settings = SoundSettings(cache=tmp_path / "c")
    _, plain = render(small_band(2), tmp_path, 2 * BAR_TICKS)
    _, cold = render(small_band(2), tmp_path, 2 * BAR_TICKS, settings=settings)

    def no_synth(*_: object, **__: object) -> None:
        raise AssertionError("a warm render needs no synthesiser")

    monkeypatch.setattr("generator.sound.record.Synth", no_synth)
    _, warm = render(small_band(2), tmp_path, 2 * BAR_TICKS, settings=settings)
    assert plain.files[0].sha256 == cold.files[0].sha256 == warm.files[0].sha256
