"""Sound: fonts, synthesiser, mix, loudness, encoding.

`track.render_audio` is the door, `model` what goes in and comes out. Importing a module here loads
neither numpy nor a synthesiser.
"""
