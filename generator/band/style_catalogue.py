"""Which styles there are, read without validating them: quick enough for `check` and `styles`."""

import difflib
import tomllib
from pathlib import Path
from typing import Any

from generator.errors import StyleError
from generator.shipped import styles_folder

__all__ = ["find_style", "style_catalogue", "style_names"]


def style_names() -> tuple[str, ...]:
    """Return the names of the styles that travel with the package, sorted."""
    return tuple(sorted(path.stem for path in styles_folder().glob("*.toml")))


def style_catalogue() -> list[dict[str, Any]]:
    """Return one entry a style, ready for JSON.

    Returns
    -------
    list of dict
        ``name``, ``meter`` (the first one), ``meters`` (all), ``tempo`` ([low, high]),
        ``tempo_unit`` (the note that the tempo counts, such as "q" or "q."), ``feel`` and
        ``description``; sorted by name.

    Raises
    ------
    StyleError
        If a style file is no TOML.
    """
    entries = []
    for name in style_names():
        path = styles_folder() / f"{name}.toml"
        try:
            data = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
            raise StyleError(f"{path}: no TOML file: {fault}; correct it or delete it") from fault
        meters = data.get("meters", [])
        entries.append(
            {
                "name": name,
                "meter": meters[0] if meters else "any",
                "meters": meters,
                "tempo": data.get("tempo", []),
                "tempo_unit": data.get("tempo_unit", "q"),
                "feel": data.get("feel", ""),
                "description": data.get("description", ""),
            }
        )
    return entries


def find_style(name_or_path: str) -> Path:
    """Return the file of a style, given its name or a path to a `.toml` file.

    Raises
    ------
    StyleError
        If there is none; the message holds the nearest names.
    """
    if name_or_path.endswith(".toml"):
        path = Path(name_or_path)
        if not path.is_file():
            raise StyleError(f"{name_or_path}: there is no such style file; check the path")
        return path
    names = style_names()
    if name_or_path in names:
        return styles_folder() / f"{name_or_path}.toml"
    close = difflib.get_close_matches(name_or_path.lower(), names, n=3, cutoff=0.45)
    words = {word for word in name_or_path.lower().split("-") if len(word) > 2}
    close += [n for n in names if n not in close and words & set(n.split("-"))][: 3 - len(close)]
    hint = f"nearest: {', '.join(close)}" if close else f"choose from: {', '.join(names)}"
    raise StyleError(f"unknown style {name_or_path!r}; {hint}")
