"""Join the frames of several encoders into one MP3 file.

Without the bit reservoir a frame holds all of its own bits, so frames of two encoders may follow
each other wherever both ended with the same windows. What LAME forgets last is how loud it was:
by at most 7.5 % a frame down to 1/1600, in 95 frames (`adjust_ATH` in its encoder.c). Then any
two make the same frames of the same music: the joined file is the one that a single encoder
writes, byte for byte.

Frames and side info: ISO/IEC 11172-3, 2.4.1; the first frame: "Mp3 Info Tag rev 1 specifications"
(gabriel.mp3-tech.org/mp3infotag.html), filled in as ffmpeg does.
"""

import struct
from array import array
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from functools import cache
from itertools import islice, pairwise
from pathlib import Path
from typing import IO, TYPE_CHECKING

from generator.record import record

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["FRAME_SAMPLES", "OVERLAP_FRAMES", "RATES_HZ", "Segment", "join"]

FRAME_SAMPLES = 1152
OVERLAP_FRAMES = 2 * 49
"""Enough to forget all else; also, after 49 frames the padding of 44.1 kHz comes round again, so
that segments that start on this grid agree on it."""

RATES_HZ = (44_100, 48_000, 32_000)
"""Of MPEG-1, in the order of the header's field."""

_KBPS = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_LOOK_AHEAD_FRAMES = 2  # the last frames of a segment have seen the next one


@record
class Segment:
    """Samples of the track that go to one encoder."""

    encoder: int
    start: int
    end: int


def join(path: Path, parts: Sequence[Path], segments: Sequence[Segment]) -> None:
    """Write the frames of all encoders into one file, its first frame telling of all of them."""
    with ExitStack() as stack:
        files = [stack.enter_context(part.open("rb")) for part in parts]
        heads = [_read_head(file) for file in files]
        tag, info = heads[0]
        out = stack.enter_context(path.open("wb"))
        out.write(tag + info)
        ends = array("Q")
        size, crc = len(info), 0
        for stretch in _joined([_frames(file) for file in files], segments):
            data = b"".join(stretch)
            out.write(data)
            crc = _crc16(data, crc)
            for frame in stretch:
                size += len(frame)
                ends.append(size)
        out.seek(len(tag))
        out.write(_filled(info, ends, segments[-1].end, crc))


def _joined(lanes: Sequence[Iterator[bytes]], segments: Sequence[Segment]) -> Iterator[list[bytes]]:
    """Yield the frames of the track, stretch after stretch."""
    ahead: list[bytes] = []
    for segment, following in pairwise((*segments, None)):
        assert segment is not None
        lane = lanes[segment.encoder]
        behind = list(islice(lane, len(ahead)))
        place = _place_to_join(ahead, behind) if ahead else 0
        yield ahead[:place] + behind[place:]
        if following is None:
            yield list(lane)
            return
        length = (following.start - segment.start) // FRAME_SAMPLES
        yield list(islice(lane, length - len(behind)))
        ahead = list(islice(lane, OVERLAP_FRAMES))


def _place_to_join(ahead: Sequence[bytes], behind: Sequence[bytes]) -> int:
    """Return where to go over, as late as can be, so that the next encoder has heard most."""
    latest = len(ahead) - _LOOK_AHEAD_FRAMES
    for place in range(latest, 0, -1):
        if _last_windows(ahead[place - 1]) == _last_windows(behind[place - 1]):
            return place
    return latest


def _last_windows(frame: bytes) -> tuple[int, int]:
    """Return the windows that a stereo frame ends with, one a channel; 0 is the long one.

    In the 32 bytes of side info: 20 bits, then 59 for each channel of each of the two granules,
    of which bit 33 tells that the window is another one, which the next two name.
    """
    side = int.from_bytes(frame[4:36], "big")
    left, right = (side >> (256 - 20 - 59 * block - 36) & 7 for block in (2, 3))
    return (left & 3 if left & 4 else 0, right & 3 if right & 4 else 0)


def _read_head(file: IO[bytes]) -> tuple[bytes, bytes]:
    """Return the ID3 tag (its size in four times seven bits) and the info frame behind it."""
    tag = file.read(10)
    if tag.startswith(b"ID3"):
        size = 0
        for octet in tag[6:10]:
            size = size << 7 | octet
        tag += file.read(size)
    else:
        file.seek(0)
        tag = b""
    info = next(_frames(file))
    assert info[36:40] == b"Info"
    return tag, info


def _frames(file: IO[bytes]) -> Iterator[bytes]:
    """Yield frame after frame of MPEG-1, layer III."""
    while header := file.read(4):
        rate_hz = RATES_HZ[header[2] >> 2 & 3]
        size = 144_000 * _KBPS[header[2] >> 4] // rate_hz + (header[2] >> 1 & 1)
        yield header + file.read(size - 4)


def _filled(info: bytes, ends: "array[int]", samples: int, crc: int) -> bytes:
    """Return the info frame of a file whose frames have these ends, counted from this frame on."""
    filled = bytearray(info)
    frames, size = len(ends), ends[-1]
    struct.pack_into(">II", filled, 44, frames, size)
    # ffmpeg notes every frame's end, and every other of them each time it has 400.
    step = 1
    while frames // step >= 400:
        step *= 2
    noted = ends[step - 1 :: step]
    places = [0] + [256 * noted[i * len(noted) // 100] // size for i in range(1, 100)]
    filled[52:152] = bytes(min(place, 255) for place in places)
    delay = int.from_bytes(info[177:180], "big") >> 12
    padding = frames * FRAME_SAMPLES - delay - samples
    filled[177:180] = (delay << 12 | padding).to_bytes(3, "big")
    struct.pack_into(">IH", filled, 184, size, crc)
    struct.pack_into(">H", filled, 190, _crc16(bytes(filled[:190]), 0))
    return bytes(filled)


def _crc16(data: bytes, crc: int) -> int:
    """Return the CRC-16 (polynomial 0x8005, bits reversed) of `data` behind what `crc` is of.

    As it is linear, neighbours are taken together until one word is left, instead of going from
    byte to byte. Zeros in front do not count. One byte alone is never asked for.

    Examples
    --------
    >>> hex(_crc16(b"123456789", 0))
    '0xbb3d'
    """
    if not data:
        return crc
    import numpy as np

    room = 1 << max(1, len(data) - 1).bit_length()
    octets = np.zeros(room, np.uint8)
    octets[-len(data) :] = np.frombuffer(data, np.uint8)
    octets[-len(data) :][:2] ^= np.frombuffer(crc.to_bytes(2, "little"), np.uint8)
    words = octets.view("<u2")
    doublings = 0
    while len(words) > 1:
        words = _behind_words(doublings)[words[0::2]] ^ words[1::2]
        doublings += 1
    return int(_behind_words(0)[words[0]])


@cache
def _behind_words(doublings: int) -> "NDArray[np.uint16]":
    """Return what becomes of each CRC behind 2 ** `doublings` words of zeros."""
    import numpy as np

    if doublings:
        half = _behind_words(doublings - 1)
        return half[half]
    table = np.arange(1 << 16)
    for _ in range(16):
        table = table >> 1 ^ (table & 1) * 0xA001
    return table.astype(np.uint16)
