"""The JSON Schema of the chord map, the check of a map file, and the field reference."""

import json
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from generator.chordmap.model import FORMAT_VERSION, ChordMapFile
from generator.chordmap.reader import ChordMap
from generator.errors import ChordMapError

__all__ = ["SCHEMA_NAME", "field_reference", "schema_json", "shipped_schema", "validate_map"]

SCHEMA_NAME = "chordmap.schema.json"
_MAX_PROBLEMS = 20


def schema_json() -> str:
    """Return the JSON Schema (2020-12) of the chord map, made from the model."""
    schema = ChordMapFile.model_json_schema(mode="validation", by_alias=True)
    whole = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:chord-map:{FORMAT_VERSION}",
        **schema,
        "title": f"Chord map {FORMAT_VERSION}",
    }
    return json.dumps(whole, ensure_ascii=False, indent=2, sort_keys=True) + "\n"


def shipped_schema() -> str:
    """Return the schema that travels with the package."""
    return files("generator.chordmap").joinpath(SCHEMA_NAME).read_text(encoding="utf-8")


def validate_map(path: Path | str) -> ChordMap:
    """Check a chord map against the model, and its times against each other.

    Fields that this version does not know are an error, unless the file says that it has a newer
    minor version.

    Raises
    ------
    ChordMapError
        With one line a problem, each `file: field: what, what was got`.
    """
    loaded = ChordMap.load(path)  # the file, the version, the tiling
    text = Path(path).read_text(encoding="utf-8")
    try:
        ChordMapFile.model_validate_json(text)
    except ValidationError as error:
        newer = _newer_minor(text)
        faulty_lists = {problem["loc"][:1] for problem in error.errors() if problem["loc"][1:]}
        problems = [
            f"{path}: {_field_path(problem['loc'])}: {_lower_first(problem['msg'])}"
            + ("" if problem["type"] == "missing" else f", got {_shown(problem['input'])}")
            for problem in error.errors(include_url=False)
            if not (problem["type"] == "extra_forbidden" and newer)
            # a list of nothing but faulty entries counts as empty, which says nothing new
            and not (problem["type"] == "too_short" and problem["loc"] in faulty_lists)
        ]
        if problems:
            more = len(problems) - _MAX_PROBLEMS
            rest = [f"{path}: and {more} more"] if more > 0 else []
            raise ChordMapError("\n".join(problems[:_MAX_PROBLEMS] + rest)) from error
    return loaded


def _newer_minor(text: str) -> bool:
    minor = str(json.loads(text).get("version")).partition(".")[2]
    return minor.isdigit() and int(minor) > int(FORMAT_VERSION.partition(".")[2])


def _field_path(loc: tuple[int | str, ...]) -> str:
    """Write a place in the file the way that a reader would in a script.

    >>> _field_path(("chords", 3, "scales", 0, "name"))
    'chords[3].scales[0].name'
    """
    path = ""
    for part in loc:
        path += f"[{part}]" if isinstance(part, int) else f".{part}"
    return path.removeprefix(".") or "the whole file"


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


def _shown(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def field_reference() -> str:
    """Return the field-by-field tables of README.md, in Markdown, made from the schema."""
    schema = ChordMapFile.model_json_schema(mode="validation", by_alias=True)
    parts = [_table("Top level", schema)]
    titles = {
        "MadeBy": "`made_by`",
        "AudioFile": "`audio[]`",
        "CountIn": "`count_in`",
        "TempoChange": "`tempos[]`",
        "TempoWord": "`tempo_words[]`",
        "MeterChange": "`meters[]`",
        "KeyChange": "`keys[]`",
        "MapSection": "`sections[]`",
        "MapBar": "`bars[]`",
        "MapChord": "`chords[]`",
        "ScaleChoice": "`chords[].scales[]`",
        "WrittenChord": "`chords[].written`",
    }
    definitions = schema["$defs"]
    parts += [_table(title, definitions[name]) for name, title in titles.items()]
    return "\n".join(parts)


def _table(title: str, record: dict[str, Any]) -> str:
    lines = [f"### {title}", "", record["description"].split("\n\n")[0].replace("\n", " "), ""]
    lines += ["| field | type | unit | range | meaning | example |", "|---|---|---|---|---|---|"]
    required = record.get("required", [])
    for name, spec in record["properties"].items():
        optional = "" if name in required else " (optional)"
        example = json.dumps(spec["examples"][0], ensure_ascii=False) if "examples" in spec else ""
        cells = (
            f"`{name}`{optional}",
            _type(spec),
            spec.get("unit", spec.get("items", {}).get("unit", "")),
            ", ".join(_bounds(spec)),
            spec.get("description", ""),
            f"`{example}`" if example else "",
        )
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"


def _type(spec: dict[str, Any]) -> str:
    if "$ref" in spec:
        return "object"
    if "anyOf" in spec:
        return " or ".join(_type(choice) for choice in spec["anyOf"])
    if "const" in spec:
        return "text"
    names = {"string": "text", "integer": "whole number", "array": "list", "null": "null"}
    return names.get(spec["type"], str(spec["type"]))


def _bounds(spec: dict[str, Any]) -> Iterator[str]:
    spec = next((c for c in spec.get("anyOf", ()) if c.get("type") != "null"), spec)
    if "const" in spec:
        yield f"`{spec['const']}`"
    if "enum" in spec:
        yield ", ".join(f"`{value}`" if value else "empty" for value in spec["enum"])
    low, high = spec.get("minimum"), spec.get("maximum")
    if low is not None and high is not None:
        yield f"{low:g} to {high:g}"
    elif low is not None:
        yield f"from {low:g}"
    if "exclusiveMinimum" in spec:
        yield f"above {spec['exclusiveMinimum']:g}"
    if "pattern" in spec:
        yield f"`{spec['pattern']}`"
    if spec.get("type") == "array" and spec.get("minItems"):
        yield "not empty"
    if "items" in spec and "$ref" not in spec["items"]:
        yield from (f"each {bound}" for bound in _bounds(spec["items"]))
