"""The printed chart: every chord of the chart, in order, on whole pages."""

import re
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings

from generator.chart.model import ChordItem, Feel
from generator.chart.parser import parse_chart, read_chart
from generator.errors import OptionError
from generator.handout.drawing.fonts import SERIF_BOLD, Face, advance, runs
from generator.handout.drawing.marks import Drawing, PathMark, TextMark
from generator.handout.sheet import PAPERS, draw_sheet, sheet_pages
from generator.handout.sheet.cells import Extras, build_cells
from generator.handout.sheet.heading import feel_text
from generator.handout.sheet.layout import arrange_lines, split_pages
from tests.strategies import charts

CORPUS = sorted((Path(__file__).parent / "charts" / "valid").glob("*.chart"))
DESIGN = ("brass-button", "wet-umbrella", "crooked-stair")
INNER_PT = 500.0
QUALITIES = ("", "m7", "13sus4", "m7b5", "7alt", "maj7#11", "m(maj7)", "7b9#9", "6/9", "dim7")
ROOTS = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


def tool(name: str, *arguments: str, data: bytes) -> str:
    """Run a program of poppler-utils on a PDF: an independent reader of what was written."""
    program = shutil.which(name)
    assert program, f"{name} is missing; install poppler-utils"
    done = subprocess.run([program, *arguments], input=data, capture_output=True, check=True)
    return done.stdout.decode()


def text_of(pdf: bytes, *arguments: str) -> str:
    return tool("pdftotext", *arguments, "-", "-", data=pdf)


def plain(text: str) -> str:
    return text.replace("♭", "b").replace("♯", "#")


def symbols(chart) -> list[str]:
    return [
        item.chord.symbol
        for section in chart.sections
        for bar in section.bars
        for item in bar.items
        if isinstance(item, ChordItem)
    ]


def printed_symbols(text: str, wanted: list[str]) -> list[str]:
    """Those words of a page that are chord symbols of the chart, in the order of the text."""
    known = set(wanted)
    return [word for word in plain(text).split() if word in known]


def long_chart(bars: int, *, chords_a_bar: int = 1) -> str:
    """Make a chart of many bars whose section names are no chord symbols."""
    lines = ["Title: Long Road", "Key: Eb", "Time: 4/4", "Tempo: q=120"]
    count = 0
    for bar in range(bars):
        if bar % 32 == 0:
            lines.append(f"[Verse {bar // 32 + 1}] mf")
        names = []
        for _ in range(chords_a_bar):
            names.append(ROOTS[count * 7 % 12] + QUALITIES[count * 3 % len(QUALITIES)])
            count += 1
        lines.append("| " + " ".join(names) + " |")
    return "\n".join(lines) + "\n"


def lines_of(text: str, columns: int = 4):
    return arrange_lines(build_cells(parse_chart(text), Extras()), INNER_PT, columns)


def numbers(text: str, columns: int = 4) -> list[list[int]]:
    return [[p.cell.number for p in line.cells] for line in lines_of(text, columns)]


# What a PDF reader finds


@pytest.mark.parametrize("mode", ["-layout", "-raw"])
@pytest.mark.parametrize("name", DESIGN)
def test_every_chord_can_be_read_from_the_pdf_in_order(name, mode):
    chart = read_chart(next(path for path in CORPUS if path.stem == name))
    pdf = draw_sheet(chart, version="1.2.3")
    assert printed_symbols(text_of(pdf, mode), symbols(chart)) == symbols(chart)
    # Without a mode, the reader guesses at columns of prose: each chord is there, in some order.
    assert sorted(printed_symbols(text_of(pdf), symbols(chart))) == sorted(symbols(chart))


def test_three_hundred_bars_fill_whole_pages_and_lose_no_chord():
    chart = parse_chart(long_chart(300))
    pdf = draw_sheet(chart, version="1.2.3")
    pages = int(re.search(r"Pages:\s+(\d+)", tool("pdfinfo", "-", data=pdf)).group(1))
    assert 5 <= pages <= 12
    found = []
    for page in range(1, pages + 1):
        text = text_of(pdf, "-raw", "-f", str(page), "-l", str(page))
        assert f"page {page} of {pages}" in text
        assert f"chartbed 1.2.3 · chart sha256 {chart.sha256[:12]}" in text
        found += printed_symbols(text, symbols(chart))
    assert len(symbols(chart)) == 300
    assert found == symbols(chart)


