"""Chart text: read, check, print and transpose a chart as it is written."""

from generator.chart.format import format_chart
from generator.chart.parser import parse_chart, read_chart
from generator.chart.transpose import transpose_chart

__all__ = ["format_chart", "parse_chart", "read_chart", "transpose_chart"]
