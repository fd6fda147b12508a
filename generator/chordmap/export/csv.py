"""CSV by RFC 4180: a header, one row a chord, CR LF line ends, UTF-8.

Lists are separated by spaces inside their cell.
"""

import csv
import io

from generator.chordmap.export.clip import from_zero, one_line
from generator.chordmap.reader import ChordMap

__all__ = ["COLUMNS", "write"]

COLUMNS = (
    "bar", "beat", "section", "start_s", "end_s", "sounds_at_s", "kind", "symbol", "root", "bass",
    "quality", "degrees", "notes", "pitch_classes", "harte", "roman", "key", "guide_tones",
    "tensions", "avoid", "scales", "articulation",
)  # fmt: skip


def write(chord_map: ChordMap) -> dict[str, bytes]:
    """Return the `.csv` file."""
    sections = {bar.number: chord_map.sections[bar.section].label for bar in chord_map.bars}
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for start_s, end_s, chord in from_zero(chord_map.chords):
        writer.writerow(
            (
                chord.bar,
                f"{chord.beat:g}",
                one_line(sections[chord.bar]),
                f"{start_s:.6f}",
                f"{end_s:.6f}",
                f"{max(0.0, chord.sounds_at_s):.6f}",
                chord.kind,
                chord.symbol,
                chord.root or "",
                chord.bass or "",
                chord.quality or "",
                " ".join(chord.degrees),
                " ".join(chord.notes),
                " ".join(map(str, chord.pitch_classes)),
                chord.harte,
                chord.roman,
                chord.key,
                " ".join(chord.guide_tones),
                " ".join(chord.tensions),
                " ".join(chord.avoid),
                "; ".join(scale.name for scale in chord.scales),
                chord.articulation,
            )
        )
    return {".csv": text.getvalue().encode()}
