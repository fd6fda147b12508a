"""Screenshots of the practice page of the demo: on a desk by day and night, and on a phone.

Run with `python -m tests.pictures.page FOLDER`. Chromium takes them while the page plays; the
fonts are those of the machine (`fonts-urw-base35` gives the serif that the stylesheet asks for).
"""

import json
import subprocess
import sys
import tempfile
from importlib.resources import files
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from generator.handout.page import audio_beside, build_page

CHROMIUM = "/usr/bin/chromium"
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
)
# Name, width, height, colour scheme, what to scroll to.
SHOTS = (
    ("page-day", 1280, 960, "light", None),
    ("page-night", 1280, 960, "dark", None),
    ("page-phone", 390, 844, "light", None),
    ("page-phone-neck", 390, 844, "dark", "section.neck"),
)
BAR = 25
COLOURS = 64


def draw(folder: Path) -> tuple[Path, ...]:
    """Write the screenshots into `folder` and return their paths."""
    with tempfile.TemporaryDirectory() as temporary:
        page = _demo_page(Path(temporary))
        return tuple(_shoot(page, folder))


def _demo_page(folder: Path) -> Path:
    chart = str(files("generator").joinpath("demo.chart"))
    command = [sys.executable, "-m", "generator.cli", "render", chart, "-o", str(folder)]
    subprocess.run([*command, "--formats", "m4a,map"], check=True, stdout=subprocess.DEVNULL)
    map_path = next(folder.glob("*.chordmap.json"))
    chord_map = json.loads(map_path.read_text(encoding="utf-8"))
    path = folder / "page.html"
    path.write_text(build_page(chord_map, audio_beside(map_path, chord_map)), encoding="utf-8")
    return path


def _shoot(page_path: Path, folder: Path) -> list[Path]:
    made = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        for name, width, height, scheme, target in SHOTS:
            page = browser.new_page(
                viewport={"width": width, "height": height},
                color_scheme=scheme,  # type: ignore[arg-type]  # "light" or "dark"
            )
            page.goto(page_path.as_uri())
            page.wait_for_selector("body[data-ready=true]")
            page.evaluate(f"practice.player.goTo(practice.map.bars[{BAR - 1}].start_s)")
            page.click("#play")
            page.wait_for_timeout(700)
            if target:
                page.evaluate(f"document.querySelector('{target}').scrollIntoView()")
            path = folder / f"{name}.png"
            page.screenshot(path=path)
            page.close()
            Image.open(path).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(
                path, optimize=True
            )
            made.append(path)
        browser.close()
    return made


if __name__ == "__main__":
    target_folder = Path(sys.argv[1])
    target_folder.mkdir(parents=True, exist_ok=True)
    for shot in draw(target_folder):
        print(shot, shot.stat().st_size)
