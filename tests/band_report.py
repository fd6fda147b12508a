"""Measure every style on every case and write the table with pictures: `make band-report`.

``python -m tests.band_report [-o FOLDER] [--quick] [--no-audio] [--jobs N] [STYLE ...]`` leaves
one self-contained `index.html`. The whole matrix is 7 charts x p, mf, ff x 3 keys x both ends of
the tempo range for each style; `--quick` plays the sixth of it that `make test` plays.
"""

import argparse
import base64
import html
import os
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))  # the tests are no package: so does pytest

from band_rules.charts import all_cases, paired_cases, style_facts
from band_rules.lines import LINES, RULES, Line, Verdict
from band_rules.measure import measure_style, verdicts
from band_rules.picture import draw_style

__all__ = ["main"]

AUDIO_LINES = (
    Line(17, "after 300 ms, audio", "", max, high=-50, unit="dBFS"),
    Line(20, "ff over pp, audio", "", min, low=6, unit="LU"),
)


@dataclass(frozen=True)
class StyleReport:
    """What was measured and drawn of one style."""

    name: str
    description: str
    values: tuple[tuple[float | None, int, bool], ...]  # as in Verdict, in the order of the lines
    picture: bytes

    @property
    def verdicts(self) -> list[Verdict]:
        lines = (*LINES, *AUDIO_LINES)[: len(self.values)]
        return [Verdict(line, *own) for line, own in zip(lines, self.values, strict=True)]


def examine(name: str, quick: bool, audio: bool) -> StyleReport:
    found = verdicts(measure_style(name, paired_cases() if quick else all_cases()))
    if audio:
        found += _heard(name)
    values = tuple((v.value, v.samples, v.holds) for v in found)  # lines do not travel
    return StyleReport(name, style_facts(name)["description"], values, draw_style(name))


def _heard(name: str) -> list[Verdict]:
    from band_rules.audio import loudness_gain_lu, quiet_db

    found = []
    with tempfile.TemporaryDirectory() as folder:
        quiet = quiet_db(name, Path(folder))
        gain = loudness_gain_lu(name, Path(folder))
    for line, values in zip(AUDIO_LINES, (quiet, [gain]), strict=True):
        value = line.statistic(values) if values else None
        holds = value is not None and line.low <= value <= line.high
        found.append(Verdict(line, value, len(values), holds))
    return found


def page(reports: list[StyleReport], cases: int, took_s: float) -> str:
    """Write the report as one HTML page."""
    broken = [(r.name, v) for r in reports for v in r.verdicts if not v.holds]
    lines = [v.line for v in reports[0].verdicts]
    lines.sort(key=lambda line: (line.rule, LINES.index(line) if line in LINES else 999))
    rows = []
    for rule, title in RULES.items():
        rows.append(
            f'<tr class="rule"><th colspan="{len(reports) + 2}">{rule}. {html.escape(title)}'
            "</th></tr>"
        )
        for line in (line for line in lines if line.rule == rule):
            cells = [_cell(report, line) for report in reports]
            unit = f" ({line.unit})" if line.unit else ""
            rows.append(
                f"<tr><th>{html.escape(line.name + unit)}</th><td>{html.escape(line.bounds())}</td>"
                f"{''.join(cells)}</tr>"
            )
    heads = "".join(f'<th class="style"><span>{html.escape(r.name)}</span></th>' for r in reports)
    told = "".join(
        f"<li>{html.escape(name)}: rule {v.line.rule}, {html.escape(v.line.name)} "
        f"{html.escape(v.line.shown(v.value))}, wanted {html.escape(v.line.bounds())}</li>"
        for name, v in broken
    )
    pictures = "".join(
        f"<section><h2>{html.escape(r.name)}</h2><p>{html.escape(r.description)}</p>"
        f'<img alt="Drum grids and piano roll of {html.escape(r.name)}" '
        f'src="data:image/png;base64,{base64.b64encode(r.picture).decode()}"></section>'
        for r in reports
    )
    return f"""<!doctype html>
<html lang="en"><meta charset="utf-8"><title>The band, measured</title>
<style>
body {{ font: 15px/1.5 Georgia, serif; max-width: 98rem; margin: 2rem auto; padding: 0 1rem;
  color: #222; background: #fdfcf9 }}
h1, h2 {{ font-weight: normal }}
table {{ border-collapse: collapse; font: 12px/1.3 system-ui, sans-serif; display: block;
  overflow-x: auto }}
th, td {{ padding: .15rem .4rem; text-align: right; white-space: nowrap;
  border-bottom: 1px solid #e5e1d8 }}
tr > th:first-child {{ text-align: left; font-weight: normal }}
tr.rule th {{ padding-top: .7rem; font-weight: bold }}
th.style {{ vertical-align: bottom; height: 9rem; padding: 0; min-width: 2.6rem }}
th.style span {{ writing-mode: vertical-rl; transform: rotate(180deg); text-align: left }}
td.broken {{ background: #f3c7b8; font-weight: bold }}
img {{ max-width: 100% }}
</style>
<h1>The band, measured</h1>
<p>{len(reports)} styles, {cases} charts, dynamics, keys and tempos each, read from the written MIDI
files and chord maps in {took_s:.0f} s. Each value is the worst of p, mf and ff, or of the style as
a whole. {len(broken)} of {sum(len(r.verdicts) for r in reports)} values lie out of bounds.</p>
<ul>{told}</ul>
<table><tr><th></th><th>wanted</th>{heads}</tr>{"".join(rows)}</table>
<h2>Pictures</h2>
<p>Above: the drums of four bars at p, mf and ff, the last one closing a section; a stroke is the
darker the harder. Below: eight bars at mf, bass in brown, pad in green, comp in violet.</p>
{pictures}</html>
"""


def _cell(report: StyleReport, line: Line) -> str:
    for v in report.verdicts:
        if v.line == line:
            kind = "" if v.holds else ' class="broken"'
            return f"<td{kind}>{html.escape(v.line.shown(v.value))}</td>"
    return "<td>-</td>"


def main(arguments: list[str] | None = None) -> int:
    """Write the report; 1 when a value lies out of bounds."""
    from generator.band.style import style_names

    parser = argparse.ArgumentParser(prog="python -m tests.band_report")
    parser.add_argument("styles", nargs="*", help="names or .toml files; all styles unless given")
    parser.add_argument("-o", "--out", type=Path, default=Path("out/band-report"))
    parser.add_argument("--quick", action="store_true", help="a sixth of the matrix")
    parser.add_argument("--no-audio", action="store_true", help="leave the rendering out")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args(arguments)
    names = options.styles or list(style_names())
    began = time.perf_counter()
    reports = []
    ask = partial(examine, quick=options.quick, audio=not options.no_audio)
    with ProcessPoolExecutor(options.jobs) if options.jobs > 1 else nullcontext() as pool:
        for report in pool.map(ask, names) if pool else map(ask, names):
            reports.append(report)
            faults = [f"{v.line.rule} {v.line.name}" for v in report.verdicts if not v.holds]
            print(f"{report.name}: {', '.join(faults) or 'every rule holds'}", flush=True)
    cases = len(paired_cases() if options.quick else all_cases())
    text = page(reports, cases, time.perf_counter() - began)
    options.out.mkdir(parents=True, exist_ok=True)
    target = options.out / "index.html"
    target.write_text(text, encoding="utf-8")
    print(f"{target} ({len(text) / 1e6:.1f} MB)")
    return int(any(not v.holds for r in reports for v in r.verdicts))


if __name__ == "__main__":
    sys.exit(main())
