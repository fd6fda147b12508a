"""Draw the pictures that README shows, from the demo chart: `make pictures`.

python -m tests.pictures [FOLDER]
"""

import sys
import tempfile
from importlib import metadata
from pathlib import Path

import generator
from generator.chart.parser import read_chart
from generator.files import write_whole
from generator.handout.picture import picture_of_file
from generator.handout.sheet import draw_sheet
from generator.pipeline.options import RenderOptions
from generator.pipeline.render import render_track
from tests.page_pictures import page_shots
from tests.sound_pictures import mix_picture

DEMO = Path(generator.__file__).parent / "demo.chart"
FOLDER = Path(__file__).parent / "gallery"


def draw_all(folder: Path) -> list[Path]:
    """Draw every picture into a folder and return their paths."""
    chart = read_chart(DEMO)
    version = metadata.version("chartbed")
    made = {"sheet.svg": draw_sheet(chart, format="svg", version=version)}
    with tempfile.TemporaryDirectory() as place:
        options = RenderOptions(formats=("wav", "m4a", "midi", "map"))
        render_track(chart, Path(place), options)
        song = next(Path(place).glob("*.chordmap.json"))
        made["form.svg"] = picture_of_file(song, "form")
        made["roll.svg"] = picture_of_file(song, "roll", bars=(5, 8))
        made["neck.svg"] = picture_of_file(song, "fretboard", chord="B7alt")
        made |= page_shots(song, bar=25)
        made["mix.png"] = mix_picture(song)
        made["wave.svg"] = picture_of_file(song, "wave", bars=(1, 12))
    for name, data in made.items():
        write_whole(folder / name, data)
    return [folder / name for name in made]


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    for path in draw_all(target):
        print(f"{path}  {path.stat().st_size / 1000:.0f} kB")
