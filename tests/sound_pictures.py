"""What a finished mix looks like: level and spectrum over the form, and left against right."""

import io
import json
import wave
from pathlib import Path

import numpy as np

BLOCK = 4096
FLOOR_DB = -80.0
INK, QUIET = "#1d2327", "#8a8f93"


def mix_picture(map_path: Path) -> bytes:
    """Return a PNG of the 16-bit WAV mix beside a chord map: level curve and spectrogram."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    song = json.loads(map_path.read_text(encoding="utf-8"))
    entry = next(a for a in song["audio"] if a["part"] == "mix" and a["format"] == "wav")
    with wave.open(str(map_path.parent / entry["file"])) as file:
        rate_hz = file.getframerate()
        data = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 2) / 32768
    mono = data.mean(axis=1)

    figure = Figure(figsize=(9, 4.6), dpi=100, layout="constrained")
    FigureCanvasAgg(figure)
    level, spectrum = figure.subplots(2, 1, sharex=True, height_ratios=(1, 2))
    blocks = len(mono) // 2048
    power = (data[: blocks * 2048] ** 2).reshape(blocks, -1).mean(axis=1)
    time_s = (np.arange(blocks) + 0.5) * 2048 / rate_hz
    level_db = np.maximum(10 * np.log10(power + 1e-12), FLOOR_DB)
    level.fill_between(time_s, level_db, FLOOR_DB, color="#3a7a88", linewidth=0)
    level.set(ylim=(FLOOR_DB, 0), ylabel="level, dBFS")

    hop = BLOCK // 2
    frames = np.lib.stride_tricks.sliding_window_view(mono, BLOCK)[::hop] * np.hanning(BLOCK)
    bins_db = 20 * np.log10(np.abs(np.fft.rfft(frames, axis=1)) / BLOCK * 4 + 1e-9)
    hz = np.fft.rfftfreq(BLOCK, 1 / rate_hz)
    spectrum.pcolormesh(
        np.arange(len(frames)) * hop / rate_hz, hz[1:], bins_db[:, 1:].T,
        vmin=-95, vmax=-25, cmap="magma", shading="nearest", rasterized=True,
    )  # fmt: skip
    spectrum.set(yscale="log", ylim=(30, 18_000), ylabel="Hz", xlabel="seconds")
    for section in song["sections"]:
        words = f"{section['label']} {section['dynamics']}"
        level.axvline(section["start_s"], color=INK, linewidth=0.8)
        level.text(section["start_s"] + 0.4, -7, words, fontsize=8, color=INK)
        spectrum.axvline(section["start_s"], color="white", linewidth=0.6, alpha=0.7)
    for axes in (level, spectrum):
        axes.tick_params(colors=QUIET, labelsize=8)
        axes.spines[["top", "right"]].set_visible(False)
    png = io.BytesIO()
    figure.savefig(png, format="png")
    return _small(png.getvalue())


def _small(png: bytes) -> bytes:
    from PIL import Image

    image = Image.open(io.BytesIO(png)).convert("RGB")
    out = io.BytesIO()
    image.quantize(96, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return out.getvalue()