def test_crowded_bars_keep_every_chord_in_order():
    chart = parse_chart(long_chart(24, chords_a_bar=4))
    text = text_of(draw_sheet(chart, version="1"), "-raw")
    assert printed_symbols(text, symbols(chart)) == symbols(chart)


def test_fonts_are_embedded_as_truetype():
    chart = parse_chart(long_chart(4))
    rows = tool("pdffonts", "-", data=draw_sheet(chart, version="1")).splitlines()[2:]
    assert rows
    for row in rows:
        assert "TrueType" in row
        assert re.search(r"\s(yes|no)\s+(yes|no)\s+(yes|no)\s", row).group(1) == "yes", row


@pytest.mark.parametrize(("paper", "size"), [("a4", "595.276 x 841.89"), ("letter", "612 x 792")])
def test_paper_has_its_standard_size(paper, size):
    """Sizes in points as ISO 216 (210 x 297 mm) and ANSI Y14.1 (8.5 x 11 in) give them."""
    info = tool("pdfinfo", "-", data=draw_sheet(parse_chart("| C |"), version="1", paper=paper))
    assert f"Page size:       {size} pts" in info


def test_words_of_the_chart_are_printed():
    chart = read_chart(next(path for path in CORPUS if path.stem == "wet-umbrella"))
    text = text_of(draw_sheet(chart, version="1"))
    for word in ("Wet Umbrella", "B♭ major", "3/4", "= 132", "jazz waltz", "N.C.", "To Coda",
                 "D.S. al Coda", "Coda", "rit.", "mp"):  # fmt: skip
        assert word in text, word
    text = text_of(draw_sheet(parse_chart(
        'Title: T\nComposer: C. Nobody\nKey: G\nTime: 7/8 (2+2+3)\nTempo: e=210\n'
        "Feel: swing sixteenths 58%\nChoruses: 3\n"
        '|: G | C :| x3\n|: D | "Key: A minor" Am |1-3. G :|4. C "stop-time" | D "cresc." |'
    ), version="1"))  # fmt: skip
    for word in ("C. Nobody", "7/8 (2+2+3)", "= 210", "swing sixteenths 58 %", "3 choruses",
                 "×3", "1.–3.", "4.", "Key: A minor", "stop-time", "cresc."):  # fmt: skip
        assert word in text, word


# Signs and rows on the page


def names_of(pages: list[Drawing]) -> list[str]:
    return [mark.name for page in pages for mark in page.marks if mark.name]


def kinds_of(pages: list[Drawing]) -> list[str]:
    return [name.split("-", 2)[2].rsplit("-", 1)[0] for name in names_of(pages)]


def test_each_item_of_a_bar_is_drawn_once_in_order():
    text = "| C / r <<F7 | % | %% | N.C. | Gm^ r r r | A<> | <B(.) / / / 2/4 C r |"
    chart = parse_chart(text)
    assert kinds_of(sheet_pages(chart, version="1")) == [
        "chord", "slash", "rest", "chord", "simile", "simile", "no-chord", "chord", "rest",
        "rest", "rest", "chord", "chord", "slash", "slash", "slash", "chord", "rest",
    ]  # fmt: skip


def test_roman_numerals_and_tones_stand_below_when_asked_for():
    chart = parse_chart("Key: C\n| Dm7 | Db7#11 |")
    plain_text = "".join(text_of(draw_sheet(chart, version="1")).split())
    pdf = draw_sheet(chart, version="1", roman=True, tones=True)
    text = "".join(text_of(pdf).split())  # the reader drops blanks between single letters
    for row in ("ii7", "DFAC", "D♭FA♭C♭G"):
        assert row in text
        assert row not in plain_text


