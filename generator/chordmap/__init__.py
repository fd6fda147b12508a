"""The chord map: which chord, chord tones, bar and section at each moment of a track."""

__all__ = ["FORMAT_VERSION"]

FORMAT_VERSION = "1.0"
"""Of the chord maps written here; `model.py` says what a new one may change."""
