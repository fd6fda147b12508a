"""Many variants of a chart in one tidy folder: plan, run, manifest, verify."""