@pytest.mark.parametrize(
    ("options", "key", "printed", "note"),
    [
        ({"written_for": "bb"}, "F♯ minor", ["F#m9", "B13"], "for instruments in B♭"),
        ({"written_for": "eb"}, "C♯ minor", ["C#m9", "F#13"], "for instruments in E♭"),
        ({"written_for": "f"}, "B minor", ["Bm9", "E13"], "for instruments in F"),
        ({"capo": 2}, "D minor", ["Dm9", "G13"], "capo 2"),
    ],
)
def test_names_move_for_the_reader(options, key, printed, note):
    """E minor as each reads it: a whole tone, a major sixth, a fifth up; two frets down."""
    text = text_of(draw_sheet(parse_chart("Key: E minor\n| Em9 | A13 |"), version="1", **options))
    assert printed_symbols(text, printed) == printed
    assert key in text
    assert note in text
    assert "sounds in E minor" in text


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"written_for": "bb", "capo": 2}, "give one of the two"),
        ({"written_for": "h"}, "no instrument in 'h'"),
        ({"capo": 12}, "fret 1 to 11, got 12"),
        ({"paper": "a3"}, "no paper 'a3'"),
        ({"bars_a_line": 0}, "use 1 to 8"),
        ({"format": "docx"}, "use pdf, svg or png"),
    ],
)
def test_options_that_make_no_sense_are_refused(options, message):
    with pytest.raises(OptionError, match=message):
        draw_sheet(parse_chart("| C |"), version="1", **options)


def test_feel_in_words():
    assert feel_text(None) == ""
    assert feel_text(Feel()) == "straight"
    assert feel_text(Feel(swing=True)) == "swing"
    assert feel_text(Feel(True, share=Fraction(3, 5))) == "swing 60 %"


# Lines and pages


def test_four_bars_to_a_line_in_columns_of_one_width():
    lines = lines_of("| C | D | E | F | G | A | B | C |")
    assert [[p.x for p in line.cells] for line in lines] == [[0, 125, 250, 375]] * 2


def test_a_section_and_a_double_bar_start_a_line():
    assert numbers("[A]\n| C | D |\n[B]\n| E | F || G |") == [[1, 2], [3, 4], [5]]


def test_a_second_ending_stands_below_the_first():
    lines = lines_of("|: C | D |1. E | F :|2. G | A |")
    assert [p.cell.number for p in lines[1].cells] == [5, 6]
    assert [p.x for p in lines[1].cells] == [p.x for p in lines[0].cells[2:]]


def test_a_bracket_spans_its_ending_and_no_more():
    cells = build_cells(parse_chart("|: C |1. D | E :|2. F | G | A |: B | C :|"), Extras())
    spans = [(c.number, c.ending, c.ending_bars, c.ending_closes) for c in cells if c.ending]
    assert spans == [(2, "1.", 2, True), (4, "2.", 2, False)]


def test_a_pickup_stands_before_the_grid_of_its_line():
    line = lines_of("Pickup: 1\n| G7 |\n[A]\n| C | F | G | C |")[0]
    assert [p.cell.number for p in line.cells] == [0, 1, 2, 3, 4]
    widths = [p.width for p in line.cells]
    assert widths[0] < widths[1]
    assert len({round(width, 6) for width in widths[1:]}) == 1


def test_a_last_bar_does_not_stand_alone():
    assert numbers("| C | D | E | F | G |") == [[1, 2, 3, 4, 5]]


def test_a_crowded_bar_takes_more_columns():
    crowded = "F#7b9#9 B13sus4/A Ebm(maj7) G#m7b5"
    lines = lines_of(f"| C | {crowded} | D | E |")
    assert [p.cell.number for p in lines[0].cells] == [1, 2, 3]
    assert [p.width for p in lines[0].cells] == [125, 250, 125]


@settings(max_examples=60, deadline=None)
@given(charts())
def test_lines_hold_every_bar_once_side_by_side_within_the_margins(chart):
    cells = build_cells(chart, Extras())
    for columns in (1, 4):
        lines = arrange_lines(cells, INNER_PT, columns)
        placed = [p for line in lines for p in line.cells]
        assert [p.cell for p in placed] == list(cells)
        for line in lines:
            x = line.cells[0].x
            assert x >= 0
            for cell in line.cells:
                assert cell.x == pytest.approx(x)
                x += cell.width
            assert x <= INNER_PT + 1e-6


