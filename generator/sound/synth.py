"""The synthesiser: FluidSynth driven offline, through the C functions that pyfluidsynth binds.

No audio device is ever opened. Everything is dry (reverb and chorus off), 32-bit float, and
blocks of 64 samples: FluidSynth lets an event sound from the next block boundary on, so callers
count in blocks. Every return code is checked.
"""

import ctypes
import threading
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from generator.errors import FontError, MissingToolError, SynthError
from generator.sound.native import Instrument

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["BLOCK", "DRUM_CHANNEL", "Synth", "library_file", "library_version"]

BLOCK = 64
"""Samples between the moments at which FluidSynth takes events."""

DRUM_CHANNEL = 9

_CHANNELS = 16
_LOG_LEVELS = 5
_KEPT_TAPE_FRAMES = 1 << 18  # 2 MB

# The first synthesiser of a process fills tables that all of them use, and the samples of a font
# are shared, with books that do not stand two threads at once (both seen to fail in 2.3.1: notes at
# the wrong level, samples lost). So synthesisers start, load and end one at a time.
_LOADING = threading.Lock()
_INSTALL = "install it: apt-get install libfluidsynth3 (Debian, Ubuntu) or brew install fluid-synth"


def _library() -> Any:
    """Import pyfluidsynth, which looks for the shared library as it is imported."""
    try:
        import fluidsynth

        # A thread may meet the module half imported by another, which has just found no library.
        _ = fluidsynth._fl
    except (ImportError, OSError, AttributeError) as error:
        raise MissingToolError(f"the FluidSynth library was not found; {_INSTALL}") from error
    # It would write its warnings to standard error; what matters comes back as a status.
    quiet = fluidsynth._fl.fluid_set_log_function
    quiet.argtypes = [ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p]
    for level in range(_LOG_LEVELS):
        quiet(level, None, None)
    return fluidsynth


def library_version() -> str:
    """Return the version of the FluidSynth library.

    Raises
    ------
    MissingToolError
        If the library is not installed.
    """
    function = _library()._fl.fluid_version_str
    function.restype = ctypes.c_char_p
    return str(function().decode())


def library_file() -> Path | None:
    """Return where the library lies that is loaded; None where the system does not tell."""
    function = ctypes.cast(_library()._fl.fluid_version_str, ctypes.c_void_p).value or 0
    with suppress(OSError), open("/proc/self/maps") as maps:
        for line in maps:
            span, *_, path = line.split(maxsplit=5)
            start, end = (int(place, 16) for place in span.split("-"))
            if start <= function < end:
                return Path(path.rstrip("\n"))
    return None


def _write_float(library: Any) -> Any:
    # pyfluidsynth binds the 16-bit writer only; the float one stands beside it in the library.
    function = library._fl.fluid_synth_write_float
    function.restype = ctypes.c_int
    function.argtypes = [
        ctypes.c_void_p,
        ctypes.c_int,
        *(ctypes.c_void_p, ctypes.c_int, ctypes.c_int) * 2,
    ]
    return function


