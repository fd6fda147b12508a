"""Notes on disk: the same sound with and without, damage noticed, bounded, shared."""

import os
import time
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from sound_bands import BAR_TICKS, render, small_band
from sound_fonts import click, sine, write_font

from generator.sound.cache import NoteCache, clear_cache, kept_notes
from generator.sound.fonts import check_font
from generator.sound.model import SoundSettings
from generator.sound.notes import NoteKey, Placement
from generator.sound.recorder import Recorder
from generator.sound.recording import Recording

KEY = NoteKey(0, 33, 40, 100, 64)


def recorded(sound: np.ndarray) -> Recording:
    same = bool((sound == sound[:1]).all())
    return Recording.of(sound, full_scale=float(np.abs(sound).max()), same=same)


@pytest.fixture
def font(tmp_path):
    return write_font(tmp_path / "click.sf2", click())


def cache_at(folder: Path, font: Path, **more) -> NoteCache:
    return NoteCache(folder, font, rate_hz=44_100, tuning_hz=440.0, **more)


def keep(folder: Path, font: Path, sound: np.ndarray, key: NoteKey = KEY) -> Path:
    """Keep one note in a file of its own; return the file."""
    before = set(folder.glob("*.notes"))
    cache = cache_at(folder, font)
    cache.put(key, recorded(sound))
    cache.close()
    (path,) = set(folder.glob("*.notes")) - before
    return path


def test_what_is_put_comes_back_to_the_bit(tmp_path, font):
    sound = np.random.default_rng(1).standard_normal((2, 1000)).astype(np.float32)
    keep(tmp_path / "c", font, sound)
    found, given = cache_at(tmp_path / "c", font).get(KEY), recorded(sound)
    np.testing.assert_array_equal(found.samples, given.samples)
    assert found.scale == given.scale
    assert cache_at(tmp_path / "c", font).get(KEY._replace(pitch=41)) is None
    assert kept_notes(tmp_path / "c")[0] == 1
    clear_cache(tmp_path / "c")
    assert kept_notes(tmp_path / "c") == (0, 0)


def test_another_rate_tuning_font_or_library_is_another_note(tmp_path, font, monkeypatch):
    folder = tmp_path / "c"
    keep(folder, font, np.ones((1, 10), np.float32))
    other = write_font(tmp_path / "other.sf2", sine())
    assert NoteCache(folder, font, rate_hz=48_000, tuning_hz=440.0).get(KEY) is None
    assert NoteCache(folder, font, rate_hz=44_100, tuning_hz=442.0).get(KEY) is None
    assert cache_at(folder, other).get(KEY) is None
    monkeypatch.setattr("generator.sound.synth.library_version", lambda: "9.9")
    monkeypatch.setenv("LD_LIBRARY_PATH", "where another library lies")
    assert cache_at(folder, font).get(KEY) is None


def test_a_font_is_known_by_its_content(tmp_path, font):
    """A copy of it finds the notes; the same path with something else in it does not."""
    folder = tmp_path / "c"
    keep(folder, font, np.ones((1, 10), np.float32))
    copied = tmp_path / "copied.sf2"
    copied.write_bytes(font.read_bytes())
    assert cache_at(folder, copied).get(KEY) is not None
    os.utime(font, (1, 1))
    assert cache_at(folder, font).get(KEY) is not None
    font.write_bytes(font.read_bytes() + b"more")
    assert cache_at(folder, font).get(KEY) is None
    (folder / "known.json").write_text("[broken")
    assert cache_at(folder, copied).get(KEY) is not None


@pytest.mark.parametrize(
    "damage",
    [
        lambda d: d[:-1],
        lambda d: d[:-300],
        lambda d: b"",
        lambda d: d[:60] + b"\x01" + d[61:],
        lambda d: d[:-30] + b"x" + d[-29:],
        lambda d: d[:-1] + b"x",
    ],
    ids=["cut", "cut short", "empty", "sample", "index", "seal"],
)
def test_a_damaged_file_is_noticed_removed_and_made_anew(tmp_path, font, damage):
    folder = tmp_path / "c"
    sound = np.full((2, 100), 0.5, np.float32)
    path = keep(folder, font, sound)
    path.write_bytes(damage(path.read_bytes()))
    assert cache_at(folder, font).get(KEY) is None
    assert not path.exists()
    keep(folder, font, sound)
    np.testing.assert_array_equal(cache_at(folder, font).get(KEY).decoded(), sound[:1])


def test_what_was_checked_in_one_file_is_checked_again_in_another(tmp_path, font):
    folder = tmp_path / "c"
    keep(folder, font, np.full((2, 100), 0.5, np.float32))
    cache = cache_at(folder, font)
    assert cache.get(KEY) is not None
    path = keep(folder, font, np.full((2, 100), 0.25, np.float32))
    content = path.read_bytes()
    path.write_bytes(content[:60] + b"\x01" + content[61:])
    cache.seal()
    assert cache.get(KEY) is None
    assert not path.exists()