@settings(max_examples=25, deadline=None)
@given(charts())
def test_ink_stays_on_the_page_and_symbols_do_not_overlap(chart):
    pages = sheet_pages(chart, version="1", roman=True, tones=True)
    for page in pages:
        ends: dict[float, float] = {}
        for mark in page.marks:
            if isinstance(mark, TextMark):
                face = Face(Path(mark.font_path).name)
                end = mark.x + advance(mark.text, face, mark.size_pt)
                assert mark.x >= 0
                assert end <= page.width_pt
                assert 0 < mark.y < page.height_pt
                if "-chord-" in mark.name:
                    assert mark.x >= ends.get(mark.y, 0.0)
                    ends[mark.y] = end
            elif isinstance(mark, PathMark):
                drawn = zip(mark.outline.vertices, mark.outline.codes, strict=True)
                assert all(-1 <= x <= page.width_pt + 1 for (x, _), code in drawn if code != 79)


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.stem)
def test_every_valid_chart_can_be_printed_with_all_its_chords(path):
    chart = read_chart(path)
    drawn = kinds_of(sheet_pages(chart, version="1"))
    assert drawn.count("chord") == len(symbols(chart))


def test_pages_take_lines_in_order_and_never_more_than_fit():
    heights = [40.0 + 7 * (i % 5) for i in range(50)]
    pages = split_pages(heights, 300.0, 400.0)
    assert [i for start, stop in pages for i in range(start, stop)] == list(range(50))
    for number, (start, stop) in enumerate(pages):
        assert sum(heights[start:stop]) <= (400.0 if number else 300.0)


def test_a_line_higher_than_a_page_still_gets_one():
    assert split_pages([500.0, 500.0], 300.0, 400.0) == ((0, 1), (1, 2))


def test_a_short_chart_is_printed_larger_and_a_long_one_as_is():
    assert sheet_pages(parse_chart("| C | D |"), version="1")[0].zoom > 1
    assert sheet_pages(parse_chart(long_chart(300)), version="1")[0].zoom == 1


# Files


def test_svg_is_xml_with_unique_ids_and_an_inert_title():
    chart = parse_chart('Title: <script>alert("x")</script> & $x$\n[A] mf\n|: C | F :|')
    svg = draw_sheet(chart, version="1", format="svg")
    root = ElementTree.fromstring(svg)
    assert root.tag.endswith("svg")
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert sum(name.startswith("bar-") for name in ids) == 2
    assert not any(element.tag.endswith("script") for element in root.iter())
    assert '<script>alert("x")</script> & $x$' in [e.text for e in root.iter()]


def test_png_stacks_the_pages():
    one = draw_sheet(parse_chart(long_chart(8)), version="1", format="png")
    two = draw_sheet(parse_chart(long_chart(160)), version="1", format="png")
    assert one[:8] == two[:8] == b"\x89PNG\r\n\x1a\n"
    height = [int.from_bytes(png[20:24], "big") for png in (one, two)]
    assert height[1] > 1.9 * height[0]


@pytest.mark.parametrize("file_format", ["pdf", "svg", "png"])
def test_the_same_chart_gives_the_same_bytes_in_another_process(file_format):
    text = long_chart(6)
    code = (
        "import sys; from generator.chart.parser import parse_chart\n"
        "from generator.handout.sheet import draw_sheet\n"
        f"made = draw_sheet(parse_chart({text!r}), version='1', format={file_format!r})\n"
        "sys.stdout.buffer.write(made)\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    folder = Path(__file__).parent.parent
    done = subprocess.run([sys.executable, "-c", code], cwd=folder, capture_output=True, check=True)
    assert done.stdout == draw_sheet(parse_chart(text), version="1", format=file_format)


def test_settings_of_the_user_neither_matter_nor_change():
    import matplotlib as mpl

    chart = parse_chart("Title: $x$\n| C |")
    usual = draw_sheet(chart, version="1")
    with mpl.rc_context({"font.size": 30, "pdf.fonttype": 3, "axes.facecolor": "red"}):
        assert draw_sheet(chart, version="1") == usual
        assert mpl.rcParams["font.size"] == 30


def test_characters_that_no_font_has_become_squares():
    shown = "".join(run.text for run in runs("a\U000f0000b", SERIF_BOLD))
    assert shown == "a□b"


def test_a_very_long_title_stays_on_the_page():
    chart = parse_chart("Title: " + "Antidisestablishmentarianism" * 12 + " of Rain\n| C |")
    page = sheet_pages(chart, version="1")[0]
    texts = [mark for mark in page.marks if isinstance(mark, TextMark)]
    assert all(mark.x >= 0 for mark in texts)
    assert page.width_pt * page.zoom == pytest.approx(PAPERS["a4"][0])
