"""Mix presets: how loud each part stands, by words of the trade."""

from dataclasses import dataclass, field

from generator.errors import OptionError

__all__ = ["MixPreset", "mix_preset", "mix_presets"]


@dataclass(frozen=True, slots=True)
class MixPreset:
    """Level changes per part in dB (None leaves the part out), and of the room."""

    name: str
    description: str
    levels_db: dict[str, float | None] = field(default_factory=dict)
    room_db: float = 0.0


_PRESETS = {
    preset.name: preset
    for preset in (
        MixPreset("balanced", "the whole band as its style sets it"),
        MixPreset(
            "soloist-up-front",
            "pad and comp step back, rhythm section stays: the most room for a lead instrument",
            {"pad": -5.0, "comp": -5.0, "drums": -1.0},
        ),
        MixPreset("rhythm-only", "drums and bass", {"pad": None, "comp": None}),
        MixPreset("no-drums", "bass, pad and comp", {"drums": None}),
        MixPreset(
            "harmony-forward",
            "chords to the front, to hear the changes",
            {"pad": 4.0, "comp": 4.0, "drums": -4.0, "bass": -1.0},
        ),
        MixPreset(
            "drums-forward",
            "drums to the front, to practise time",
            {"drums": 3.0, "pad": -4.0, "comp": -4.0},
        ),
        MixPreset("dry", "balanced, with no room", {}, -120.0),
    )
}


def mix_presets() -> tuple[MixPreset, ...]:
    """Return every mix preset, the default first."""
    return tuple(_PRESETS.values())


def mix_preset(name: str) -> MixPreset:
    """Return a preset by name.

    Raises
    ------
    OptionError
        If there is none of that name.
    """
    try:
        return _PRESETS[name]
    except KeyError:
        raise OptionError(
            f"no mix preset is called '{name}'; choose one of {', '.join(_PRESETS)}"
        ) from None
