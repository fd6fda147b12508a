"""How the practice page is put together; what it does in a browser is in test_page_browser.py."""

import base64
import hashlib
import itertools
import re
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from page_tools import CHORUS, chord_map_of

from generator.errors import ChordMapError, OptionError
from generator.handout.neck import TUNINGS, chord_tones, motions, tones_on_neck, tuning_named
from generator.handout.page import OtherTempo, audio_beside, build_page

WAV = {"mix": ("audio/wav", b"RIFFsound")}


@pytest.fixture(scope="module")
def chord_map() -> dict[str, Any]:
    return chord_map_of(CHORUS)


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value or "" for name, value in attrs if name in ("src", "href")]


def test_page_refers_to_nothing_outside_itself(chord_map: dict[str, Any]) -> None:
    links = _Links()
    page = build_page(chord_map, WAV)
    links.feed(page)
    assert links.found == ["data:,", "#transport"]
    assert not re.search(r"url\(|@import|fetch\(|XMLHttpRequest|WebSocket", page)
    assert "data:audio/wav;base64," + base64.b64encode(b"RIFFsound").decode() in page


def test_parts_come_in_score_order_and_replace_the_mix(chord_map: dict[str, Any]) -> None:
    audio = {name: ("audio/wav", name.encode()) for name in ("mix", "pad", "zither", "drums")}
    page = build_page(chord_map, audio)
    assert re.findall(r'data-part="(\w+)"', page) == ["drums", "pad", "zither"]


def test_same_page_for_the_same_input(chord_map: dict[str, Any]) -> None:
    assert build_page(chord_map, WAV) == build_page(chord_map, WAV)


def test_other_tempos_are_linked(chord_map: dict[str, Any]) -> None:
    page = build_page(chord_map, WAV, tempos=[OtherTempo("80 %", 'slow "80%".html')])
    assert '<a href="slow%20%2280%25%22.html">80 %</a>' in page


@pytest.mark.parametrize("file", ["", "../x.html", "a/b.html", "a\\b.html", "javascript:alert(1)"])
def test_other_tempos_lie_beside_the_page(chord_map: dict[str, Any], file: str) -> None:
    with pytest.raises(OptionError, match="is not the name of a file beside the page"):
        build_page(chord_map, WAV, tempos=[OtherTempo("80 %", file)])


@pytest.mark.parametrize(
    ("audio", "message"),
    [
        ({}, "needs audio: give the mix or the parts"),
        ({"mix": ("audio/wav", b"")}, "the audio of 'mix' is empty"),
        ({"mix": ("text/html", b"x")}, "media type of 'mix' is no audio type: 'text/html'"),
    ],
)
def test_audio_that_cannot_be_used(
    chord_map: dict[str, Any], audio: dict[str, tuple[str, bytes]], message: str
) -> None:
    with pytest.raises(OptionError, match=message):
        build_page(chord_map, audio)


def _colours(scheme: str) -> dict[str, NDArray[np.float64]]:
    """Return the custom properties of the stylesheet that are colours, as sRGB 0 to 1."""
    text = files("generator.handout.page").joinpath("page.css").read_text(encoding="utf-8")
    light, dark = re.findall(r":root \{(.*?)\}", text, re.DOTALL)
    found = re.findall(r"--(?:on-)?(\w+): #(\w{6});", {"light": light, "dark": dark}[scheme])
    return {name: np.array(list(bytes.fromhex(value))) / 255 for name, value in found}


