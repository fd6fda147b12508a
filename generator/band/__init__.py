"""What the band plays: styles, feel, and one module for each player.

`arrange.arrange` is the door; `style.load_style` reads a style.
"""
