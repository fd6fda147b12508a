"""The words of a pack: keys, tempos and mutes as a teacher writes them, read into lists."""

import re
from fractions import Fraction

from generator.errors import OptionError
from generator.harmony.key import Key
from generator.harmony.transposition import key_after_semitones
from generator.pipeline.prepare import asked_key

__all__ = ["read_keys", "read_mutes", "read_tempos"]

_MAX_TEMPOS = 200
_RANGE = re.compile(r"\s*([\d.]+)(%?)\s*\.\.\s*([\d.]+)(%?)\s*:\s*([\d.]+)(%?)\s*")


def read_keys(words: tuple[str, ...], own: Key) -> tuple[Key, ...]:
    """Read `all` (twelve keys, upward from C), `circle` (by fifths from the own key) or names.

    `own` is the key of the chart: every key must be of its mode.

    Raises
    ------
    OptionError
        If a key cannot be read or is of another mode than the chart.

    Examples
    --------
    >>> from generator.harmony.key import parse_key
    >>> [key.name for key in read_keys(("circle",), parse_key("Em"))][:4]
    ['E minor', 'B minor', 'F# minor', 'C# minor']
    """
    if not words:
        return (own,)
    keys: list[Key] = []
    for word in words:
        if word == "all":
            from_c = [(tonic - own.tonic.pitch_class) % 12 for tonic in range(12)]
            keys += [key_after_semitones(own, semitones) for semitones in from_c]
        elif word == "circle":
            keys += [key_after_semitones(own, 7 * step % 12) for step in range(12)]
        else:
            keys.append(asked_key(word, own, option="--keys"))
    return tuple(dict.fromkeys(keys))


def read_tempos(words: tuple[str, ...]) -> tuple[str | None, ...]:
    """Read tempos: `80`, `q=98`, `75%`, or a range such as `60%..100%:10%`.

    Returns
    -------
    tuple of str or None
        Each as `render --tempo` takes it; None is the chart's own tempo.

    Raises
    ------
    OptionError
        If a range makes no sense.

    Examples
    --------
    >>> read_tempos(("60%..100%:20%",))
    ('60%', '80%', None)
    """
    if not words:
        return (None,)
    tempos: list[str | None] = []
    for word in words:
        match = _RANGE.fullmatch(word)
        tempos += _steps(word, match) if match else [word]
    return tuple(dict.fromkeys(None if tempo == "100%" else tempo for tempo in tempos))


def _steps(word: str, match: re.Match[str]) -> list[str | None]:
    remedy = "write from..to:step, such as 60%..100%:10% or 80..120:10"
    if not match[2] == match[4] == match[6]:
        raise OptionError(f"--tempos {word}: mixes percent and beats; {remedy}")
    try:
        low, high, step = (Fraction(match[n]) for n in (1, 3, 5))
    except ValueError as error:
        raise OptionError(f"--tempos {word}: not a number; {remedy}") from error
    if step <= 0 or high < low:
        raise OptionError(f"--tempos {word}: the range is empty; {remedy}")
    count = int((high - low) / step) + 1
    if count > _MAX_TEMPOS:
        raise OptionError(f"--tempos {word}: {count} tempos, at most {_MAX_TEMPOS}; {remedy}")
    return [f"{float(low + step * n):g}{match[2]}" for n in range(count)]


def read_mutes(words: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """Read mutes: `none` for the full band, `bass`, or `bass+comp` for two parts at once.

    >>> read_mutes(("none", "bass", "bass+pad"))
    ((), ('bass',), ('bass', 'pad'))
    """
    if not words:
        return ((),)
    mutes = [
        () if word == "none" else tuple(sorted({part.strip() for part in word.split("+")}))
        for word in words
    ]
    return tuple(dict.fromkeys(mutes))
