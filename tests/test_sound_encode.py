"""Every format, decoded again by ffmpeg: starts at sample 0, exact length, as loud as the WAV."""

import json
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from sound_bands import BAR_TICKS, CLOCK, decibels, one_part, render, small_band
from sound_fonts import click, write_font

from generator.band.arrangement import Note
from generator.errors import EncodeError, MissingToolError
from generator.sound import ffmpeg
from generator.sound.encode import ffmpeg_program, open_encoder
from generator.sound.loudness import measure
from generator.sound.model import FORMATS, Chapter, SoundSettings, Tags

LOSSLESS = ("wav", "wav24", "wav32f", "flac")
TAGS = Tags(
    title="Brass = Button; né #1",
    composer="N. N.",
    key="E minor",
    tempo="98",
    chapters=(Chapter(0.0, 2.56, "Intro"), Chapter(2.56, 5.12, "A")),
)


def decoded(path: Path, rate_hz: int = 44_100) -> np.ndarray:
    """Return what ffmpeg makes of a file, (2, frames)."""
    raw = subprocess.run(
        [
            ffmpeg_program(),
            "-v",
            "error",
            "-i",
            path,
            "-f",
            "f32le",
            "-ac",
            "2",
            "-ar",
            str(rate_hz),
            "-",
        ],
        capture_output=True,
        check=True,
    ).stdout
    return np.frombuffer(raw, np.float32).reshape(-1, 2).T


