"""What the tests of the practice page share: small tracks whose sound says where it is."""

import io
import json
import wave
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from playwright.sync_api import Browser, BrowserContext, Page

from generator.chart.parser import parse_chart
from generator.chordmap.build import build_map, map_json
from generator.handout.page import build_page
from generator.timeline.build import build_timeline

RATE_HZ = 44_100
CHROMIUM = "/usr/bin/chromium"
CHROMIUM_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
)

CHORUS = """\
Title: Eight Quick Bars
Key: C
Time: 4/4
Tempo: q=240
Choruses: 2
[A] mf
| Cmaj7 | Am7 | Dm7 / <G7 / | Em7 A7b9 |
[B] f
| Dm7b5 | G7#5 | Cm9 / F13 / | Bb6/9 Ebmaj7 / / |
"""
"""Changes on the bar, within it, and a push: 8 bars of one second."""


def chord_map_of(text: str) -> dict[str, Any]:
    timeline = build_timeline(parse_chart(text, "test.chart"))
    model = build_map(timeline, style="", seed=1, version="0.0.0")
    return json.loads(map_json(model))  # type: ignore[no-any-return]


def chord_hz(index: int) -> float:
    """Pitch that stands for a chord of the map in `coded_sound`."""
    return 400.0 + 200.0 * index


def coded_sound(chord_map: dict[str, Any], amplitude: float = 0.25) -> NDArray[np.float64]:
    """Return a sine a chord, its pitch telling which; silent in the count-in."""
    length = round((chord_map["bars"][-1]["end_s"] + 0.3) * RATE_HZ)
    sound = np.zeros(length)
    for index, chord in enumerate(chord_map["chords"]):
        start, end = (round(chord[key] * RATE_HZ) for key in ("start_s", "end_s"))
        times_s = np.arange(end - start) / RATE_HZ
        sound[start:end] = amplitude * np.sin(2 * np.pi * chord_hz(index) * times_s)
    return sound


def wav_bytes(sound: NDArray[np.float64]) -> bytes:
    content = io.BytesIO()
    with wave.open(content, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes((np.clip(sound, -1, 1) * 32_767).astype("<i2").tobytes())
    return content.getvalue()


def written_page(folder: Path, text: str = CHORUS, **audio: tuple[str, bytes]) -> tuple[Path, Any]:
    """Write a page with coded sound, or with `audio`; return its path and its chord map."""
    chord_map = chord_map_of(text)
    sound = audio or {"mix": ("audio/wav", wav_bytes(coded_sound(chord_map)))}
    path = folder / "page.html"
    path.write_text(build_page(chord_map, sound), encoding="utf-8")
    return path, chord_map


@contextmanager
def opened(browser: Browser, path: Path, **options: Any) -> Iterator[Page]:
    """Open a page from `file://` in a fresh context and fail on any complaint of the browser."""
    context: BrowserContext = browser.new_context(**options)
    complaints: list[str] = []
    try:
        page = context.new_page()
        page.on("console", lambda message: complaints.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: complaints.append(f"error: {error}"))
        page.on("request", lambda request: complaints.append(f"request: {request.url}"))
        page.goto(path.as_uri())
        page.wait_for_selector("body[data-ready]")
        assert page.get_attribute("body", "data-ready") == "true", page.inner_text("#notice")
        yield page
        assert complaints == [f"request: {path.as_uri()}"]
    finally:
        context.close()
