"""Words close to a misspelled one."""

from collections.abc import Iterable

__all__ = ["did_you_mean", "nearest"]

_LONGEST = 40


def nearest(word: str, known: Iterable[str], *, count: int = 3) -> tuple[str, ...]:
    """Return the known words closest to `word`, best first, without regard to case.

    One of whose parts between hyphens it is comes before one that looks alike.

    >>> nearest("tmepo", ("Title", "Tempo", "Time"), count=1)
    ('Tempo',)
    >>> nearest("waltz", ("folk-waltz", "walk", "jazz-waltz"))
    ('folk-waltz', 'jazz-waltz', 'walk')
    """
    from difflib import get_close_matches  # here, since a good chart never needs it

    sought = word[:_LONGEST].casefold()
    by_fold = {name.casefold(): name for name in known}
    holding = [fold for fold in by_fold if sought in fold.split("-")]
    alike = get_close_matches(sought, by_fold, n=count, cutoff=0.55)
    return tuple(by_fold[fold] for fold in dict.fromkeys([*holding, *alike]))[:count]


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return `did you mean X?`, or an empty text when nothing is close.

    >>> did_you_mean("Fien", ("Fine", "Coda"))
    'did you mean Fine?'
    """
    found = nearest(word, known, count=1)
    return f"did you mean {found[0]}?" if found else ""
