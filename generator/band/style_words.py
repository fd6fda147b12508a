"""A style told in words, for `chartbed styles NAME`."""

from collections.abc import Sequence

from generator.band.drums_spec import DrumSpec
from generator.band.pitched_spec import PitchedSpec
from generator.band.style import Style
from generator.chart.model import DYNAMICS

__all__ = ["describe_style"]

KITS = {
    0: "standard kit", 8: "room kit", 16: "power kit", 24: "electronic kit", 25: "analogue kit",
    32: "jazz kit", 40: "brushes", 48: "orchestra kit",
}  # fmt: skip
"""Drum sets by program, counted from 0 (General MIDI level 2)."""

ENDINGS = {
    "ring": "the last chord rings",
    "cut": "the last chord is cut short",
    "rit": "the band slows down and the last chord rings",
}


def describe_style(style: Style) -> str:
    """Return what a style does, one line a fact, without a line break at the end."""
    low, high = style.tempo
    unit = style.tempo_unit
    facts = [
        ("meter", ", ".join(style.meters)),
        ("tempo", f"{unit}={low} to {unit}={high}"),
        ("feel", style.feel + _swing(style)),
        ("ending", ENDINGS[style.ending]),
        *_drums(style.drums),
    ]
    for part in ("bass", "pad", "comp"):
        spec: PitchedSpec | None = getattr(style, part)
        facts.append((part, _pitched(spec) if spec else "does not play"))
    width = max(len(name) for name, _ in facts)
    lines = [f"  {name:<{width}}  {told}" for name, told in facts]
    return "\n".join([f"{style.name}: {style.description}", *lines])


def _swing(style: Style) -> str:
    spec = style.swing
    if spec is None:
        return ""
    if spec.by_tempo:
        return f" ({spec.unit}s, at most {spec.cap:g} to 1)"
    if spec.ratio is not None:
        return f" ({spec.unit}s, {spec.ratio:g} to 1)"
    return f" ({spec.unit}s, {100 * (spec.share or 0.5):g}%)"


def _drums(spec: DrumSpec) -> list[tuple[str, str]]:
    if not spec.layers:
        return [("drums", f"{KITS[spec.program]}: a pattern from the beats of the meter")]
    marks = [layer.from_ for layer in spec.layers]
    facts = []
    for i, layer in enumerate(spec.layers):
        told = f"{_range(marks, i)}: {', '.join(layer.lanes)}"
        facts.append(
            ("drums" if i == 0 else "", f"{KITS[spec.program]}, {told}" if i == 0 else told)
        )
    facts.append(("fills", f"at every section end, and some at the end of {spec.fill_every} bars"))
    return facts


def _pitched(spec: PitchedSpec) -> str:
    marks: list[str] = [layer.from_ for layer in getattr(spec, "layers", ())]
    from pretty_midi import program_to_instrument_name

    told: str = program_to_instrument_name(spec.program).lower()
    changes = f", changes at {', '.join(marks[1:])}" if len(marks) > 1 else ""
    starts = f", from {marks[0]} on" if marks and marks[0] != DYNAMICS[0] else ""
    return told + starts + changes


def _range(marks: Sequence[str], i: int) -> str:
    if i + 1 == len(marks):
        return marks[i] if marks[i] == DYNAMICS[-1] else f"{marks[i]} to {DYNAMICS[-1]}"
    last = DYNAMICS[DYNAMICS.index(marks[i + 1]) - 1]
    return marks[i] if last == marks[i] else f"{marks[i]} to {last}"
