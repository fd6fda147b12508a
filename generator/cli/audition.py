"""The eight bars that `styles NAME --audition` plays: soft, then loud, through a common turn."""

from typing import Any

__all__ = ["audition_chart"]

_CHART = """Title: {name} audition
Key: C
Time: {meter}
Tempo: {unit}={tempo}
Style: {name}
[A] mp
| Cmaj7 | Am7 | Dm7 | G7 |
[B] f
| Em7 | A7b9 | Dm9 | C6/9 |
"""


def audition_chart(entry: dict[str, Any]) -> str:
    """Return chart text for an entry of the style catalogue, at the middle of its tempos."""
    low, high = entry["tempo"]
    return _CHART.format(
        name=entry["name"],
        meter=entry["meter"] if entry["meters"] else "4/4",
        unit=entry["tempo_unit"],
        tempo=round((low + high) / 2),
    )
