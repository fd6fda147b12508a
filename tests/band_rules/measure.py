"""Measure styles: every sample of every rule, pooled by dynamic mark."""

from collections.abc import Iterable
from pathlib import Path
from statistics import fmean

from band_rules.charts import Case
from band_rules.form_rules import measure_choruses, measure_cues, measure_end, measure_fills
from band_rules.lines import LINES, Pools, Verdict, verdict
from band_rules.pitch_rules import measure_band, measure_bass, measure_pad
from band_rules.take import Take, play
from band_rules.time_rules import measure_timing, measure_touch

__all__ = ["broken", "measure_style", "measure_take", "verdicts"]

MEASURES = (
    measure_bass, measure_pad, measure_band, measure_touch, measure_timing, measure_fills,
    measure_cues, measure_end, measure_choruses,
)  # fmt: skip


def measure_take(take: Take) -> dict[str, list[float]]:
    """Return every sample of one take."""
    found: dict[str, list[float]] = {}
    for measure in MEASURES:
        found.update(measure(take))
    return found


def measure_style(style: str | Path, cases: Iterable[Case]) -> Pools:
    """Let a style play the cases, each with a seed of its own, and pool the samples."""
    return pooled(play(style, case, seed=seed) for seed, case in enumerate(cases, start=1))


def pooled(takes: Iterable[Take]) -> Pools:
    """Pool the samples of takes by dynamic mark, and compare the loud with the soft."""
    pools: Pools = {}
    for take in takes:
        pool = pools.setdefault(take.dynamic, {})
        for key, values in measure_take(take).items():
            pool.setdefault(key, []).extend(values)
    if "p" in pools and "ff" in pools:
        pools["ff"].update(_louder(pools["p"], pools["ff"]))
    return pools


def _louder(soft: dict[str, list[float]], loud: dict[str, list[float]]) -> dict[str, list[float]]:
    found = {}
    for part in ("drums", "bass", "pad"):
        if soft.get(f"{part} velocity") and loud.get(f"{part} velocity"):
            gain = fmean(loud[f"{part} velocity"]) - fmean(soft[f"{part} velocity"])
            found[f"louder {part} velocity"] = [gain]
    notes = [
        sum(fmean(pool[f"{part} notes a bar"]) for part in ("drums", "bass", "pad", "comp"))
        for pool in (soft, loud)
    ]
    found["louder band notes a bar"] = [notes[1] / notes[0]]
    drums = [fmean(pool["drums notes a bar"]) for pool in (soft, loud)]
    found["louder drums notes a bar"] = [drums[1] / max(0.1, drums[0])]
    return found


def verdicts(pools: Pools) -> list[Verdict]:
    """Judge every line."""
    return [verdict(line, pools) for line in LINES]


def broken(pools: Pools) -> list[str]:
    """Return the lines that do not hold, told in a sentence each."""
    return [
        f"rule {v.line.rule}, {v.line.name}: {v.line.shown(v.value)} {v.line.unit} of "
        f"{v.samples} samples, wanted {v.line.bounds()}"
        for v in verdicts(pools)
        if not v.holds
    ]
