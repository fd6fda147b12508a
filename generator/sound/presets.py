"""Mix presets: how loud each part stands, by words of the trade."""

from dataclasses import field

from generator.errors import OptionError
from generator.record import record

__all__ = ["BALANCE_DB", "MixPreset", "mix_preset", "mix_presets"]


@record
class MixPreset:
    """Level changes per part in dB (None leaves the part out), and of the room."""

    name: str
    description: str
    levels_db: dict[str, float | None] = field(default_factory=dict)
    room_db: float = 0.0


BALANCE_DB = {"drums": -5.5, "bass": 1.0, "pad": -5.5, "comp": -6.0}
"""Where each part stands once its program is trimmed to the common level.

Bass and drums carry the track, pad and comp lie under the soloist. Common practice, no source;
set by measuring every style: drums 3 to 8 LU below the mix, bass 1 to 5, comp 8 to 12, pad 6 to
11, and peaks that leave -18 LUFS to plain gain, or 1 or 2 dB of limiting, in most styles.
"""

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
