"""The normal form of a quality: one symbol for each set of degrees.

It is the row of the table, with the fewest and mildest changes, that gives exactly that set:
`7b9#5`, `+7b9` and `7(#5,b9)` are all `7#5b9`.
"""

from functools import cache, lru_cache

from generator.harmony.quality import (
    ALTERATIONS,
    QUALITIES,
    Alteration,
    Quality,
    QualityRow,
    by_number,
    row_degrees,
)
from generator.harmony.spelling import Degree

__all__ = ["normal_form"]

_ALTERED = "7alt"  # says "everything altered": a list of changes reads better than a change to it

# The mildest change first: an altered tone, a suspension, an added tone, an omission.
_COSTS = {"alter": 1, "suspend": 2, "add": 2, "natural": 2, "omit": 3}


@lru_cache(maxsize=4096)
def normal_form(tones: frozenset[Degree]) -> Quality | None:
    """Return the normal form of a set of degrees; None if no row of the table can give it.

    >>> normal_form(frozenset(map(Degree.parse, ["1", "3", "#5", "b7", "b9"]))).symbol
    '7#5b9'
    """
    best: tuple[int, Quality] | None = None
    fixed = frozenset(d for d in tones if d.number in (3, 7))
    for row, base, sevenths in _rows():
        # No change adds a third, or adds or takes away a seventh: most rows drop out here.
        if not sevenths <= fixed <= base:
            continue
        if best is not None and len(tones - base) >= best[0]:  # each tone costs 1 or more
            continue
        changes = _changes(base, tones)
        if changes is None or (changes and row.symbol == _ALTERED):
            continue
        cost = sum(_COSTS[change.action] for change in changes)
        if best is None or cost < best[0]:
            best = cost, Quality(_suffix(row, changes), row, changes, tones)
    return best[1] if best else None


@cache
def _rows() -> tuple[tuple[QualityRow, frozenset[Degree], frozenset[Degree]], ...]:
    rows = []
    for row in QUALITIES:
        base = row_degrees(row)
        rows.append((row, base, frozenset(d for d in base if d.number == 7)))
    return tuple(rows)


def _changes(base: frozenset[Degree], tones: frozenset[Degree]) -> tuple[Alteration, ...] | None:
    """Return the changes that turn `base` into `tones`; None if there are none."""
    table = _by_action()
    missing = set(base - tones)
    thirds = {degree for degree in missing if degree.number == 3}
    suspensions: list[Alteration] = []
    alterations: list[Alteration] = []
    additions: list[Alteration] = []
    for degree in sorted(tones - base, key=by_number):
        natural = Degree(degree.number)
        if ("alter", degree) in table and natural not in base & tones:
            missing.discard(natural)
            alterations.append(table["alter", degree])
        elif thirds and not suspensions and ("suspend", degree) in table:
            missing -= thirds
            suspensions.append(table["suspend", degree])
        elif ("add", degree) in table:
            additions.append(table["add", degree])
        else:
            return None
    omissions = []
    for degree in sorted(missing, key=by_number):
        omission = table.get(("omit", Degree(degree.number)))
        # An omission takes every tone of its number away, so none of them may stay.
        if omission is None or any(d.number == degree.number for d in tones):
            return None
        omissions.append(omission)
    return (*suspensions, *alterations, *additions, *omissions)


@cache
def _by_action() -> dict[tuple[str, Degree], Alteration]:
    return {(change.action, change.degree): change for change in ALTERATIONS}


def _suffix(row: QualityRow, changes: tuple[Alteration, ...]) -> str:
    text = "".join(change.symbol for change in changes)
    if not row.symbol and text[:1] in ("b", "#"):  # Cb5 would be a chord on Cb
        return f"({text})"
    return row.symbol + text
