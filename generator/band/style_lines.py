"""Find the line of a TOML file on which a value stands, for error messages."""

import re

__all__ = ["line_of"]

TABLE = re.compile(r"\s*\[(\[?)\s*([^\]]+?)\s*\]")
KEY = re.compile(r"\s*([A-Za-z0-9_.\"'-]+)\s*=")


def line_of(text: str, place: tuple[str | int, ...]) -> int:
    r"""Return the line, from 1, of the value at `place`; of its nearest parent if it is absent.

    `place` names keys and, in arrays, indices from 0, as in ``("drums", "layers", 1, "kick")``.

    >>> line_of('[drums]\n[[drums.fills]]\n[[drums.fills]]\nsnare = "x"\n',
    ...         ("drums", "fills", 1, "snare"))
    4
    """
    lines = _lines_by_place(text)
    for length in range(len(place), 0, -1):
        if place[:length] in lines:
            return lines[place[:length]]
    return 1


def _lines_by_place(text: str) -> dict[tuple[str | int, ...], int]:
    found: dict[tuple[str | int, ...], int] = {}
    counts: dict[tuple[str | int, ...], int] = {}
    table: tuple[str | int, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if head := TABLE.match(line):
            table = ()
            names = _names(head[2])
            for depth, name in enumerate(names):
                table = (*table, name)
                is_array_head = head[1] and depth == len(names) - 1
                if is_array_head:
                    counts[table] = counts.get(table, -1) + 1
                if table in counts:
                    found.setdefault(table, number)
                    table = (*table, counts[table])
            found.setdefault(table, number)
        elif entry := KEY.match(line):
            found.setdefault((*table, *_names(entry[1])), number)
    return found


def _names(dotted: str) -> list[str]:
    return [name.strip().strip("\"'") for name in dotted.split(".")]