def test_the_folder_stays_under_its_limit_and_keeps_what_was_used_last(tmp_path, font, monkeypatch):
    monkeypatch.setattr("generator.sound.cache._HOUR_S", 1e12)  # opening marks nothing as used
    folder = tmp_path / "c"
    for pitch in range(20):
        path = keep(folder, font, np.zeros((1, 250), np.float32), KEY._replace(pitch=pitch))
        os.utime(path, (1000 + pitch, 1000 + pitch) if pitch else None)  # 0 was used just now
    cache = cache_at(folder, font, limit_bytes=10_000)
    cache.put(KEY._replace(pitch=20), recorded(np.zeros((1, 250), np.float32)))
    cache.close()
    assert kept_notes(folder)[1] <= 10_000
    cache = cache_at(folder, font)
    assert cache.get(KEY._replace(pitch=0)) is not None
    assert cache.get(KEY._replace(pitch=20)) is not None
    assert cache.get(KEY._replace(pitch=1)) is None


def test_what_a_run_uses_counts_as_used(tmp_path, font):
    path = keep(tmp_path / "c", font, np.zeros((1, 250), np.float32))
    os.utime(path, (1000, 1000))
    cache_at(tmp_path / "c", font).get(KEY)
    assert path.stat().st_mtime > 1000


def test_what_a_killed_run_left_goes_after_a_day(tmp_path, font):
    folder = tmp_path / "c"
    keep(folder, font, np.zeros((1, 250), np.float32))
    for name, age_s in ((".unfinished-old", 90_000), (".unfinished-new", 60)):
        (folder / name).write_bytes(b"half")
        then = time.time() - age_s
        os.utime(folder / name, (then, then))
    keep(folder, font, np.zeros((1, 250), np.float32), KEY._replace(pitch=1))
    assert [path.name for path in folder.glob(".unfinished-*")] == [".unfinished-new"]


def test_a_folder_that_cannot_be_used_is_no_fault(tmp_path, font):
    (tmp_path / "file").write_text("in the way")
    cache = cache_at(tmp_path / "file", font)
    cache.put(KEY, recorded(np.zeros((1, 4), np.float32)))
    cache.close()
    assert cache.get(KEY) is None


def test_a_disk_that_fills_up_leaves_nothing_behind(tmp_path, font, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    cache = cache_at(tmp_path / "c", font)
    cache.put(KEY, recorded(np.zeros((1, 4), np.float32)))
    monkeypatch.setattr(Path, "replace", full)
    cache.close()
    assert [path.name for path in (tmp_path / "c").iterdir()] == ["known.json"]


def test_what_another_process_has_recorded_is_found_before_its_track_ends(
    tmp_path, font, monkeypatch
):
    monkeypatch.setattr("generator.sound.cache._SEALED_BYTES", 3000)
    one, other = cache_at(tmp_path / "c", font), cache_at(tmp_path / "c", font)
    keys = [KEY._replace(pitch=pitch) for pitch in (40, 41, 42)]

    def found() -> list[bool]:
        return [other.get(key) is not None for key in keys]

    assert found() == [False] * 3
    for key in keys:  # 2,000 bytes each: the second one fills a file
        one.put(key, recorded(np.full((2, 1000), 0.5, np.float32)))
    assert found() == [True, True, False]
    one.close()
    assert found() == [True] * 3


def _put_many(folder: Path, font: Path) -> None:
    for pitch in range(40):
        cache = cache_at(folder, font)
        sound = Recording(np.full((1, 5000), pitch, np.int16), 0.5)
        again = cache.get(KEY._replace(pitch=pitch))
        assert again is None or (again.samples == sound.samples).all()
        cache.put(KEY._replace(pitch=pitch), sound)
        cache.close()


def test_several_processes_share_a_folder(tmp_path, font):
    context = get_context("spawn")
    workers = [context.Process(target=_put_many, args=(tmp_path / "c", font)) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert [worker.exitcode for worker in workers] == [0, 0]
    cache = cache_at(tmp_path / "c", font)
    for pitch in range(40):
        assert (cache.get(KEY._replace(pitch=pitch)).samples == pitch).all()
    assert not list((tmp_path / "c").rglob(".unfinished*"))


def test_after_a_track_what_was_recorded_for_it_takes_no_memory_of_its_own(tmp_path):
    font = check_font(write_font(tmp_path / "sine.sf2", sine()))
    cache, parts = cache_at(tmp_path / "c", font.path), [(Placement(0, KEY),)]
    with Recorder(font, rate_hz=44_100, tuning_hz=440.0, jobs=1, cache=cache) as recorder:
        recorder.begin(parts)
        (before,) = recorder.get(KEY)
        recorder.end()
        recorder.begin(parts)
        (after,) = recorder.get(KEY)
        assert before.recording.own_bytes == before.recording.samples.nbytes > 0
        assert after.recording.own_bytes == 0
        np.testing.assert_array_equal(after.recording.samples, before.recording.samples)
        assert after.recording.scale == before.recording.scale


def test_a_render_is_the_same_with_a_cache_cold_or_warm(tmp_path, monkeypatch):
    settings = SoundSettings(cache=tmp_path / "c")
    _, plain = render(small_band(2), tmp_path, 2 * BAR_TICKS)
    _, cold = render(small_band(2), tmp_path, 2 * BAR_TICKS, settings=settings)

    def no_synth(*_: object, **__: object) -> None:
        raise AssertionError("a warm render needs no synthesiser")

    monkeypatch.setattr("generator.sound.player.Synth", no_synth)
    _, warm = render(small_band(2), tmp_path, 2 * BAR_TICKS, settings=settings)
    assert plain.files[0].sha256 == cold.files[0].sha256 == warm.files[0].sha256
