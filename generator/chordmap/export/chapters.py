"""A chapter list, `M:SS Name` a line, for the description of a video.

The first line is at 0:00, as sites that read such lists ask (common practice, no source).
"""

from generator.chordmap.chapters import chapters
from generator.chordmap.export.clip import one_line
from generator.chordmap.reader import ChordMap

__all__ = ["write"]


def write(chord_map: ChordMap) -> dict[str, bytes]:
    """Return the list; sections that start within the same second share a line."""
    titles: dict[int, list[str]] = {}
    for start_s, _, title in chapters(chord_map):
        titles.setdefault(int(start_s), []).append(one_line(title))
    lines = [f"{_clock(second)} {' / '.join(names)}\n" for second, names in titles.items()]
    return {".chapters.txt": "".join(lines).encode()}


def _clock(second: int) -> str:
    """Write whole seconds as `M:SS`, from one hour on as `H:MM:SS`.

    >>> _clock(65), _clock(3725)
    ('1:05', '1:02:05')
    """
    hours, minutes = second // 3600, second // 60 % 60
    return f"{hours}:{minutes:02}:{second % 60:02}" if hours else f"{minutes}:{second % 60:02}"
