"""Read the skeleton of a SoundFont: which presets it has, and which keys choke one another.

Only the small tables at the end of the file are read, never the samples. Layout of chunks and
records: SoundFont Technical Specification 2.04, section 7 (`phdr`, `pbag`, `pgen`, `inst`,
`ibag`, `igen`); generator numbers from section 8.1.2.
"""

import struct
from dataclasses import dataclass
from pathlib import Path

from generator.errors import FontError

__all__ = ["PERCUSSION_BANK", "FontTables", "read_font"]

PERCUSSION_BANK = 128

_INSTRUMENT, _KEY_RANGE, _SAMPLE_ID, _EXCLUSIVE_CLASS = 41, 43, 53, 57
_RECORD_BYTES = {"phdr": 38, "pbag": 4, "pgen": 4, "inst": 22, "ibag": 4, "igen": 4}


@dataclass(frozen=True, slots=True)
class FontTables:
    """The presets of a font.

    Attributes
    ----------
    path : Path
        The file.
    presets : dict of (int, int) to str
        (bank, program) to name.
    chokes : dict of (int, int) to dict of int to int
        (bank, program) to the exclusive class of each key that has one.
    compressed : bool
        Whether the samples are Ogg Vorbis (`.sf3`).
    """

    path: Path
    presets: dict[tuple[int, int], str]
    chokes: dict[tuple[int, int], dict[int, int]]
    compressed: bool

    @property
    def is_general_midi(self) -> bool:
        """Whether all 128 melodic programs and a drum kit are there."""
        return (PERCUSSION_BANK, 0) in self.presets and all(
            (0, program) in self.presets for program in range(128)
        )


def read_font(path: Path) -> FontTables:
    """Read the tables of a SoundFont.

    Raises
    ------
    FontError
        If the file is absent, is no SoundFont, or is cut short.
    """
    try:
        with path.open("rb") as file:
            size = path.stat().st_size
            chunks, major = _find_tables(path, file, size)
            tables = {}
            for name, width in _RECORD_BYTES.items():
                if name not in chunks:
                    raise FontError(_broken(path, f"its table '{name}' is missing"))
                offset, length = chunks[name]
                if length % width or length < width:
                    raise FontError(_broken(path, f"its table '{name}' has a wrong length"))
                file.seek(offset)
                tables[name] = file.read(length)
    except OSError as error:
        raise FontError(
            f"{path}: the font cannot be read ({error.strerror}); give another one with --font"
        ) from error
    try:
        presets, chokes = _presets(tables)
    except (struct.error, IndexError) as error:
        raise FontError(_broken(path, "its tables point outside of themselves")) from error
    if not presets:
        raise FontError(_broken(path, "it holds no preset"))
    return FontTables(path, presets, chokes, compressed=major >= 3)


def _broken(path: Path, why: str) -> str:
    return f"{path}: not a usable SoundFont: {why}; fetch it again or give another one with --font"


def _find_tables(path: Path, file, size: int) -> tuple[dict[str, tuple[int, int]], int]:  # type: ignore[no-untyped-def]
    head = file.read(12)
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:12] != b"sfbk":
        raise FontError(_broken(path, "it does not start like one (RIFF ... sfbk)"))
    end = 8 + struct.unpack("<I", head[4:8])[0]
    if end > size + 1:
        raise FontError(_broken(path, f"it is cut short, {size:,} of {end:,} bytes are there"))
    chunks: dict[str, tuple[int, int]] = {}
    major = 2
    position = 12
    while position + 8 <= min(end, size):
        file.seek(position)
        name, length = struct.unpack("<4sI", file.read(8))
        if position + 8 + length > size:
            raise FontError(_broken(path, "a chunk reaches past the end of the file"))
        if name == b"LIST":
            kind = file.read(4)
            if kind in (b"pdta", b"INFO"):
                inner = position + 12
                while inner + 8 <= position + 8 + length:
                    file.seek(inner)
                    inner_name, inner_length = struct.unpack("<4sI", file.read(8))
                    chunks[inner_name.decode("latin-1")] = (inner + 8, inner_length)
                    if inner_name == b"ifil":
                        major = struct.unpack("<H", file.read(4)[:2])[0]
                    inner += 8 + inner_length + (inner_length & 1)
        position += 8 + length + (length & 1)
    return chunks, major


def _zones(
    bags: list[int], gens: list[tuple[int, int]], start: int, end: int
) -> list[dict[int, int]]:
    return [dict(gens[bags[i] : bags[i + 1]]) for i in range(start, end)]


def _presets(
    tables: dict[str, bytes],
) -> tuple[dict[tuple[int, int], str], dict[tuple[int, int], dict[int, int]]]:
    bags = {
        name: [bag for bag, _ in struct.iter_unpack("<HH", tables[name])]
        for name in ("pbag", "ibag")
    }
    gens = {name: list(struct.iter_unpack("<HH", tables[name])) for name in ("pgen", "igen")}
    starts = [bag for (bag,) in struct.iter_unpack("<20xH", tables["inst"])]
    headers = list(struct.iter_unpack("<20sHHH12x", tables["phdr"]))
    presets: dict[tuple[int, int], str] = {}
    chokes: dict[tuple[int, int], dict[int, int]] = {}
    for header, following in zip(headers, headers[1:], strict=False):
        name, program, bank, first = header
        place = (bank, program)
        presets[place] = name.split(b"\0")[0].decode("latin-1").strip()
        if bank != PERCUSSION_BANK:
            continue
        classes: dict[int, int] = {}
        for zone in _zones(bags["pbag"], gens["pgen"], first, following[3]):
            if _INSTRUMENT not in zone:
                continue
            instrument = zone[_INSTRUMENT]
            inside = _zones(bags["ibag"], gens["igen"], starts[instrument], starts[instrument + 1])
            for element in inside:
                choke = element.get(_EXCLUSIVE_CLASS, 0)
                if choke and _SAMPLE_ID in element:
                    low, high = _overlap(zone.get(_KEY_RANGE), element.get(_KEY_RANGE))
                    classes.update(dict.fromkeys(range(low, high + 1), choke))
        if classes:
            chokes[place] = classes
    return presets, chokes


def _overlap(one: int | None, other: int | None) -> tuple[int, int]:
    ranges = [(value & 0xFF, value >> 8) for value in (one, other) if value is not None]
    return max([0, *(low for low, _ in ranges)]), min([127, *(high for _, high in ranges)])
