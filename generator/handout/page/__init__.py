"""The practice page: one HTML file that plays a track and shows its harmony, offline."""

from generator.handout.page.audio import MEDIA_TYPES, audio_beside
from generator.handout.page.build import OtherTempo, build_page

__all__ = ["MEDIA_TYPES", "OtherTempo", "audio_beside", "build_page"]