class Synth:
    """One synthesiser with one font.

    Parameters
    ----------
    font : Path
        The SoundFont; samples are read as programs are chosen.
    rate_hz : int
        Output rate.
    tuning_hz : float
        What A4 sounds at.
    polyphony : int
        Voices that may sound at once; a stereo note takes two or more.

    Raises
    ------
    MissingToolError
        If the FluidSynth library is not installed.
    FontError
        If the library cannot load the font.
    SynthError
        If the library refuses anything else.
    """

    def __init__(
        self, font: Path, *, rate_hz: int, tuning_hz: float = 440.0, polyphony: int = 256
    ) -> None:
        # Not numpy: a render starts synthesisers while its first thread is still importing that.
        self._settings = self._synth = None
        self._rate_hz = rate_hz
        self._font = -1
        self._tape: NDArray[np.float32] | None = None
        self._chosen: dict[int, tuple[int, int]] = {}
        self._fs = _library()
        self._write = _write_float(self._fs)
        try:
            with _LOADING:
                self._start(font, rate_hz, polyphony)
            if tuning_hz != 440.0:
                self._tune(tuning_hz)
        except BaseException:
            self.close()
            raise

    def _start(self, font: Path, rate_hz: int, polyphony: int) -> None:
        self._settings = self._fs.new_fluid_settings()
        if not self._settings:
            raise SynthError("FluidSynth gave no settings; is there memory left?")
        self._set_number("synth.sample-rate", float(rate_hz))
        self._set_number("synth.gain", 1.0)
        for name, value in (
            ("synth.polyphony", polyphony),
            ("synth.midi-channels", _CHANNELS),
            ("synth.reverb.active", 0),
            ("synth.chorus.active", 0),
            ("synth.dynamic-sample-loading", 1),
            ("synth.threadsafe-api", 0),
        ):
            self._check(self._fs.fluid_settings_setint(self._settings, name.encode(), value), name)
        self._synth = self._fs.new_fluid_synth(self._settings)
        if not self._synth:
            raise SynthError("FluidSynth could not be started; is there memory left?")
        self._font = self._fs.fluid_synth_sfload(self._synth, str(font).encode(), 0)
        if self._font == self._fs.FLUID_FAILED:
            raise FontError(f"{font}: FluidSynth cannot load this font; try another with --font")

    def close(self) -> None:
        """Free the synthesiser; it cannot be used after."""
        if self._synth:
            with _LOADING:
                self._fs.delete_fluid_synth(self._synth)
        if self._settings:
            self._fs.delete_fluid_settings(self._settings)
        self._synth = self._settings = None

    def __enter__(self) -> "Synth":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def choose(self, channel: int, bank: int, program: int) -> None:
        """Give a channel its preset; the samples that it needs are read now."""
        if self._chosen.get(channel) == (bank, program):
            return
        with _LOADING:
            status = self._fs.fluid_synth_program_select(
                self._synth, channel, self._font, bank, program
            )
        self._check(status, f"no preset {program} in bank {bank}")
        self._chosen[channel] = (bank, program)

    def channel_of(self, bank: int, program: int) -> int:
        """Return a channel that has this preset, giving it to the next free one if need be."""
        for channel, preset in self._chosen.items():
            if preset == (bank, program):
                return channel
        if bank:
            channel = DRUM_CHANNEL
        else:
            free = [n for n in range(_CHANNELS) if n != DRUM_CHANNEL and n not in self._chosen]
            channel = free[0] if free else 0
        self.choose(channel, bank, program)
        return channel

    def note_on(self, channel: int, pitch: int, velocity: int) -> None:
        """Strike a key; it sounds from the next block on."""
        status = self._fs.fluid_synth_noteon(self._synth, channel, pitch, velocity)
        self._check(status, f"note on {pitch} on channel {channel}")

    def note_off(self, channel: int, pitch: int) -> None:
        """Let a key go; nothing happens when it has already died away."""
        # FluidSynth answers "failed" when no voice of the key is left, which is no fault here.
        self._fs.fluid_synth_noteoff(self._synth, channel, pitch)

    def control(self, channel: int, number: int, value: int) -> None:
        """Move a controller."""
        status = self._fs.fluid_synth_cc(self._synth, channel, number, value)
        self._check(status, f"controller {number} on channel {channel}")

    def silence(self) -> None:
        """Kill every voice at once."""
        status = self._fs.fluid_synth_all_sounds_off(self._synth, -1)
        self._check(status, "all sounds off")

    @cached_property
    def instrument(self) -> Instrument:
        """What compiled code takes to play it."""
        library = self._fs._fl
        names = (
            *("synth_noteon", "synth_noteoff", "synth_write_float", "synth_all_sounds_off"),
            *("synth_get_active_voice_count", "synth_get_voicelist"),
            *("voice_gen_get", "voice_gen_set", "voice_update_param"),
        )
        functions = (getattr(library, f"fluid_{name}") for name in names)
        addresses = (ctypes.cast(function, ctypes.c_void_p).value or 0 for function in functions)
        return Instrument._make((int(self._synth or 0), *addresses, self._rate_hz))

    def tape(self, frames: int) -> "NDArray[np.float32]":
        """Return memory of (2, at least so many frames), unless long the same for every note."""
        import numpy as np

        if frames > _KEPT_TAPE_FRAMES:
            return np.empty((2, frames), np.float32)
        if self._tape is None:
            self._tape = np.empty((2, _KEPT_TAPE_FRAMES), np.float32)
        return self._tape

    @property
    def voices(self) -> int:
        """How many voices sound."""
        return int(self._fs.fluid_synth_get_active_voice_count(self._synth))

    def render(self, frames: int) -> "NDArray[np.float32]":
        """Play on and return (2, frames) samples; `frames` is a multiple of `BLOCK`."""
        import numpy as np

        out = np.empty((2, frames), np.float32)
        address, row_bytes = out.ctypes.data, out.strides[0]
        status = self._write(self._synth, frames, address, 0, 1, address + row_bytes, 0, 1)
        self._check(status, "rendering")
        return out

    def _tune(self, tuning_hz: float) -> None:
        import math

        cents = 1200 * math.log2(tuning_hz / 440.0)
        pitches = (ctypes.c_double * 128)(*(100.0 * key + cents for key in range(128)))
        status = self._fs.fluid_synth_activate_key_tuning(
            self._synth, 0, 0, b"chartbed", pitches, 0
        )
        self._check(status, "tuning")
        for channel in range(_CHANNELS):
            status = self._fs.fluid_synth_activate_tuning(self._synth, channel, 0, 0, 0)
            self._check(status, "tuning")

    def _set_number(self, name: str, value: float) -> None:
        self._check(self._fs.fluid_settings_setnum(self._settings, name.encode(), value), name)

    def _check(self, status: int, what: str) -> None:
        if status == self._fs.FLUID_FAILED:
            raise SynthError(f"FluidSynth refused: {what}")
