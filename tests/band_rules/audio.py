"""Rules 17 and 20 in the audio, with the small font that pretty_midi ships, so that it is fast."""

from importlib.util import find_spec
from pathlib import Path

from band_rules.charts import Case, chart_text, meters_of, style_facts
from band_rules.take import Take, written

__all__ = ["loudness_gain_lu", "quiet_db", "small_font"]

DECAY_S = 0.3
HIT_QUARTERS = 0.5
WINDOW_S = 0.05


def small_font() -> Path:
    """Return the General MIDI font inside pretty_midi."""
    spec = find_spec("pretty_midi")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "TimGM6mb.sf2"


def render(style: str, text: str, folder: Path):
    """Render the mix; return samples (frames, channels) and the rate in Hz."""
    import soundfile

    from generator.chart.parser import parse_chart
    from generator.pipeline.options import RenderOptions
    from generator.pipeline.render import render_track

    options = RenderOptions(style=style, formats=("wav",), font=small_font())
    render_track(parse_chart(text, "chart"), folder, options, name="track")
    return soundfile.read(folder / "track.wav", always_2d=True)


def loudness_gain_lu(style: str, folder: Path) -> float:
    """Return by how many LU eight bars at ff are louder than the same bars at pp."""
    from pyloudnorm import Meter

    facts = style_facts(style)
    tempo = facts["tempo"][1]
    bars = "| Am | F | C | G | Dm | Am | F | E7 |"
    text = (
        f"Title: Soft and Loud\nKey: Am\nTime: {meters_of(facts)[0]}\n"
        f"Tempo: {facts.get('tempo_unit', 'q')}={tempo}\n[A] pp\n{bars}\n[B] ff\n{bars}\n"
    )
    samples, rate_hz = render(style, text, folder)
    take = Take(*written(style, text), facts, "pp")
    levels = []
    for first in (0, 8):  # the last bar, with its fill, belongs to what comes after it
        start_s, end_s = (take.midi.seconds(take.bars[first + k].start) for k in (0, 7))
        part = samples[round(start_s * rate_hz) : round(end_s * rate_hz)]
        levels.append(Meter(rate_hz).integrated_loudness(part))
    return levels[1] - levels[0]


def quiet_db(style: str, folder: Path) -> list[float]:
    """Return the loudest 50 ms (RMS, dBFS) of each rest and stop, 300 ms after it begins."""
    import numpy as np

    case = Case("cues", "mf", 0, False)
    text = chart_text(style, case)
    samples, rate_hz = render(style, text, folder)
    take = Take(*written(style, text), style_facts(style), "mf")
    release = HIT_QUARTERS * take.midi.ticks_per_quarter
    stretches = []
    for chord in take.chords:
        if chord.kind == "rest":
            before = next((c for c in take.chords if c.end == chord.start), None)
            hit = before is not None and before.articulation == "hit"
            if not hit:
                stretches.append((chord.start, chord.end))
        elif chord.articulation == "hit" or (chord.section == "Stop" and chord.kind == "chord"):
            stretches.append((chord.start + release, chord.end))
    levels = []
    frames = round(WINDOW_S * rate_hz)
    for start, end in stretches:
        first = round((take.midi.seconds(start) + DECAY_S) * rate_hz)
        last = round((take.midi.seconds(end) - 0.02) * rate_hz)
        if last - first < frames:
            continue
        blocks = samples[first:last]
        blocks = blocks[: len(blocks) // frames * frames].reshape(-1, frames * samples.shape[1])
        power = float((blocks**2).mean(axis=1).max())
        levels.append(10 * float(np.log10(max(power, 1e-12))))
    return levels