def probed(path: Path) -> dict:
    """Return what ffprobe says of a file."""
    said = subprocess.run(
        [
            "ffprobe",
            "-v",
            "error",
            "-of",
            "json",
            "-show_format",
            "-show_streams",
            "-show_chapters",
            path,
        ],
        capture_output=True,
        check=True,
    ).stdout
    return json.loads(said)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Render the same two bars into every format, tagged."""
    folder = tmp_path_factory.mktemp("formats")
    reports = {}
    for kind in FORMATS:
        _, report = render(
            small_band(2), folder, 2 * BAR_TICKS, format=kind, settings=SoundSettings(tags=TAGS)
        )
        reports[kind] = report.files[0]
    return reports


def wav_of(path: Path, sound: np.ndarray, jobs: int) -> bytes:
    encoder = open_encoder(
        path, "wav", rate_hz=44_100, frames=sound.shape[0], tags=TAGS, bitrate_kbps=192, jobs=jobs
    )
    for start in range(0, len(sound), 4096):
        encoder.add(sound[start : start + 4096])
    encoder.finish()
    return path.read_bytes()


def test_a_wav_of_many_is_the_same_file(tmp_path):
    sound = np.random.default_rng(1).integers(-(2**15), 2**15, (20_000, 2), dtype=np.int16)
    assert wav_of(tmp_path / "many.wav", sound, jobs=1) == wav_of(
        tmp_path / "alone.wav", sound, jobs=2
    )


@pytest.mark.parametrize("kind", ["wav", "wav24", "wav32f"])
def test_the_samples_of_a_wav_begin_on_a_page(files, kind):
    """The chunks before them are those that RIFF knows, one behind the other."""
    head = files[kind].path.read_bytes()[:4096]
    names, place = [], 12
    while place < 4096:
        names.append(head[place : place + 4])
        size = int.from_bytes(head[place + 4 : place + 8], "little")
        place += 8 if names[-1] == b"data" else 8 + size + size % 2
    assert place == 4096
    assert [name for name in names if name != b"fact"] == [b"fmt ", b"LIST", b"JUNK", b"data"]


@pytest.mark.parametrize("kind", FORMATS)
def test_the_sound_starts_at_sample_0_and_has_the_exact_length(files, kind):
    """Cross-correlation with the float WAV peaks at 0 (at most 5 samples, 0.11 ms, for Opus)."""
    reference = decoded(files["wav32f"].path)
    wave = decoded(files[kind].path)
    assert files[kind].start_offset_s == 0.0
    padding = {"m4a": 1024, "opus": 5}.get(kind, 0)  # the last AAC frame may be padded
    assert 0 <= wave.shape[1] - reference.shape[1] <= padding
    frames = 1 << 16
    spectrum = np.fft.rfft(wave[0, :frames], 2 * frames).conj()
    lag = int(np.fft.irfft(spectrum * np.fft.rfft(reference[0, :frames], 2 * frames)).argmax())
    lag = min(lag, 2 * frames - lag)
    assert lag <= (5 if kind == "opus" else 0)


@pytest.mark.parametrize("kind", FORMATS)
def test_every_format_is_as_loud_as_was_asked(files, kind):
    lufs, dbtp = measure(decoded(files[kind].path), 44_100)
    assert lufs == pytest.approx(-18.0, abs=0.2)
    assert lufs == pytest.approx(files[kind].loudness_lufs, abs=0.2)
    assert dbtp <= (-1.5 if kind in LOSSLESS else -1.0)


@pytest.mark.parametrize(("kind", "floor_db"), [("wav", -92), ("flac", -92), ("wav24", -140)])
def test_whole_numbers_are_near_the_floats(files, kind, floor_db):
    """16 bit with triangular dither: an error of 1/4 square step, -93.3 dBFS (Lipshitz 1992)."""
    error = decoded(files[kind].path) - decoded(files["wav32f"].path)
    assert decibels(error) < floor_db
    if kind != "wav24":
        assert decibels(error) > -97  # there is dither
        assert abs(error.mean()) < 1e-6


def test_wav_and_flac_hold_the_same_samples(files):
    wav, _ = soundfile.read(files["wav"].path, dtype="int16")
    flac, _ = soundfile.read(files["flac"].path, dtype="int16")
    np.testing.assert_array_equal(wav, flac)


@pytest.mark.parametrize(
    ("kind", "subtype"), [("wav", "PCM_16"), ("wav24", "PCM_24"), ("wav32f", "FLOAT")]
)
def test_wav_files_are_what_they_say(files, kind, subtype):
    """Libsndfile reads the same head that we write."""
    info = soundfile.info(files[kind].path)
    assert (info.format, info.subtype, info.channels) == ("WAV", subtype, 2)
    assert info.frames == files[kind].frames


@pytest.mark.parametrize("kind", ["wav", "flac", "mp3", "m4a", "ogg", "opus"])
def test_title_composer_key_and_tempo_are_in_the_file(files, kind):
    said = probed(files[kind].path)
    tags = {**said["format"].get("tags", {}), **said["streams"][0].get("tags", {})}
    tags = {name.lower(): value for name, value in tags.items()}
    assert tags["title"] == TAGS.title
    assert "N. N." in (tags.get("composer"), tags.get("artist"))
    text = " ".join(tags.values())
    assert "E minor" in text
    assert "98" in text


@pytest.mark.parametrize("kind", ["mp3", "m4a", "ogg", "opus", "flac"])
def test_chapters_are_in_the_file(files, kind):
    chapters = probed(files[kind].path)["chapters"]
    assert [chapter["tags"]["title"] for chapter in chapters] == ["Intro", "A"]
    assert [float(chapter["start_time"]) for chapter in chapters] == pytest.approx([0, 2.56])


def test_mp3_has_constant_rate_and_the_header_that_tells_its_delay(files):
    """The LAME tag: 24 bits, delay then padding, 21 bytes behind "LAME" or "Lavc"."""
    data = files["mp3"].path.read_bytes()
    assert b"Info" in data[:4000]
    at = data.index(b"Info")
    name = max(data.find(mark, at, at + 200) for mark in (b"LAME", b"Lavc", b"Lavf"))
    packed = int.from_bytes(data[name + 21 : name + 24], "big")
    assert packed >> 12 == 1105 - 529
    frames = files["mp3"].frames
    assert (frames + (packed >> 12) + (packed & 0xFFF)) % 1152 == 0
    assert int(probed(files["mp3"].path)["streams"][0]["bit_rate"]) == 192_000


def test_an_onset_is_where_the_map_says_in_every_format(tmp_path):
    """A click decodes within 1 ms of its sample (lossy codecs smear, none shifts)."""
    font = write_font(tmp_path / "click.sf2", click())
    arrangement = one_part(*(Note(t, t + 100, 38, 100) for t in (960, 2880)), name="drums")
    settings = SoundSettings(font=font, loudness_lufs=-30)
    for kind in FORMATS:
        _, report = render(arrangement, tmp_path, BAR_TICKS, format=kind, settings=settings)
        wave = np.abs(decoded(report.files[0].path)[0])
        for tick in (960, 2880):
            at = CLOCK.samples(tick, 44_100)
            assert abs(int(wave[at - 5000 : at + 5000].argmax()) - 5000) <= 44, kind


def test_a_failing_ffmpeg_is_told_and_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setitem(ffmpeg._CODECS, "ogg", ("-c:a", "no-such-codec", "-f", "ogg"))
    with pytest.raises(EncodeError, match=r"x\.ogg: ffmpeg could not encode it: .*no-such-codec"):
        _run(tmp_path / "x.ogg")
    assert list(tmp_path.iterdir()) == []


def _run(path: Path) -> None:
    encoder = open_encoder(
        path, "ogg", rate_hz=44_100, frames=88_200, tags=Tags(), bitrate_kbps=192
    )
    try:
        for _ in range(20):
            encoder.add(np.zeros((2, 44_100), np.float32))
        encoder.finish()
    except BaseException:
        encoder.abort()
        raise


def test_without_ffmpeg_the_packaged_one_is_used_or_it_is_asked_for(monkeypatch):
    monkeypatch.setattr(ffmpeg.shutil, "which", lambda name: None)
    assert "ffmpeg" in Path(ffmpeg_program()).name
    monkeypatch.setitem(__import__("sys").modules, "imageio_ffmpeg", None)
    with pytest.raises(MissingToolError, match="ffmpeg was not found; install it: apt-get install"):
        ffmpeg_program()


def test_aborting_ends_the_child_process(tmp_path):
    encoder = open_encoder(
        tmp_path / "x.mp3", "mp3", rate_hz=44_100, frames=1, tags=Tags(), bitrate_kbps=192
    )
    process = encoder._process
    assert process.poll() is None
    encoder.abort()
    assert process.poll() is not None
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["mp3", "m4a", "opus"])
def test_the_bit_rate_is_heard(tmp_path, kind):
    sizes = []
    for bitrate_kbps in (96, 256):
        settings = replace(SoundSettings(), bitrate_kbps=bitrate_kbps)
        _, report = render(small_band(1), tmp_path, BAR_TICKS, format=kind, settings=settings)
        sizes.append(report.files[0].path.stat().st_size)
    assert sizes[1] > 1.8 * sizes[0]