def _linear(srgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """Undo the sRGB transfer curve (IEC 61966-2-1)."""
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def _luminance(srgb: NDArray[np.float64]) -> float:
    return float(_linear(srgb) @ [0.2126, 0.7152, 0.0722])


def _contrast(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Contrast ratio of WCAG 2.2."""
    low, high = sorted([_luminance(a), _luminance(b)])
    return (high + 0.05) / (low + 0.05)


def _lab(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 L*a*b* under D65, from linear sRGB."""
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    xyz = np.array(to_xyz) @ np.clip(linear, 0, 1) / [0.9505, 1.0, 1.089]
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


# Machado, Oliveira & Fernandes 2009, severity 1.0, for linear RGB (figures from memory; each row
# sums to one, as it must for grey to stay grey).
EYES = {
    "full": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_of_words_and_marks(scheme: str) -> None:
    """WCAG 2.2 AA: words 4.5:1 (1.4.3), marks and edges of controls 3:1 (1.4.11)."""
    colours = _colours(scheme)
    for ground in ("paper", "sheet"):
        for ink in ("ink", "soft", "blue", "red", "green"):
            assert _contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground)
        assert _contrast(colours["edge"], colours[ground]) >= 3, ground
    for hue in ("blue", "red"):
        assert _contrast(colours["hue"], colours[hue]) >= 4.5, hue


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("eyes", EYES)
def test_hues_of_the_marks_differ_for_all_eyes(scheme: str, eyes: str) -> None:
    """The hues that mark roots, guide tones, tones and what comes next lie well apart."""
    colours = _colours(scheme)
    seen = {
        name: _lab(np.array(EYES[eyes]) @ _linear(colours[name]))
        for name in ("ink", "blue", "red", "green")
    }
    for a, b in itertools.combinations(seen, 2):
        assert np.linalg.norm(seen[a] - seen[b]) > 15, (a, b)


@pytest.mark.parametrize(
    ("heads", "mark"),
    [
        ("Time: 4/4\nTempo: q=98", "♩ = 98"),
        ("Time: 6/8\nTempo: q.=60", "♩. = 60"),
        ("Time: 7/8 (2+2+3)\nTempo: e=210", "♪ = 210"),
        ("Time: 2/2\nTempo: h=80", "half note = 80"),
        ("Time: 5/4 (3+2)\nTempo: q=120", "♩ = 120"),
    ],
)
def test_the_tempo_is_given_in_the_note_that_the_meter_counts(heads: str, mark: str) -> None:
    assert f">{mark}<" in build_page(chord_map_of(f"{heads}\n| C |\n"), WAV)


def test_what_is_no_chord_map_is_refused(chord_map: dict[str, Any]) -> None:
    with pytest.raises(ChordMapError, match="format: expected 'chord-map', got None"):
        build_page({}, WAV)
    with pytest.raises(ChordMapError, match="chords: missing or empty"):
        build_page({**chord_map, "chords": []}, WAV)


def test_a_track_too_long_for_a_browser_is_refused(chord_map: dict[str, Any]) -> None:
    bars = [*chord_map["bars"][:-1], {**chord_map["bars"][-1], "end_s": 3600.0}]
    with pytest.raises(OptionError, match=r"lasts 60 minutes.*holds at most 30: render fewer"):
        build_page({**chord_map, "bars": bars}, WAV)


def _listed(folder: Path, *files: tuple[str, str, str]) -> dict[str, Any]:
    """Write files (name, part, format) and list them as a chord map does."""
    entries = []
    for name, part, ending in files:
        (folder / name).write_bytes(name.encode())
        digest = hashlib.sha256(name.encode()).hexdigest()
        entries.append({"file": name, "part": part, "format": ending, "sha256": digest})
    return {"audio": entries}


def test_audio_is_found_beside_the_map(tmp_path: Path) -> None:
    files = [("a.wav", "mix", "wav"), ("a.m4a", "mix", "m4a"), ("a.bass.wav", "bass", "wav")]
    listed = _listed(tmp_path, *files)
    path = tmp_path / "a.chordmap.json"
    assert audio_beside(path, listed) == {"mix": ("audio/mp4", b"a.m4a")}
    assert audio_beside(path, listed, stems=True) == {"bass": ("audio/wav", b"a.bass.wav")}
    (tmp_path / "a.m4a").unlink()
    assert audio_beside(path, listed) == {"mix": ("audio/wav", b"a.wav")}
    (tmp_path / "a.wav").write_bytes(b"other")
    with pytest.raises(
        OptionError, match=r"a\.wav is not the file that a\.chordmap\.json was made"
    ):
        audio_beside(path, listed)
    (tmp_path / "a.wav").unlink()
    with pytest.raises(OptionError, match=r"a\.m4a, a\.wav: named in .* but not beside it"):
        audio_beside(path, listed)
    with pytest.raises(OptionError, match=r"no audio of the mix .* again with --formats m4a$"):
        audio_beside(path, {"audio": []})


def test_open_strings_of_the_tunings() -> None:
    """Standard tuning in hertz as MIDI note numbers 40 to 64 (E2 82.4 Hz to E4 329.6 Hz)."""
    assert tuning_named("standard").pitches == (40, 45, 50, 55, 59, 64)
    assert tuning_named("Bass").pitches == (28, 33, 38, 43)
    assert len({tuning.name for tuning in TUNINGS}) == len(TUNINGS)
    for tuning in TUNINGS:
        assert len(tuning.pitches) == (6 if tuning.instrument == "guitar" else 4)
        assert list(tuning.pitches) == sorted(tuning.pitches)
    with pytest.raises(OptionError, match="no tuning 'banjo': use one of Standard, Drop D"):
        tuning_named("banjo")


def test_every_tone_of_every_chord_is_on_the_neck(chord_map: dict[str, Any]) -> None:
    for chord in chord_map["chords"]:
        tones = chord_tones(chord)
        for tuning in TUNINGS:
            places = tones_on_neck(tones, tuning)
            assert {place.tone for place in places} == set(tones)
            open_strings = tuning.pitches[::-1]
            for place in places:
                assert open_strings[place.string - 1] + place.fret == place.pitch
                assert place.pitch % 12 == place.tone.pitch_class
            wanted = sum(
                (p + f) % 12 in chord["pitch_classes"] for p in open_strings for f in range(16)
            )
            assert len(places) == wanted


def test_guide_tones_of_a_two_five_move_by_half_step() -> None:
    """In ii-V-I the seventh falls a half step to the third (Levine 1995)."""
    chord_map = chord_map_of(
        "Title: T\nKey: C\nTime: 4/4\nTempo: q=120\n[A]\n| Dm7 | G7 | Cmaj7 |\n"
    )
    two, five, one = (chord_tones(chord) for chord in chord_map["chords"])
    falls = [(m.source.note, m.target.note) for m in motions(two, five) if m.semitones == -1]
    assert ("C", "B") in falls
    falls = [(m.source.note, m.target.note) for m in motions(five, one) if m.semitones == -1]
    assert ("F", "E") in falls
