"""The inner loops of the sound room, compiled as chartbed is installed.

Their sources lie here: `kernels.c` includes the others.

Arrays are `float32` unless said otherwise, contiguous along their last axis and planar. The
functions release Python's lock, so that threads work side by side.
"""

import ctypes
import struct
import sys
from collections.abc import Sequence
from functools import cache
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

from generator.errors import MissingToolError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Samples = NDArray[np.float32]

__all__ = [
    "PAGE_BYTES",
    "SPAN",
    "Console",
    "Dry",
    "Fall",
    "Gauge",
    "Instrument",
    "Network",
    "Strip",
    "address",
    "aligned",
    "desk",
    "follow_curve",
    "halves",
    "interleaved",
    "limit_slope",
    "mix",
    "mix_through",
    "packed_sounding",
    "play",
    "quantised",
    "record",
    "record_onset",
    "release_gains",
    "span_heights",
    "span_tops",
    "to_pcm16",
]

SPAN = 64
"""Samples between two corners of a curve, and under one height of a peak."""

PAGE_BYTES = 4096
"""What begins at a multiple of this, in memory and in a file, can go to the disk directly."""

_SOUNDING = struct.Struct("@PPqqPqPqfi")
_IMPRESSION = struct.Struct("@ffiq")
_STRIP = struct.Struct("@PqPPqQfffi")
_CONSOLE = struct.Struct("@PPPqPPPPqff")
_POINTER, _COUNT, _NUMBER, _LEVEL = ctypes.c_void_p, ctypes.c_int64, ctypes.c_int32, ctypes.c_float
_TAKES: dict[str, tuple[Any, ...]] = {
    "mix": (_POINTER, _COUNT, _POINTER, _COUNT, _COUNT, _NUMBER, _POINTER),
    "play": (_POINTER, _POINTER, _COUNT, _COUNT, _POINTER),
    "span_heights": (_POINTER, _COUNT, _POINTER),
    "measure": (
        *(_POINTER, _POINTER, _COUNT, _NUMBER, _COUNT),
        *(_POINTER, _POINTER, _POINTER),
    ),
    "span_tops": (_POINTER, _POINTER, _COUNT, _POINTER, _POINTER),
    "follow_curve": (_POINTER, _NUMBER, _COUNT, _COUNT, _POINTER, _POINTER, _COUNT),
    "limit_slope": (_POINTER, _COUNT, _NUMBER, ctypes.c_double),
    "release_gains": (
        *(_POINTER, _COUNT, _COUNT, _COUNT, _NUMBER, _NUMBER),
        *(_POINTER, _POINTER),
    ),
    "record": (
        *(_POINTER, _NUMBER, _NUMBER, _NUMBER, _COUNT, _NUMBER, _COUNT),
        *(_LEVEL, _LEVEL, _COUNT, _POINTER, _NUMBER, _POINTER, _NUMBER),
        *(_POINTER, _COUNT, _POINTER),
    ),
    "record_onset": (_POINTER, _NUMBER, _NUMBER, _NUMBER, _COUNT, _POINTER, _COUNT),
    "desk": (_POINTER, _POINTER, _COUNT, _POINTER),
    "mix_through": (
        *(_POINTER, _COUNT, _POINTER, _COUNT, _COUNT, _NUMBER),
        *(_COUNT, _POINTER, _POINTER, _COUNT, _POINTER),
    ),
    "interleaved": (_POINTER, _COUNT, _COUNT, _LEVEL, _POINTER),
    "halves": (_POINTER, _COUNT, _NUMBER, _POINTER),
    "quantised": (_POINTER, _NUMBER, _COUNT, _COUNT, _LEVEL, _POINTER),
    "to_pcm16": (_POINTER, _COUNT, _COUNT, _LEVEL, _COUNT, _POINTER, _POINTER),
}


_GIVES = dict.fromkeys(("measure", "record", "record_onset", "release_gains"), _COUNT)
_INSTRUMENT = struct.Struct("@10Pq")
_FALL = struct.Struct("@dddd")


packed_sounding = _SOUNDING.pack
"""Packs a recording, 16 bits a sample, and where in the track it sounds, as `mix` takes it.

Its arguments are `left, right, first, frames, curve, curve_from, fade, fade_from, gain, 0`: the
first two are the addresses of its samples, the same for a mono recording; `first` is where in the
track the first one sounds. From its sample `curve_from` on it follows the curve at the address
`curve`, whose straight lines join gains 64 samples apart, and from `fade_from` on that at `fade`, a
gain a sample. Both reach to its end, and are 0 for none. No record: a track has thousands.
"""


