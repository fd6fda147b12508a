"""Read the skeleton of a SoundFont: its presets and their zones (what they do is in `preset`).

Only the small tables at the end of the file are read, never the samples. Layout of chunks and
records: SoundFont Technical Specification 2.04, section 7 (`phdr`, `pbag`, `pmod`, `pgen`,
`inst`, `ibag`, `imod`, `igen`); generator numbers from section 8.1.2, modulator sources from 8.2.
"""

import struct
from itertools import pairwise
from pathlib import Path
from typing import BinaryIO

from generator.errors import FontError
from generator.sound.preset import OF_ENVELOPE, Preset, Zone

__all__ = ["PERCUSSION_BANK", "FontTables", "read_font"]

PERCUSSION_BANK = 128

_INSTRUMENT, _SAMPLE_ID, _ATTENUATION = 41, 53, 48
_FROM_VELOCITY = 2  # general controller 2, "note-on velocity", in the low seven bits of a source
_RECORD_BYTES = {
    "phdr": 38,
    "pbag": 4,
    "pmod": 10,
    "pgen": 4,
    "inst": 22,
    "ibag": 4,
    "imod": 10,
    "igen": 4,
}


class FontTables:
    """The presets of a font.

    Attributes
    ----------
    path : Path
        The file.
    presets : dict of (int, int) to str
        (bank, program) to name.
    compressed : bool
        Whether the samples are Ogg Vorbis (`.sf3`).
    """

    def __init__(self, path: Path, tables: dict[str, bytes], *, compressed: bool) -> None:
        self.path = path
        self.compressed = compressed
        self._tables = tables
        self._bags = {
            name: list(struct.iter_unpack("<HH", tables[name])) for name in ("pbag", "ibag")
        }
        self._starts = [bag for (bag,) in struct.iter_unpack("<20xH", tables["inst"])]
        headers = list(struct.iter_unpack("<20sHHH12x", tables["phdr"]))
        self._spans: dict[tuple[int, int], tuple[int, int]] = {}
        self._presets: dict[tuple[int, int], Preset] = {}
        self.presets: dict[tuple[int, int], str] = {}
        for (name, program, bank, first), (_, _, _, last) in pairwise(headers):
            self.presets[bank, program] = name.split(b"\0")[0].decode("latin-1").strip()
            self._spans[bank, program] = (first, last)
        self._check_pointers()

    @property
    def is_general_midi(self) -> bool:
        """Whether all 128 melodic programs and a drum kit are there."""
        return (PERCUSSION_BANK, 0) in self.presets and all(
            (0, program) in self.presets for program in range(128)
        )

    def preset(self, bank: int, program: int) -> Preset:
        """Return a preset, the same one each time.

        Raises
        ------
        KeyError
            If the font lacks it.
        """
        if (bank, program) not in self._presets:
            self._presets[bank, program] = Preset(self._layers(bank, program))
        return self._presets[bank, program]

    def _check_pointers(self) -> None:
        """Raise IndexError if a table points behind the end of the one that it points into."""
        pointers = {"p": [bag for span in self._spans.values() for bag in span], "i": self._starts}
        for kind, first_bags in pointers.items():
            bags = self._bags[f"{kind}bag"]
            records = {
                "bag": (max(first_bags, default=0), len(bags)),
                "gen": (max(gen for gen, _ in bags), len(self._tables[f"{kind}gen"]) // 4),
                "mod": (max(mod for _, mod in bags), len(self._tables[f"{kind}mod"]) // 10),
            }
            for name, (greatest, count) in records.items():
                if greatest > count:
                    raise IndexError(f"{kind}{name} {greatest} of {count}")

    def _layers(self, bank: int, program: int) -> list[tuple[Zone, Zone]]:
        """Return the (preset zone, instrument zone) pairs of a preset that hold a sample."""
        pairs = []
        instruments: dict[int, list[Zone]] = {}  # most preset zones of a preset share one
        for outer in self._zones("p", *self._spans[bank, program]):
            number = outer.generators.get(_INSTRUMENT)
            if number is None:
                continue
            if number not in instruments:
                inside = self._zones("i", self._starts[number], self._starts[number + 1])
                instruments[number] = [zone for zone in inside if _SAMPLE_ID in zone.generators]
            pairs += [(outer, inner) for inner in instruments[number]]
        return pairs

    def _zones(self, kind: str, start: int, end: int) -> list[Zone]:
        bags = self._bags[f"{kind}bag"]
        generators, modulators = self._tables[f"{kind}gen"], self._tables[f"{kind}mod"]
        zones: list[Zone] = []
        common: dict[int, int] = {}
        common_shapes = common_moves = False
        for (gen, mod), (next_gen, next_mod) in pairwise(bags[start : end + 1]):
            own = dict(struct.iter_unpack("<HH", generators[4 * gen : 4 * next_gen]))
            shapes = moves = False
            for source, target, amount, amount_source in struct.iter_unpack(
                "<HHhH2x", modulators[10 * mod : 10 * next_mod]
            ):
                by_velocity = _FROM_VELOCITY in (source & 0xFF, amount_source & 0xFF)
                shapes |= by_velocity and target != _ATTENUATION and amount != 0
                moves |= target in OF_ENVELOPE and amount != 0
            last = _SAMPLE_ID if kind == "i" else _INSTRUMENT
            if not zones and not common and last not in own:
                # the global zone, defaults for the rest
                common, common_shapes, common_moves = own, shapes, moves
            else:
                zones.append(Zone(common | own, common_shapes or shapes, common_moves or moves))
        return zones


def read_font(path: Path) -> FontTables:
    """Read the tables of a SoundFont.

    Raises
    ------
    FontError
        If the file is absent, is no SoundFont, or is cut short.
    """
    try:
        with path.open("rb") as file:
            chunks, compressed = _find_tables(path, file, path.stat().st_size)
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
        font = FontTables(path, tables, compressed=compressed)
        if (PERCUSSION_BANK, 0) in font.presets:
            font.preset(PERCUSSION_BANK, 0)
    except (struct.error, IndexError, KeyError) as error:
        raise FontError(_broken(path, "its tables point outside of themselves")) from error
    if not font.presets:
        raise FontError(_broken(path, "it holds no preset"))
    return font


def _broken(path: Path, why: str) -> str:
    return f"{path}: not a usable SoundFont: {why}; fetch it again or give another one with --font"


def _find_tables(path: Path, file: BinaryIO, size: int) -> tuple[dict[str, tuple[int, int]], bool]:
    """Return offset and length of each table, and whether the version is 3 (compressed)."""
    head = file.read(12)
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:12] != b"sfbk":
        raise FontError(_broken(path, "it does not start like one (RIFF ... sfbk)"))
    end = 8 + int.from_bytes(head[4:8], "little")
    if end > size:
        raise FontError(_broken(path, f"it is cut short, {size:,} of {end:,} bytes are there"))
    chunks: dict[str, tuple[int, int]] = {}
    compressed = False
    position = 12
    while position + 8 <= end:
        file.seek(position)
        name, length = struct.unpack("<4sI", file.read(8))
        after = position + 8 + length
        if after > size:
            raise FontError(_broken(path, "a chunk reaches past the end of the file"))
        if name == b"LIST" and file.read(4) in (b"pdta", b"INFO"):
            inner = position + 12
            while inner + 8 <= after:
                file.seek(inner)
                name, inner_length = struct.unpack("<4sI", file.read(8))
                if inner + 8 + inner_length > after:
                    raise FontError(_broken(path, "a table reaches past the end of its chunk"))
                chunks[name.decode("latin-1")] = (inner + 8, inner_length)
                if name == b"ifil":
                    compressed = file.read(2) >= b"\x03\x00"
                inner += 8 + inner_length + (inner_length & 1)
        position = after + (length & 1)
    return chunks, compressed
