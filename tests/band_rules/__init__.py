"""The rules of a band worth playing over, measured on the written MIDI file and chord map.

Nothing here looks into the band: a *take* (`take.py`) is read from the bytes of the MIDI file by a
reader of our own and from the JSON text of the chord map; what the style was asked for (its grid,
its swing) is read from the style file with `tomllib`. `lines.py` is the table of rules with their
bounds; `test_band_rules.py` asserts it, `band_report.py` prints it.
"""
