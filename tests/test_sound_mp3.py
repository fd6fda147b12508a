"""An MP3 made by several encoders: the file of one, byte for byte, or one that decodes as well."""

import subprocess
import time
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from generator.errors import EncodeError, OutputError
from generator.sound import ffmpeg, mp3, mp3_join
from generator.sound.encode import open_encoder
from generator.sound.ffmpeg import ffmpeg_program
from generator.sound.model import Chapter, Tags
from generator.sound.mp3 import Mp3Encoder, cut_track
from generator.sound.mp3_join import _crc16, _frames, _place_to_join, _read_head

GRID = 98 * 1152
TAGS = Tags(title="né", key="E minor", tempo="98", chapters=(Chapter(0.0, 2.0, "Intro"),))
LONG, START, SHORT, STOP = range(4)


@cache
def music(rate_hz: int) -> np.ndarray:
    """Return 30 seconds of chords, clicks and noise, (2, frames), a little over whole frames."""
    rng = np.random.default_rng(5)
    seconds = np.arange(30 * rate_hz + 345) / rate_hz
    beats = (seconds * 2).astype(int)
    pitches = 110 * 2 ** (rng.integers(0, 36, (3, beats[-1] + 1)) / 12)
    chord = sum(np.sin(2 * np.pi * pitch[beats] * seconds) for pitch in pitches)
    hit = np.exp(-40 * (seconds % 0.5)) * rng.normal(0, 0.3, (2, len(seconds)))
    return (0.1 * chord + hit).astype(np.float32)


def encoded(path: Path, wave: np.ndarray, jobs: int, rate_hz: int = 44_100) -> bytes:
    """Return the file that `jobs` encoders make."""
    encoder = open_encoder(
        path, "mp3", rate_hz=rate_hz, frames=wave.shape[1], tags=TAGS, bitrate_kbps=128, jobs=jobs
    )
    assert isinstance(encoder, Mp3Encoder) == (jobs > 1)
    feed(encoder, wave)
    encoder.finish()
    assert list(path.parent.glob(f"{path.name}*")) == [path]
    return path.read_bytes()


def feed(encoder, wave: np.ndarray) -> None:
    for start in range(0, wave.shape[1], 60_000):
        encoder.add(wave[:, start : start + 60_000])


def decoded(path: Path) -> np.ndarray:
    """Return what ffmpeg makes of a file, (2, frames)."""
    command = [ffmpeg_program(), "-v", "error", "-i", path, "-f", "f32le", "-"]
    raw = subprocess.run(command, capture_output=True, check=True).stdout
    return np.frombuffer(raw, np.float32).reshape(-1, 2).T


def frames_of(path: Path) -> list[bytes]:
    with path.open("rb") as file:
        _read_head(file)
        return list(_frames(file))


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 32_000])
def test_several_encoders_make_the_file_of_one(tmp_path, rate_hz):
    """The info frame too: its counts, table and sums are those that ffmpeg itself writes.

    Four seconds in nine are 40 dB softer: encoders take longest to forget how loud it was.
    """
    wave = music(rate_hz)
    seconds = np.arange(wave.shape[1]) / rate_hz
    wave = np.where(seconds % 9 < 5, wave, 0.01 * wave)
    alone = encoded(tmp_path / "1.mp3", wave, 1, rate_hz)
    for jobs in (2, 3, 5):
        assert encoded(tmp_path / f"{jobs}.mp3", wave, jobs, rate_hz) == alone


def test_a_joined_file_has_the_exact_samples(tmp_path):
    """In ffmpeg, and in libsndfile, whose decoder is mpg123."""
    wave, path = music(44_100), tmp_path / "x.mp3"
    encoded(path, wave, 2)
    other, _ = soundfile.read(path, dtype="float32")
    for heard in (decoded(path), other.T):
        assert heard.shape == wave.shape
        noise_db = 10 * np.log10(((heard - wave) ** 2).mean() / (wave**2).mean())
        assert noise_db < -10  # -12 dB; -8 dB if it were a sample late


def window_kinds(frame: bytes) -> list[tuple[int, int]]:
    """Return the block types of both granules, (left, right); ISO/IEC 11172-3, 2.4.1.7."""
    bits = f"{int.from_bytes(frame[4:36], 'big'):0256b}"
    kinds = []
    for channel in range(4):
        at = 20 + 59 * channel + 12 + 9 + 8 + 4
        kinds.append(int(bits[at + 1 : at + 3], 2) if bits[at] == "1" else LONG)
    return [(kinds[0], kinds[1]), (kinds[2], kinds[3])]


