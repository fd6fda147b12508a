"""What serves track after track: the recorder with its synthesisers, and memory for the mix."""

from collections.abc import Callable
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

from generator.sound.cache import NoteCache
from generator.sound.fonts import Font, check_font, choose_font
from generator.sound.model import SoundSettings
from generator.sound.recorder import Recorder
from generator.sound.reel import Reel
from generator.sound.sf2 import FontTables

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Studio"]

_LONGEST_REEL_FRAMES = 1 << 24  # 128 MB, six minutes at 44.1 kHz


class Studio:
    """Keeps between tracks what is dear to make; used by one track at a time.

    Parameters
    ----------
    many : bool
        Whether many tracks are to come: then nothing is freed between them.

    Attributes
    ----------
    memory : list of array of float32
        Chunks that mixes take and bring back: fresh memory costs more than what fills it.
    """

    def __init__(self, *, many: bool = False) -> None:
        self.memory: list[NDArray[np.float32]] | None = [] if many else None
        self._reel = Reel() if many else None
        self._recorder: Recorder | None = None
        self._made_for: tuple[Path, int, float, Path | None, int] | None = None
        self._closing: list[Thread] = []
        self._fonts: dict[Path | None, Font] = {}

    def __enter__(self) -> "Studio":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def font(self, path: Path | None) -> Font:
        """Return the font at a path, or the best one found, looked for once; as `choose_font`."""
        if path not in self._fonts:
            self._fonts[path] = choose_font(path)
        return self._fonts[path]

    def recorder(self, font: FontTables, settings: SoundSettings) -> Recorder:
        """Return the recorder for these settings: the last one if it was made for the same."""
        wanted = (font.path, settings.rate_hz, settings.tuning_hz, settings.cache, settings.jobs)
        if self._recorder is None or wanted != self._made_for:
            self.close()
            rate_hz, tuning_hz = settings.rate_hz, settings.tuning_hz
            cache = None
            if settings.cache is not None:
                cache = NoteCache(settings.cache, font.path, rate_hz=rate_hz, tuning_hz=tuning_hz)
            self._recorder = Recorder(
                font,
                rate_hz=rate_hz,
                tuning_hz=tuning_hz,
                jobs=settings.jobs,
                cache=cache,
                many=self.memory is not None,
            )
            self._made_for = wanted
            self._reel = self._reel and Reel()
        return self._recorder

    def reel(self, frames: int) -> Reel | None:
        """Return what keeps the dry signal of a part for the next track; None if that is long."""
        return self._reel if frames <= _LONGEST_REEL_FRAMES else None

    def get_ready(self, settings: SoundSettings) -> None:
        """Load what the sound of a track takes, as far as can be before its notes are known."""
        font = check_font(self.font(settings.font).path)
        recorder = self.recorder(font, settings) if settings.render == "notes" else None
        if recorder and not settings.cache:
            recorder.warm_up(())  # reads the font in threads, while numpy is imported here
        import generator.sound.master
        import generator.sound.mixdown  # noqa: F401

        if recorder and settings.cache:
            recorder.warm_up(())  # takes little, but keeps numpy waiting: both load libraries

    def end_track(self) -> None:
        """Hear that all notes of a track are placed: what only this one needed can go."""
        if self._recorder and self.memory is not None:
            self._recorder.end()
        elif self._recorder:
            self.let_go(self._recorder.close)
            self._recorder = None

    def let_go(self, close: Callable[[], None]) -> None:
        """Close what a track has done with: beside the rest of it where no other is to come.

        To take back the pages of a file takes the system 70 ms a gigabyte.
        """
        if self.memory is not None:
            close()
            return
        self._closing.append(Thread(target=close))
        self._closing[-1].start()

    def close(self) -> None:
        """Free the synthesisers and the recordings."""
        if self._recorder:
            self._recorder.close()
        self._recorder = None
        while self._closing:
            self._closing.pop().join()
