"""Pitch spelling, chord symbols, keys and chord scales: pure, no input or output.

==================  =======================================================================
`spelling`          note names and degrees on the line of fifths
`quality`           the one table of chord qualities, and what follows from it
`quality_parser`    the suffix of a chord symbol, read
`key`               keys and modes
`transposition`     moving by fifths; written keys of transposing instruments; capo
`chord`             `parse_chord` and `Chord`
`scales`            the scales that fit a chord, best first
`roman`             roman numerals
`guidance`          all of it together, for one chord in its key
==================  =======================================================================
"""
