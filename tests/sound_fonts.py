"""SoundFonts made for the tests: one sample, all General MIDI programs and a drum kit.

Layout: SoundFont Technical Specification 2.04. A `.sf3` holds the same tables and Ogg Vorbis
streams instead of samples (compression flag 0x10 of the sample type, offsets in bytes).
"""

import io
import struct
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 48_000

_DELAY, _RELEASE, _INSTRUMENT, _KEY_RANGE = 33, 38, 41, 43
_SAMPLE, _LOOP, _EXCLUSIVE, _ROOT = 53, 54, 57, 58


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) & 1)


def _text(text: str) -> bytes:
    return text.encode().ljust(20, b"\0")


def click() -> np.ndarray:
    """Return one full sample and silence behind it: its place in the mix shows the onset."""
    wave = np.zeros(2000, np.int16)
    wave[0] = 20_000
    return wave


def sine(hz: float = 440.0, seconds: float = 1.0) -> np.ndarray:
    """Return a sine of which 1,200 samples are 11 periods at 440 Hz: the loop has whole ones."""
    time_s = np.arange(round(RATE_HZ * seconds)) / RATE_HZ
    return np.rint(12_000 * np.sin(2 * np.pi * hz * time_s)).astype(np.int16)


def write_font(
    path: Path,
    wave: np.ndarray,
    *,
    root: int = 69,
    looped: bool = False,
    programs: range = range(128),
    kit: bool = True,
    delay_cents: int = -12_000,
) -> Path:
    """Write a font whose every program plays `wave`; keys 42 and 46 of its kit choke each other.

    Notes of its programs begin after a delay, in timecents (-12,000 for none).
    """
    compressed = path.suffix == ".sf3"
    if compressed:
        stream = io.BytesIO()
        soundfile.write(stream, wave, RATE_HZ, format="OGG", subtype="VORBIS")
        data, end, kind = stream.getvalue(), len(stream.getvalue()), 1 | 0x10
    else:
        data, end, kind = wave.astype("<i2").tobytes() + bytes(92), len(wave), 1

    def generators(*pairs: tuple[int, int]) -> list[tuple[int, int]]:
        return list(pairs)

    common = ((_LOOP, 1), (_ROOT, root)) if looped else ((_LOOP, 0), (_ROOT, root))
    zones = [  # instrument 0: every key; instrument 1: two keys that choke one another
        generators(
            (_DELAY, delay_cents & 0xFFFF), (_RELEASE, 0x10000 - 12_000), *common, (_SAMPLE, 0)
        ),
        generators((_KEY_RANGE, 0x2A2A), *common, (_EXCLUSIVE, 1), (_SAMPLE, 0)),
        generators((_KEY_RANGE, 0x2E2E), *common, (_EXCLUSIVE, 1), (_SAMPLE, 0)),
        generators((_KEY_RANGE, 0x2900), *common, (_SAMPLE, 0)),
        generators((_KEY_RANGE, 0x7F2F), *common, (_SAMPLE, 0)),
    ]
    igen = b"".join(struct.pack("<HH", *pair) for zone in zones for pair in zone)
    starts = np.cumsum([0, *map(len, zones)])
    ibag = b"".join(struct.pack("<HH", start, 0) for start in starts)
    inst = b"".join(
        _text(name) + struct.pack("<H", bag) for name, bag in (("all", 0), ("kit", 1), ("EOI", 5))
    )
    presets = [(program, 0, 0) for program in programs] + ([(0, 128, 1)] if kit else [])
    phdr = (
        b"".join(
            _text(f"preset {i}") + struct.pack("<HHHIII", program, bank, i, 0, 0, 0)
            for i, (program, bank, _) in enumerate(presets)
        )
        + _text("EOP")
        + struct.pack("<HHHIII", 0, 0, len(presets), 0, 0, 0)
    )
    pbag = b"".join(struct.pack("<HH", i, 0) for i in range(len(presets) + 1))
    pgen = b"".join(struct.pack("<HH", _INSTRUMENT, i) for _, _, i in presets)
    loop = (1200, end - 1200) if looped and not compressed else (0, max(0, len(wave) - 1))
    shdr = (
        _text("wave")
        + struct.pack("<IIIIIBbHH", 0, end, *loop, RATE_HZ, root, 0, 0, kind)
        + _text("EOS")
        + bytes(26)
    )
    tables = {
        b"phdr": phdr,
        b"pbag": pbag,
        b"pmod": bytes(10),
        b"pgen": pgen + bytes(4),
        b"inst": inst,
        b"ibag": ibag,
        b"imod": bytes(10),
        b"igen": igen + bytes(4),
        b"shdr": shdr,
    }
    version = (3, 0) if compressed else (2, 4)
    info = _chunk(b"ifil", struct.pack("<HH", *version)) + _chunk(b"isng", b"EMU8000\0")
    info += _chunk(b"INAM", b"test\0\0")
    body = b"sfbk"
    body += _chunk(b"LIST", b"INFO" + info)
    body += _chunk(b"LIST", b"sdta" + _chunk(b"smpl", data))
    body += _chunk(b"LIST", b"pdta" + b"".join(_chunk(n, t) for n, t in tables.items()))
    path.write_bytes(_chunk(b"RIFF", body))
    return path
