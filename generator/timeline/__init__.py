"""Chart to timeline: repeats and jumps unfolded, everything at its tick."""

from generator.timeline.build import build_timeline

__all__ = ["build_timeline"]