class Fall(NamedTuple):
    """How far towards silence (1) the level of a note goes each block, by what makes it fall.

    While it is held it goes down by `decay` as far as `sustained`, 1 being full.
    """

    let_go: float
    choked: float
    decay: float
    sustained: float


class Dry(NamedTuple):
    """What a bus plays in a block, before gain and pan.

    Either packed `notes`, in the order of their starts, times a curve with corners at `times` and
    `levels` as `follow_curve` has them; or rows that are `ready`, (2, frames). `kept` is what holds
    the memory of the notes.
    """

    notes: bytes = b""
    times: "NDArray[np.int64] | None" = None
    levels: "Samples | None" = None
    ready: "Samples | None" = None
    kept: object = None


class Strip(NamedTuple):
    """A bus on the desk: the gains of its sides, and that of its middle into the room.

    `signals` has a bit for each signal that it is heard in, the lowest for the first.
    """

    dry: Dry
    left: float
    right: float
    send: float
    signals: int = 1

    def packed(self) -> bytes:
        """Return it as `mix` takes it."""
        notes, times, levels, ready, _ = self.dry
        return _STRIP.pack(
            0 if ready is None else _whole(ready),
            len(notes) // _SOUNDING.size,
            *(0, 0, 0) if times is None else (address(times), address(levels), len(times)),
            *(self.signals, self.left, self.right, self.send, 0),
        )