def test_windows_follow_each_other_as_they_must_and_joins_are_not_heard(tmp_path, monkeypatch):
    """Also where encoders cannot yet have come to the same frames.

    The segments overlap by half as much as they do, and the music falls by 40 dB there: encoders
    take longest to forget how loud it was.
    """
    monkeypatch.setattr(mp3, "_GRID_SAMPLES", GRID // 2)
    monkeypatch.setattr(mp3_join, "OVERLAP_FRAMES", 49)
    wave, path = music(44_100).copy(), tmp_path / "x.mp3"
    for segment in cut_track(wave.shape[1], 44_100, 5)[1:]:
        wave[:, segment.start - 9000 : segment.start + 2 * GRID] *= 0.01
    alone = encoded(tmp_path / "1.mp3", wave, 1)
    assert encoded(path, wave, 5) != alone  # else there is nothing to test here
    legal = {(LONG, LONG), (LONG, START), (START, SHORT), (SHORT, SHORT), (SHORT, STOP)}
    legal |= {(STOP, LONG), (STOP, START)}
    granules = [kinds for frame in frames_of(path) for kinds in window_kinds(frame)]
    for channel in range(2):
        row = [kinds[channel] for kinds in granules]
        assert set(pairwise(row)) <= legal
    errors = [decoded(name) - wave for name in (tmp_path / "1.mp3", path)]
    for segment in cut_track(wave.shape[1], 44_100, 5)[1:]:
        around = slice(segment.start, segment.start + GRID)
        powers = [
            (error[:, around].reshape(2, -1, 1152) ** 2).mean(axis=(0, 2)) for error in errors
        ]
        assert (10 * np.log10(powers[1] / powers[0])).max() < 3


@pytest.mark.parametrize(("same_until", "place"), [(98, 96), (96, 96), (20, 20), (1, 1)])
def test_the_join_is_where_both_end_with_the_same_windows(same_until, place):
    """But before the last two frames, of which the windows tell of what is not there."""

    def frame(window: int) -> bytes:
        bits = ["0"] * 256
        at = 20 + 3 * 59 + 33  # the right channel of the second granule
        bits[at : at + 3] = f"1{window:02b}" if window else "000"
        return bytes(4) + int("".join(bits), 2).to_bytes(32, "big")

    ahead = [frame(SHORT)] * 98
    behind = [frame(SHORT)] * same_until + [frame(STOP)] * (98 - same_until)
    assert _place_to_join(ahead, behind) == place


@given(
    samples=st.integers(1, 200 * GRID),
    rate_hz=st.sampled_from([22_050, 32_000, 44_100, 48_000, 96_000]),
    jobs=st.integers(1, 40),
)
def test_segments_cover_the_track_and_overlap_on_the_grid(samples, rate_hz, jobs):
    segments = cut_track(samples, rate_hz, jobs)
    assert (segments[0].start, segments[-1].end) == (0, samples)
    if jobs == 1 or samples < 4 * GRID or rate_hz in (22_050, 96_000):
        assert len(segments) == 1
    else:
        assert len(segments) > 1
    encoders = {segment.encoder for segment in segments}
    assert encoders == set(range(len(encoders)))
    assert len(encoders) <= jobs
    for one, other in pairwise(segments):
        assert other.start % GRID == 0
        assert one.end - other.start == GRID
        assert other.start - one.start >= GRID
        assert other.encoder == (one.encoder + 1) % len(encoders)


@given(data=st.binary(min_size=2, max_size=400), cut=st.integers(2, 400))
def test_the_sum_is_that_of_the_bitwise_method(data, cut):
    """CRC-16/ARC, one bit after the other; and the same taken in two pieces."""
    crc = 0
    for octet in data:
        crc ^= octet
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    assert _crc16(data, 0) == crc
    if len(data) - cut >= 2:
        assert _crc16(data[cut:], _crc16(data[:cut], 0)) == crc


def test_what_waits_for_the_encoders_is_bounded(tmp_path, monkeypatch):
    class Slow:
        taken = 0

        def __init__(self, *arguments, **options) -> None: ...

        def add(self, block: np.ndarray) -> None:
            time.sleep(0.002)
            Slow.taken += block.shape[1]

        def kill(self) -> None: ...

        abort = kill

    monkeypatch.setattr(mp3, "FfmpegEncoder", Slow)
    monkeypatch.setattr(mp3, "_MOST_HELD_SAMPLES", 100_000)
    encoder = open_two(tmp_path / "x.mp3")
    block = np.zeros((2, 10_000), np.float32)
    for number in range(1, 56):  # all in the first segment
        encoder.add(block)
        assert number * 10_000 - Slow.taken <= 100_000
    encoder.abort()


def open_two(path: Path):
    wave = music(44_100)
    return open_encoder(
        path,
        "mp3",
        rate_hz=44_100,
        frames=wave.shape[1],
        tags=TAGS,
        bitrate_kbps=128,
        jobs=2,
    )


def test_an_ffmpeg_that_cannot_is_told_and_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setitem(ffmpeg._CODECS, "mp3", ("-c:a", "no-such-codec", "-f", "mp3"))
    encoder = open_two(tmp_path / "x.mp3")
    with pytest.raises(EncodeError, match=r"x\.mp3: ffmpeg could not encode it: .*no-such-codec"):
        feed(encoder, music(44_100))
        encoder.finish()
    encoder.abort()
    assert list(tmp_path.iterdir()) == []


def test_an_ffmpeg_that_dies_is_told_and_leaves_nothing(tmp_path):
    encoder = open_two(tmp_path / "x.mp3")
    encoder._lanes[1].encoder._process.kill()
    with pytest.raises(EncodeError, match=r"x\.mp3: ffmpeg could not encode it: exit code"):
        feed(encoder, music(44_100))
        encoder.finish()
    encoder.abort()
    assert list(tmp_path.iterdir()) == []


def test_aborting_ends_every_process(tmp_path):
    encoder = open_two(tmp_path / "x.mp3")
    feed(encoder, music(44_100))
    processes = [lane.encoder._process for lane in encoder._lanes]
    encoder.abort()
    assert all(process.poll() is not None for process in processes)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_cannot_be_joined_is_told(tmp_path):
    (tmp_path / "x.mp3").mkdir()
    encoder = open_two(tmp_path / "x.mp3")
    feed(encoder, music(44_100))
    with pytest.raises(OutputError, match=r"x\.mp3 cannot be written \(Is a directory\)"):
        encoder.finish()
    encoder.abort()
    assert [path.name for path in tmp_path.iterdir()] == ["x.mp3"]
