"""Chart text: read, check, print and transpose a chart as it is written.

`parser.parse_chart` and `parser.read_chart` are the doors; `model` is what they give,
`format.format_chart` prints it again, `transpose.transpose_chart` moves it to another key.
"""