class Gauge:
    """A meter of loudness and true peak: what it is set to, and what it carries on.

    Parameters
    ----------
    weighting : array of float64, (2, 5)
        Two biquads in series, (b0, b1, b2, a1, a2) of each.
    rate_hz : float
    taps : array, (3, 32)
        For the points between two samples, see `span_tops`.
    bend_weight : float
        How much the greatest second difference can add to the greatest sample near a point.
    """

    def __init__(
        self,
        weighting: "NDArray[np.float64]",
        rate_hz: float,
        taps: "Samples",
        bend_weight: float,
    ) -> None:
        self._taps = taps
        self._rate_hz = rate_hz
        self._carried = _Gauge(rate=rate_hz, taps=_whole(taps), bend_weight=bend_weight)
        self._carried.weighting[:] = weighting.ravel().tolist()

    @property
    def peak(self) -> float:
        """The true peak so far, linear."""
        return float(self._carried.peak)

    def measure(self, block: "Samples") -> "tuple[Samples, Samples, NDArray[np.float64]]":
        """Measure (1 or 2, frames), a multiple of 64.

        Returns
        -------
        powers : array, (frames // 64,)
            The mean square behind the biquads of each span of 64 samples, summed over the rows.
        reaches : array, (frames // 64,)
            How high the windows of 32 samples that start in a span can reach, in either row; for
            the span before the block first, and not for its last one.
        hops : array of float64
            The mean squares of the tenths of a second that end in the block.
        """
        import numpy as np

        rows, frames = block.shape
        if not 1 <= rows <= 2:
            raise ValueError(f"{rows} rows: at most 2")
        _check_spans(frames)
        powers, reaches = np.empty((2, frames // SPAN), np.float32)
        hops = np.empty(int(frames * 10 / self._rate_hz) + 2)
        count = _library().measure(
            *(ctypes.addressof(self._carried), address(block), _row_frames(block), rows, frames),
            *(address(powers), address(hops), address(reaches)),
        )
        return powers, reaches, hops[:count]


class _Gauge(ctypes.Structure):
    _fields_: ClassVar = [
        ("weighting", ctypes.c_double * 10),
        ("rate", ctypes.c_double),
        ("taps", ctypes.c_void_p),
        ("states", ctypes.c_double * 16),
        ("open_hop", ctypes.c_double),
        ("hops", ctypes.c_int64),
        ("seen", ctypes.c_int64),
        ("last", ctypes.c_float * (2 * SPAN)),
        ("bend_weight", ctypes.c_float),
        ("peak", ctypes.c_float),
    ]


class Instrument(NamedTuple):
    """A synthesiser of FluidSynth, the addresses of its library's functions, and its rate."""

    synth: int
    note_on: int
    note_off: int
    write_float: int
    all_sounds_off: int
    active_voices: int
    list_voices: int
    generator: int
    set_generator: int
    update: int
    rate_hz: int


class Network(NamedTuple):
    """A room of eight delay lines that feed one another, behind three all-passes and a delay.

    `lines` (12, length + 128), first theirs, then that of the delay, then the all-passes', are
    rings, the length a power of two; `delays` (12,) are in samples, 65 or more, that of the delay
    64 or more. Of what leaves a line, `gains` (8,) takes the sample and, `dulling` times, the one
    after it; `levels` (2,) are those of the sides, `diffusion` is the gain of the all-passes.
    `clock` (2,) is where the lines are written next and for how many samples nothing has come in;
    after `still` of them, a multiple of 64, all is silent.
    """

    lines: "Samples"
    delays: "NDArray[np.int32]"
    gains: "Samples"
    levels: "Samples"
    clock: "NDArray[np.int64]"
    still: int
    dulling: float
    diffusion: float


class Console(NamedTuple):
    """What a signal passes: biquads, and the room that it is sent to.

    `biquads` (4, 5) are those of the middle, of the side and two in series of the send; `states`
    (4, 2) and the room go on, in place.
    """

    biquads: "NDArray[np.float64]"
    states: "NDArray[np.float64]"
    room: Network

    def packed(self) -> bytes:
        """Return it as the loops take it."""
        lines, *others, still, dulling, diffusion = self.room
        return _CONSOLE.pack(
            _whole(self.biquads),
            _whole(self.states),
            _whole(lines),
            lines.shape[1] - 2 * SPAN,
            *map(_whole, others),
            still,
            dulling,
            diffusion,
        )


@cache
def _library() -> Any:
    path = Path(__file__).with_name("kernels.dll" if sys.platform == "win32" else "kernels.so")
    try:
        library = ctypes.CDLL(str(path))
        for name, types in _TAKES.items():
            function = getattr(library, name)
            function.argtypes, function.restype = types, _GIVES.get(name)
    except (OSError, AttributeError) as error:
        raise MissingToolError(
            f"{path}: the compiled part of chartbed is absent or of another version; "
            "install chartbed again (in a checkout: pip install -e .)"
        ) from error
    return library


def mix(strips: Sequence[Strip], start: int, to: "Samples") -> None:
    """Make middle, side and send to the room of up to 64 signals, (signals, 3, frames).

    The block starts at sample `start` of the track.
    """
    _library().mix(*_played(strips, start, to.shape[2], to), _whole(to))


def mix_through(
    strips: Sequence[Strip],
    start: int,
    desks: Sequence[Console],
    between: "Samples",
    to: "Sequence[Samples]",
    until: int | None = None,
) -> None:
    """Make left and right, (2, frames), of up to 64 signals, each through its desk.

    That is `mix` and `desk`, but sooner done: what lies between them, `between` (signals, 3, some
    samples), is small enough to stay near the processor. Samples are made as far as `until`, all of
    them unless given. All lengths are multiples of 64.
    """
    frames = to[0].shape[1]
    until = frames if until is None else until
    if not 0 <= until <= frames:
        raise ValueError(f"{until} is no place in {frames} samples")
    for length in (frames, between.shape[2], until):
        _check_spans(length)
    if not len(desks) == len(to) == len(between) or any(one.shape != (2, frames) for one in to):
        raise ValueError(f"{len(desks)} desks, {len(between)} signals and {len(to)} blocks differ")
    _library().mix_through(
        *_played(strips, start, frames, between),
        until,
        b"".join([desk.packed() for desk in desks]),
        _whole(between),
        between.shape[2],
        struct.pack(f"@{len(to)}P", *map(_whole, to)),
    )


def _played(strips: Sequence[Strip], start: int, frames: int, to: "Samples") -> tuple[Any, ...]:
    """Return what plays in a block, as the loops take it, and into how many signals."""
    signals, rows, _ = to.shape
    if rows != 3 or signals > 64:
        raise ValueError(f"{signals} signals of {rows} rows: at most 64 of 3")
    ready = [strip.dry.ready for strip in strips if strip.dry.ready is not None]
    if any(block.shape != (2, frames) for block in ready):
        raise ValueError(f"what is ready is not two rows of {frames} samples")
    notes = b"".join([strip.dry.notes for strip in strips])
    packed = b"".join([strip.packed() for strip in strips])
    return packed, len(strips), notes, start, frames, signals


def play(dry: Dry, start: int, to: "Samples") -> None:
    """Make both rows, (2, frames), of what a bus plays of notes from sample `start` on."""
    if dry.ready is not None or len(to) != 2:
        raise ValueError("notes are played, into two rows")
    packed = Strip(dry, 1.0, 1.0, 0.0).packed()
    _library().play(packed, dry.notes, start, to.shape[1], _whole(to))


def span_heights(block: "Samples") -> "Samples":
    """Return the greatest absolute sample of each whole span of 64: (rows, frames // 64)."""
    import numpy as np

    spans = block.shape[1] // SPAN
    heights = np.empty((len(block), spans), np.float32)
    for row, own in zip(block, heights, strict=True):
        _library().span_heights(address(row), spans, address(own))
    return heights


def span_tops(row: "Samples", spans: "NDArray[np.int64]", taps: "Samples") -> "Samples":
    """Return the greatest absolute value of the signal in the windows that start in a span.

    It is that of the sample in the middle of a window, its sixteenth, and of three points behind
    it: `taps` is (3, 32), a row for each. `spans` are numbers of spans of `row`, behind each of
    which it goes on for 31 samples.
    """
    import numpy as np

    tops = np.empty(len(spans), np.float32)
    _library().span_tops(address(row), _whole(spans), len(spans), _whole(taps), address(tops))
    return tops


def follow_curve(block: "Samples", times: "NDArray[np.int64]", levels: "Samples") -> None:
    """Multiply (rows, frames), in place, by a curve of straight lines between corners.

    `times` rise, in samples of the block; the first lies at or before its first sample. Behind the
    last corner the curve goes on level.
    """
    rows, frames = block.shape
    _library().follow_curve(
        address(block),
        rows,
        _row_frames(block),
        frames,
        _whole(times),
        _whole(levels),
        len(times),
    )


def limit_slope(values: "Samples", step: float) -> None:
    """Lower values, in place, until none is more than a step above the one before it.

    A view of an array from its end works too.
    """
    _library().limit_slope(
        values.ctypes.data, len(values), values.strides[0] // values.itemsize, step
    )


def release_gains(
    fall: Fall,
    *,
    choked_after: int,
    fallen: int,
    longest: int,
    inaudible: int,
    gains: "Samples",
) -> "Samples":
    """Return the gains that make a held note one that is let go, a block apart; silent at last.

    Parameters
    ----------
    fall : Fall
    choked_after : int
        Blocks until it is choked, below 0 for never.
    fallen : int
        Blocks for which the held note has been falling already; below 0 if it starts later.
    longest : int
        Blocks, at most.
    inaudible : int
        It ends where it is so many steps below the held note.
    gains : array
        Of all differences of levels, which are whole steps: from the most up to the most down.
    """
    import numpy as np

    found = np.empty(longest + 1, np.float32)
    count = _library().release_gains(
        *(_FALL.pack(*fall), choked_after, fallen, longest, len(gains) // 2, inaudible),
        *(_whole(gains), address(found)),
    )
    return found[:count].copy()


def interleaved(block: "NDArray[Any]", gain: float) -> "Samples":
    """Return (2, frames) of float32, times gain, as (frames, 2)."""
    import numpy as np

    frames = block.shape[1]
    out = np.empty((frames, 2), np.float32)
    _library().interleaved(address(block), _row_frames(block), frames, gain, address(out))
    return out


def halves(values: "Samples", to: "NDArray[np.float16]", *, up: bool = False) -> None:
    """Put numbers from 0 on into an array of half precision: the nearest, or none that is below.

    Seven times as fast as numpy, which has no way up.
    """
    if values.shape != to.shape:
        raise ValueError(f"{values.shape} values do not fit into {to.shape}")
    _library().halves(_whole(values), values.size, up, _whole(to))


def desk(console: Console, signal: "Samples", to: "Samples") -> None:
    """Make left and right, (2, frames), of middle, side and send to the room, (3, frames).

    The frames are a multiple of 64.
    """
    _check_spans(signal.shape[1])
    _library().desk(console.packed(), _whole(signal), signal.shape[1], _whole(to))


def _check_spans(frames: int) -> None:
    if frames % SPAN:
        raise ValueError(f"{frames} samples are no multiple of {SPAN}")


def record(
    instrument: Instrument,
    channel: int,
    pitch: int,
    velocity: int,
    *,
    held: int,
    choke_pitch: int,
    choke: int,
    tail_floor: float,
    silent: float,
    longest_tail: int,
    generators: Sequence[int],
    kept: Sequence[Sequence[int]],
    tape: "Samples",
) -> tuple[int, float, bool, int]:
    """Play a note on a clean voice, and put it on tape until it has died away.

    Parameters
    ----------
    instrument : Instrument
    channel, pitch, velocity : int
    held : int
        Samples, a multiple of 64, after which it is let go.
    choke_pitch, choke : int
        What chokes it and after how many samples, a multiple of 64; 0 for nothing.
    tail_floor, silent : float
        It has died away where it stays below this share of its peak, or below this.
    longest_tail : int
        Samples; 0 for a recording that ends where the note would be let go.
    generators : sequence of int
        Numbers of those that tell its voices apart.
    kept : sequence of sequence of int
        Their amounts in the only voices that are to sound; empty for all.
    tape : array, (2, frames)
        With room for the later end, the longest tail and 2,048 samples more.

    Returns
    -------
    frames : int
        Its length in samples, or -1 where FluidSynth refuses.
    full_scale : float
        Its greatest absolute sample; the power of two above that where it swells.
    same : bool
        Whether both rows are alike.
    scaled_by : int
        Samples after which that is settled.
    """
    heard = ctypes.create_string_buffer(_IMPRESSION.size)
    frames = _library().record(
        _INSTRUMENT.pack(*instrument),
        *(channel, pitch, velocity, held, choke_pitch, choke),
        *(tail_floor, silent, longest_tail),
        *(struct.pack(f"@{len(generators)}i", *generators), len(generators)),
        *(struct.pack(f"@{len(generators) * len(kept)}f", *chain(*kept)), len(kept)),
        *(address(tape), tape.shape[1], heard),
    )
    _, full_scale, same, scaled_by = _IMPRESSION.unpack(heard)
    return int(frames), full_scale, bool(same), scaled_by


def record_onset(
    instrument: Instrument, channel: int, pitch: int, velocity: int, frames: int, tape: "Samples"
) -> bool:
    """Put the first moments of a note on tape, (2, frames + 64); return whether it worked."""
    packed = _INSTRUMENT.pack(*instrument)
    length = tape.shape[1]
    given = (packed, channel, pitch, velocity, frames, address(tape), length)
    return bool(_library().record_onset(*given) == 0)


def quantised(block: "Samples", factor: float) -> "NDArray[np.int16]":
    """Return (rows, frames), times a factor, as 16 bit."""
    import numpy as np

    out = np.empty(block.shape, np.int16)
    rows, frames = block.shape
    _library().quantised(address(block), rows, _row_frames(block), frames, factor, address(out))
    return out


def to_pcm16(
    block: "Samples", gain: float, start: int, corners: "Samples | None" = None
) -> "NDArray[np.int16]":
    """Return (2, frames), times gain, as (frames, 2) of 16 bit.

    Triangular dither of two steps, peak to peak, depends only on the place in the track, whose
    sample `start` comes first. Where a curve is wanted too, `corners` are its values at the borders
    of the spans of 64 samples, between which it runs straight.
    """
    import numpy as np

    frames = block.shape[1]
    if corners is not None and len(corners) <= -(-frames // SPAN):
        raise ValueError(f"{len(corners)} corners for {frames} samples")
    pcm: NDArray[np.int16] = aligned((frames, 2), np.int16, PAGE_BYTES)
    _library().to_pcm16(
        *(address(block), _row_frames(block), frames, gain, start),
        *(None if corners is None else _whole(corners), address(pcm)),
    )
    return pcm


def address(array: Any) -> int:
    """Return where an array lies; the loops take neighbours along its last axis only."""
    if array.size and array.strides[-1] != array.itemsize:
        raise ValueError("the last axis of an array is not contiguous")
    try:
        return ctypes.addressof(ctypes.c_byte.from_buffer(array))  # five times faster, where it can
    except (TypeError, ValueError):  # read-only, or with gaps between its rows, or empty
        return int(array.ctypes.data)


def aligned(shape: tuple[int, int], dtype: Any, octets: int) -> Any:
    """Return an array of no certain content that begins at a multiple of so many octets."""
    import numpy as np

    size = np.dtype(dtype).itemsize * shape[0] * shape[1]
    wide = np.empty(size + octets, np.uint8)
    first = -address(wide) % octets
    return wide[first : first + size].view(dtype).reshape(shape)


def _whole(array: Any) -> int:
    """Return where an array lies whose rows follow one another without gaps."""
    if not array.flags.c_contiguous:
        raise ValueError("the rows of an array have gaps between them")
    return address(array)


def _row_frames(block: "Samples") -> int:
    """Return how far the rows of a block, or of a view of one, lie apart in memory."""
    return block.strides[0] // block.itemsize
