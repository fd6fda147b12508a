"""Chart to timeline: repeats and jumps unfolded, everything at its tick.

`build.build_timeline` is the door, `summary.summarize` puts a timeline into words.
"""
