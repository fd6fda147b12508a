"""Chart text: read, check, print and transpose a chart as it is written."""

from generator.chart.parser import parse_chart, read_chart

__all__ = ["parse_chart", "read_chart"]
