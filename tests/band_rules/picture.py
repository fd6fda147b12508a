"""A picture of a style: drum grids at three dynamics, and a piano roll, from a written take."""

import io
from pathlib import Path

from band_rules.charts import Case
from band_rules.take import VOICES, Take, play

__all__ = ["draw_style"]

LANES = (
    ("crash", VOICES["crash"]), ("ride", VOICES["ride"]), ("open hat", (46,)), ("hat", (42, 44)),
    ("percussion", ()), ("toms", VOICES["tom"]), ("snare", (38, 40)), ("side stick", (37,)),
    ("kick", VOICES["kick"]),
)  # fmt: skip
COLOURS = {"comp": "#7d5ba6", "pad": "#4f8f6b", "bass": "#8a5a2b"}
GRID_BARS = 4
ROLL_BARS = 8


def draw_style(style: str | Path) -> bytes:
    """Return a PNG: drums of bars 5 to 8 at p, mf, ff above, eight bars of the band below."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(12, 6.4), dpi=72, layout="constrained")
    rows = figure.subfigures(2, 1, height_ratios=(1, 1.35))
    axes = rows[0].subplots(1, 3, sharey=True)
    for axis, dynamic in zip(axes, ("p", "mf", "ff"), strict=True):
        take = play(style, Case("one a bar", dynamic, 0, False), seed=1)
        _draw_drums(axis, take, first=4)
        axis.set_title(dynamic, style="italic", fontsize=10)
    take = play(style, Case("colours", "mf", 0, False), seed=1)
    _draw_roll(rows[1].subplots(), take)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png")
    return buffer.getvalue()


def _draw_drums(axis, take: Take, *, first: int) -> None:
    bars = take.bars[first : first + GRID_BARS]
    rows = {key: len(LANES) - 1 - i for i, (_, keys) in enumerate(LANES) for key in keys}
    other = len(LANES) - 1 - [name for name, _ in LANES].index("percussion")
    notes = [n for n in take.drums if bars[0].start - 40 <= n.start < bars[-1].end - 40]
    axis.scatter(
        [note.start for note in notes],
        [rows.get(note.pitch, other) for note in notes],
        s=[6 + 0.22 * note.velocity for note in notes],
        c=[note.velocity for note in notes],
        cmap="Greys", vmin=-20, vmax=127, marker="s", linewidths=0,
    )  # fmt: skip
    for bar in bars:
        axis.axvline(bar.start, color="#999", linewidth=0.8, zorder=0)
        for beat in bar.beats[1:]:
            axis.axvline(beat, color="#ddd", linewidth=0.6, zorder=0)
    axis.set_xlim(bars[0].start - 120, bars[-1].end)
    axis.set_ylim(-0.6, len(LANES) - 0.4)
    axis.set_yticks(range(len(LANES)), [name for name, _ in reversed(LANES)], fontsize=8)
    axis.set_xticks([bar.start for bar in bars], [str(bar.index + 1) for bar in bars], fontsize=8)
    axis.spines[["top", "right"]].set_visible(False)


def _draw_roll(axis, take: Take) -> None:
    bars = take.bars[:ROLL_BARS]
    for part, colour in COLOURS.items():
        notes = [n for n in getattr(take, part) if n.start < bars[-1].end - 40]
        axis.barh(
            [n.pitch for n in notes],
            [min(n.end, bars[-1].end) - n.start for n in notes],
            left=[n.start for n in notes],
            height=0.8, color=colour, alpha=0.75, linewidth=0,
        )  # fmt: skip
    for bar in bars:
        axis.axvline(bar.start, color="#999", linewidth=0.8, zorder=0)
    for chord in take.chords:
        if chord.start < bars[-1].end - 40:
            axis.text(chord.start + 20, 81, chord.symbol, fontsize=8, va="bottom")
    octaves = range(24, 85, 12)
    axis.set_yticks(octaves, [f"C{key // 12 - 1}" for key in octaves], fontsize=8)
    axis.grid(axis="y", color="#e5e1d8")
    axis.set_xlim(bars[0].start - 60, bars[-1].end)
    axis.set_ylim(26, 85)
    axis.set_xticks([bar.start for bar in bars], [str(bar.index + 1) for bar in bars], fontsize=8)
    axis.spines[["top", "right"]].set_visible(False)
