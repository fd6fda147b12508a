"""What a pack is to hold, from the command line or from a `pack.toml` with the same words."""

import tomllib
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from generator.errors import OptionError
from generator.record import record

__all__ = ["PACK_FORMATS", "PackSpec", "read_pack_file"]

PACK_FORMATS = ("mp3", "midi", "map", "chart")


@record
class PackSpec:
    """The words of a pack, as written; empty tuples leave it to the charts.

    `keys`, `tempos` and `mutes` are read by `generator/pack/words.py`.
    """

    charts: tuple[str, ...]
    keys: tuple[str, ...] = ()
    tempos: tuple[str, ...] = ()
    mutes: tuple[str, ...] = ()
    styles: tuple[str, ...] = ()
    formats: tuple[str, ...] = PACK_FORMATS
    stems: bool = False
    seed: int = 1
    choruses: int | None = None
    count_in: int | None = None
    loudness: float = -18.0
    mix: str = "balanced"
    font: str | None = None


def read_pack_file(path: Path) -> PackSpec:
    """Read a `pack.toml`; charts are named relative to it.

    Raises
    ------
    OptionError
        If it cannot be read, or a word is unknown or of the wrong kind.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise OptionError(f"{path}: cannot be read: {error.strerror or error}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise OptionError(f"{path}: no TOML: {error}") from error
    known = {field.name: field.default for field in fields(PackSpec)}
    spec = PackSpec(charts=())
    for word, value in data.items():
        if word not in known:
            raise OptionError(f"{path}: {word}: no such word; a pack says {', '.join(known)}")
        spec = replace(spec, **{word: _value(path, word, value, getattr(spec, word))})
    if not spec.charts:
        raise OptionError(f'{path}: charts: name at least one, such as charts = ["tune.chart"]')
    return replace(spec, charts=tuple(str(path.parent / chart) for chart in spec.charts))


def _value(path: Path, word: str, value: Any, default: Any) -> Any:
    if isinstance(default, tuple):
        words = [value] if isinstance(value, str) else value
        if not isinstance(words, list) or not all(isinstance(w, str) for w in words):
            raise OptionError(f"{path}: {word}: a text or a list of texts, got {value!r}")
        if word == "charts":
            return tuple(words)
        return tuple(part.strip() for w in words for part in w.split(",") if part.strip())
    kinds: dict[str, type | tuple[type, ...]] = {
        "stems": bool,
        "loudness": (int, float),
        "mix": str,
        "font": str,
    }
    kind = kinds.get(word, int)
    if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
        raise OptionError(f"{path}: {word}: the wrong kind of value, {value!r}")
    return value
