"""Pictures of a track."""

from generator.handout.picture.draw import KINDS, draw_picture, picture_of_file

__all__ = ["KINDS", "draw_picture", "picture_of_file"]
