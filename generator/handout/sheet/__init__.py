"""The printed chart."""

from generator.handout.sheet.draw import PAPERS, draw_sheet, sheet_pages

__all__ = ["PAPERS", "draw_sheet", "sheet_pages"]
