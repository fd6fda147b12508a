"""What serves track after track: the recorder with its synthesisers, and memory for the mix."""

from pathlib import Path
from typing import TYPE_CHECKING

from generator.sound.cache import NoteCache
from generator.sound.model import SoundSettings
from generator.sound.recorder import Recorder
from generator.sound.sf2 import FontTables

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Studio"]


class Studio:
    """Keeps between tracks what is dear to make; used by one track at a time.

    Attributes
    ----------
    memory : list of array of float32
        Chunks that mixes take and bring back: fresh memory costs more than what fills it.
    """

    def __init__(self) -> None:
        self.memory: list[NDArray[np.float32]] = []
        self._recorder: Recorder | None = None
        self._made_for: tuple[Path, int, float, Path | None, int] | None = None

    def __enter__(self) -> "Studio":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def recorder(self, font: FontTables, settings: SoundSettings) -> Recorder:
        """Return the recorder for these settings: the last one if it was made for the same."""
        wanted = (font.path, settings.rate_hz, settings.tuning_hz, settings.cache, settings.jobs)
        if self._recorder is None or wanted != self._made_for:
            self.close_recorder()
            rate_hz, tuning_hz = settings.rate_hz, settings.tuning_hz
            cache = None
            if settings.cache is not None:
                cache = NoteCache(settings.cache, font.path, rate_hz=rate_hz, tuning_hz=tuning_hz)
            self._recorder = Recorder(
                font, rate_hz=rate_hz, tuning_hz=tuning_hz, jobs=settings.jobs, cache=cache
            )
            self._made_for = wanted
        return self._recorder

    def close_recorder(self) -> None:
        """Free the synthesisers and the recordings."""
        if self._recorder:
            self._recorder.close()
        self._recorder = None

    def close(self) -> None:
        """Free everything."""
        self.close_recorder()
        self.memory.clear()
