"""Read the skeleton of a SoundFont: its presets, and what its keys do to one another.

Only the small tables at the end of the file are read, never the samples. Layout of chunks and
records: SoundFont Technical Specification 2.04, section 7 (`phdr`, `pbag`, `pmod`, `pgen`,
`inst`, `ibag`, `imod`, `igen`); generator numbers from section 8.1.2, modulator sources from 8.2.
"""

import struct
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import BinaryIO

from generator.errors import FontError

__all__ = ["PERCUSSION_BANK", "FontTables", "read_font"]

PERCUSSION_BANK = 128

_INSTRUMENT, _KEY_RANGE, _VELOCITY_RANGE, _SAMPLE_ID, _EXCLUSIVE_CLASS = 41, 43, 44, 53, 57
_ATTENUATION = 48
_DELAY, _ATTACK, _HOLD, _SUSTAIN, _RELEASE = 33, 34, 35, 37, 38  # of the volume envelope
_MOVES_BY_ENVELOPE = 7, 11  # pitch and filter by the other envelope
_INSTANT_TIMECENTS = -12_000
_QUICK_TIMECENTS, _LONG_TIMECENTS = -6000, 3000  # 31 ms, 5.7 s
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


@dataclass(frozen=True, slots=True)
class _Zone:
    generators: dict[int, int]
    velocity_shapes: bool  # whether a modulator lets velocity change more than the level

    def span(self, generator: int) -> tuple[int, int]:
        value = self.generators.get(generator)
        return (0, 127) if value is None else (value & 0xFF, value >> 8)


class FontTables:
    """The presets of a font; what a preset does with its keys is worked out when asked for.

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

    def chokes(self, bank: int, program: int) -> dict[int, int]:
        """Return the exclusive class of each key that has one."""
        classes: dict[int, int] = {}
        for outer, inner in self._layers(bank, program):
            choke = inner.generators.get(_EXCLUSIVE_CLASS, 0)
            if choke:
                classes.update(dict.fromkeys(_common_keys(outer, inner), choke))
        return classes

    def touch_layers(self, bank: int, program: int) -> dict[int, tuple[int, ...] | None]:
        """Return, by key, from which velocities on other samples sound: (1,) for the same always.

        None for a key whose sound velocity shapes otherwise, such as by a filter.
        """
        edges: dict[int, set[int] | None] = {key: {1} for key in range(128)}
        for outer, inner in self._layers(bank, program):
            softest = max(outer.span(_VELOCITY_RANGE)[0], inner.span(_VELOCITY_RANGE)[0], 1)
            loudest = min(outer.span(_VELOCITY_RANGE)[1], inner.span(_VELOCITY_RANGE)[1])
            for key in _common_keys(outer, inner):
                known = edges[key]
                if outer.velocity_shapes or inner.velocity_shapes:
                    edges[key] = None
                elif known is not None and softest <= loudest:
                    known.update((softest, loudest + 1))
        return {
            key: None if known is None else tuple(sorted(v for v in known if v <= 127))
            for key, known in edges.items()
        }

    def steady_releases_s(self, bank: int, program: int) -> dict[int, float]:
        """Return the release time of each key that sounds at one level until it is let go.

        Or for more than 5 s: of such keys it does not matter how their level goes on.
        """
        found: dict[int, set[float | None]] = {}
        for outer, inner in self._layers(bank, program):
            release_s = _steady_release_s(outer, inner)
            for key in _common_keys(outer, inner):
                found.setdefault(key, set()).add(release_s)
        releases = {key: next(iter(several)) for key, several in found.items() if len(several) == 1}
        return {key: release_s for key, release_s in releases.items() if release_s is not None}

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

    def _layers(self, bank: int, program: int) -> list[tuple[_Zone, _Zone]]:
        """Return the (preset zone, instrument zone) pairs of a preset that hold a sample."""
        pairs = []
        for outer in self._zones("p", *self._spans[bank, program]):
            if _INSTRUMENT in outer.generators:
                number = outer.generators[_INSTRUMENT]
                inside = self._zones("i", self._starts[number], self._starts[number + 1])
                pairs += [(outer, inner) for inner in inside if _SAMPLE_ID in inner.generators]
        return pairs

    def _zones(self, kind: str, start: int, end: int) -> list[_Zone]:
        bags = self._bags[f"{kind}bag"]
        generators, modulators = self._tables[f"{kind}gen"], self._tables[f"{kind}mod"]
        zones: list[_Zone] = []
        common: dict[int, int] = {}
        common_shapes = False
        for (gen, mod), (next_gen, next_mod) in pairwise(bags[start : end + 1]):
            own = dict(struct.iter_unpack("<HH", generators[4 * gen : 4 * next_gen]))
            shapes = any(
                _FROM_VELOCITY in (source & 0xFF, amount_source & 0xFF)
                and target != _ATTENUATION
                and amount
                for source, target, amount, amount_source in struct.iter_unpack(
                    "<HHhH2x", modulators[10 * mod : 10 * next_mod]
                )
            )
            last = _SAMPLE_ID if kind == "i" else _INSTRUMENT
            if not zones and not common and last not in own:
                common, common_shapes = own, shapes  # the global zone, defaults for the rest
            else:
                zones.append(_Zone(common | own, common_shapes or shapes))
        return zones


def _common_keys(outer: _Zone, inner: _Zone) -> range:
    """Return the keys that sound through both zones."""
    (low, high), (inner_low, inner_high) = outer.span(_KEY_RANGE), inner.span(_KEY_RANGE)
    return range(max(low, inner_low), min(high, inner_high) + 1)


def _steady_release_s(outer: _Zone, inner: _Zone) -> float | None:
    """Return the release time of a zone if its level is steady before, else None."""

    def amount(generator: int, default: int = 0) -> int:
        own = inner.generators.get(generator)
        values = (default if own is None else own, outer.generators.get(generator, 0))
        return sum(value - 0x10000 if value >= 0x8000 else value for value in values)

    starts = (amount(_DELAY, _INSTANT_TIMECENTS), amount(_ATTACK, _INSTANT_TIMECENTS))
    steady = amount(_SUSTAIN) == 0 or amount(_HOLD, _INSTANT_TIMECENTS) > _LONG_TIMECENTS
    if max(starts) > _QUICK_TIMECENTS or not steady or any(map(amount, _MOVES_BY_ENVELOPE)):
        return None
    return float(2 ** (amount(_RELEASE, _INSTANT_TIMECENTS) / 1200))


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
        font.chokes(PERCUSSION_BANK, 0) if (PERCUSSION_BANK, 0) in font.presets else None
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
