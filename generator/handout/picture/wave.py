"""The waveform of a track with its chords and sections beneath, one second as wide everywhere."""

import subprocess
import wave as wave_file
from pathlib import Path
from typing import TYPE_CHECKING

from generator.chordmap.reader import ChordMap
from generator.errors import MissingToolError, OptionError
from generator.handout.drawing.fonts import SANS, SERIF_BOLD_ITALIC
from generator.handout.drawing.marks import INK, Drawing
from generator.handout.drawing.paths import polygon, rectangle
from generator.handout.picture.frame import (
    QUIET,
    Row,
    bars_in,
    comfortable_bars,
    draw_head,
    draw_label,
    draw_symbol,
    label_gutter,
    minutes,
    mixed,
    rows_of,
    section_colors,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["read_mono", "wave_picture"]

_WIDTH, _SIDE = 1120.0, 28.0
_WAVE_PT, _CHORD_PT, _GAP = 62.0, 22.0, 24.0
_DECODED_HZ = 11_025
_STEP_PT = 0.8  # width of one column of the waveform


def wave_picture(
    song: ChordMap, audio_path: Path, *, bars: tuple[int, int] | None = None
) -> Drawing:
    """Draw the waveform of an audio file of the track over its chords.

    Raises
    ------
    OptionError
        If the audio cannot be read.
    MissingToolError
        If it is no plain WAV file and there is no ffmpeg.
    """
    signal, rate_hz = read_mono(audio_path)
    offset_s = next((e.start_offset_s for e in song.audio if e.file == audio_path.name), 0.0)
    inner = _WIDTH - 2 * _SIDE
    gutter = label_gutter(song)
    left, room = _SIDE + gutter, inner - gutter
    rows = rows_of(song, most_bars=comfortable_bars(song, room, 14), bars=bars)
    colors = section_colors(song)
    row_pt = _WAVE_PT + _CHORD_PT + _GAP
    page = Drawing(
        _WIDTH,
        66 + 16 + len(rows) * row_pt + 6,
        f"{song.title}: waveform",
        f"Waveform of {song.title}, {minutes(song.end_s)} long, with its chords beneath.",
    )
    top = draw_head(page, song, "waveform", _SIDE, inner) + 16
    per_second = room / max(row.end_s - row.start_s for row in rows)
    loudest = max(float(abs(signal).max()), 1e-4) if len(signal) else 1.0
    for number, row in enumerate(rows, 1):
        color = colors[song.sections[row.section].label]
        draw_label(page, song, row, color, _SIDE, top, gutter)
        width = (row.end_s - row.start_s) * per_second
        page.fill(rectangle(left, top, width, _WAVE_PT), mixed(color, 0.1))
        part = _stretch(signal, rate_hz, row.start_s + offset_s, row.end_s + offset_s)
        _draw_wave(page, part / loudest, color, left, top, width, f"wave-{number}")
        _draw_chords(page, song, row, color, left, top, per_second)
        top += row_pt
    return page


def read_mono(path: Path) -> tuple["NDArray[np.float32]", int]:
    """Read audio as one channel, -1 to 1, with its rate in samples a second.

    16-bit WAV is read here; ffmpeg decodes anything else, to 11,025 samples a second.

    Raises
    ------
    OptionError
        If the file cannot be read.
    MissingToolError
        If ffmpeg is needed and absent.
    """
    if not path.is_file():
        raise OptionError(f"{path}: no such audio file")
    return _read_wav(path) or _decode(path)


def _read_wav(path: Path) -> tuple["NDArray[np.float32]", int] | None:
    import numpy as np

    try:
        with wave_file.open(str(path), "rb") as file:
            if file.getsampwidth() != 2:
                return None
            data = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
            frames = data.reshape(-1, file.getnchannels())
            return (frames.mean(axis=1) / 32768).astype(np.float32), file.getframerate()
    except (wave_file.Error, EOFError, ValueError):
        return None  # another format, or float samples


def _decode(path: Path) -> tuple["NDArray[np.float32]", int]:
    import numpy as np

    from generator.sound.encode import ffmpeg_program

    command = [
        ffmpeg_program(), "-nostdin", "-v", "error", "-i", str(path.resolve()), "-map", "0:a:0",
        "-ac", "1", "-ar", str(_DECODED_HZ), "-f", "f32le", "-",
    ]  # fmt: skip
    try:
        done = subprocess.run(command, capture_output=True, check=False)
    except OSError as error:
        raise MissingToolError(f"ffmpeg cannot be started: {error}") from error
    if done.returncode != 0 or not done.stdout:
        reason = done.stderr.decode(errors="replace").strip().splitlines()
        raise OptionError(f"{path}: no audio in it: {reason[-1] if reason else 'empty'}")
    return np.frombuffer(done.stdout, dtype="<f4"), _DECODED_HZ


def _stretch(
    signal: "NDArray[np.float32]", rate_hz: int, start_s: float, end_s: float
) -> "NDArray[np.float32]":
    import numpy as np

    first, after = round(start_s * rate_hz), round(end_s * rate_hz)
    part = signal[max(0, first) : max(0, after)]
    return np.pad(part, (max(0, -first), max(0, after - max(first, 0) - len(part))))


def _draw_wave(
    page: Drawing, part: "NDArray[np.float32]", color: str, left: float, top: float, width: float,
    name: str,
) -> None:  # fmt: skip
    """Draw the extremes of each column, and in a stronger colour its root mean square."""
    import numpy as np

    columns = max(2, int(width / _STEP_PT))
    if len(part) < columns:
        part = np.pad(part, (0, columns - len(part)))
    edges = np.linspace(0, len(part), columns + 1).astype(int)[:-1]
    high = np.maximum.reduceat(part, edges)
    low = np.minimum.reduceat(part, edges)
    counts = np.diff(np.append(edges, len(part)))
    power = np.sqrt(np.add.reduceat(part.astype(np.float64) ** 2, edges) / counts)
    middle, half = top + _WAVE_PT / 2, _WAVE_PT / 2 - 2
    xs = left + (np.arange(columns) + 0.5) * width / columns

    def band(
        upper: "NDArray[np.floating]", lower: "NDArray[np.floating]"
    ) -> list[tuple[float, float]]:
        # Never thinner than a hairline, so that silence can be seen.
        ys = np.concatenate((middle - half * upper - 0.2, (middle - half * lower + 0.2)[::-1]))
        points = zip(np.concatenate((xs, xs[::-1])), ys, strict=True)
        return [(round(float(x), 2), round(float(y), 2)) for x, y in points]

    inner = band(np.minimum(power, high), np.maximum(-power, low))
    page.fill(polygon(*band(high, low)), mixed(color, 0.55), name=name)
    page.fill(polygon(*inner), mixed(color, 0.75, INK))
    page.line(left, middle, left + width, middle, 0.4, mixed(color, 0.6, INK))


def _draw_chords(
    page: Drawing, song: ChordMap, row: Row, color: str, left: float, top: float, per_second: float
) -> None:
    chords_top = top + _WAVE_PT
    for i, chord in enumerate(song.chords, 1):
        if chord.end_s > row.start_s and chord.start_s < row.end_s:
            start_s, end_s = max(chord.start_s, row.start_s), min(chord.end_s, row.end_s)
            x = left + (start_s - row.start_s) * per_second
            width = (end_s - start_s) * per_second
            fill = mixed(color, 0.25) if chord.kind == "chord" else "#f2f2f4"
            page.shape(
                rectangle(x, chords_top, width, _CHORD_PT),
                fill=fill, stroke=mixed(color, 0.55), width_pt=0.8,
                name=f"chord-{i}" if chord.start_s >= row.start_s else "",
            )  # fmt: skip
            draw_symbol(page, chord, x + 4, chords_top + 16, width - 6, 14)
            if chord.sounds_at_s < chord.start_s:
                sounds = left + (chord.sounds_at_s - row.start_s) * per_second
                page.line(max(left, sounds), top, max(left, sounds), chords_top, 0.9, INK,
                          dashes=(2.0, 2.0))  # fmt: skip
    for bar in bars_in(song, row):
        x = left + (bar.start_s - row.start_s) * per_second
        page.line(x, top - 2, x, chords_top + _CHORD_PT, 1.0, mixed(INK, 0.75))
        page.text(x + 2, top - 3, str(bar.number), SANS, 6.5, color=QUIET)
        for beat_s in bar.beats_s[1:]:
            beat_x = left + (beat_s - row.start_s) * per_second
            page.line(beat_x, chords_top - 4, beat_x, chords_top, 0.7, QUIET)
    end = left + (row.end_s - row.start_s) * per_second
    page.line(end, top - 2, end, chords_top + _CHORD_PT, 1.0, mixed(INK, 0.75))
    section = song.sections[row.section]
    page.text(left - 5, chords_top + 15, section.dynamics, SERIF_BOLD_ITALIC, 11, anchor="right")
