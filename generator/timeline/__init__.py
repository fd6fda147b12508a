"""Chart to timeline: repeats and jumps unfolded, everything at its tick."""

from generator.timeline.build import build_timeline
from generator.timeline.summary import summarize

__all__ = ["build_timeline", "summarize"]
