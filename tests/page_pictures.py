"""Screenshots of the practice page: on a desk by day and by night, and on a phone.

Chromium takes them while the page plays. The fonts are those of the machine; `fonts-urw-base35`
(Debian) gives a serif that the stylesheet asks for.
"""

import io
import json
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from generator.handout.page import audio_beside, build_page
from tests.page_tools import CHROMIUM, CHROMIUM_FLAGS

# Name, width, height, colour scheme, what to scroll to.
SHOTS = (
    ("page-day", 1280, 960, "light", None),
    ("page-night", 1280, 960, "dark", None),
    ("page-phone", 390, 844, "light", None),
    ("page-phone-neck", 390, 844, "dark", "section.neck"),
)
COLOURS = 64
"""Enough for a page of flat colours, and a quarter of the bytes."""


def page_shots(map_path: Path, *, bar: int = 1) -> dict[str, bytes]:
    """Return PNG files by name: the page of a chord map, with its audio beside it, at a bar."""
    chord_map = json.loads(map_path.read_text(encoding="utf-8"))
    html = build_page(chord_map, audio_beside(map_path, chord_map))
    shots = {}
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        path = Path(folder) / "page.html"
        path.write_text(html, encoding="utf-8")
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(CHROMIUM_FLAGS))
        for name, width, height, scheme, target in SHOTS:
            page = browser.new_page(
                viewport={"width": width, "height": height},
                color_scheme=scheme,  # type: ignore[arg-type]  # "light" or "dark"
            )
            page.goto(path.as_uri())
            shots[f"{name}.png"] = _shot(page, bar, target)
            page.close()
        browser.close()
    return shots


def _shot(page: Page, bar: int, target: str | None) -> bytes:
    page.wait_for_selector("body[data-ready=true]")
    page.evaluate(
        "(number) => practice.player.goTo("
        "practice.map.bars.find((bar) => bar.number === number).start_s)",
        bar,
    )
    page.click("#play")
    page.wait_for_timeout(700)
    if target:
        page.evaluate("(target) => document.querySelector(target).scrollIntoView()", target)
    whole = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    small = io.BytesIO()
    whole.quantize(COLOURS, dither=Image.Dither.NONE).save(small, "PNG", optimize=True)
    return small.getvalue()
