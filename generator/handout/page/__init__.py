"""The practice page: one HTML file that plays a track and shows its harmony, offline."""

from generator.handout.page.build import OtherTempo, build_page

__all__ = ["OtherTempo", "build_page"]
