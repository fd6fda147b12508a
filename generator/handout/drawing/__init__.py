"""Ink on a page: marks in points, fonts and their widths, musical signs, and the three formats."""
