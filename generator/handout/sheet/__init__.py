"""The printed chart."""

from generator.handout.sheet.draw import PAPERS, draw_sheet

__all__ = ["PAPERS", "draw_sheet"]
