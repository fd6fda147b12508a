r"""Put the practice page together: template, stylesheet, script, chord map and audio in one file.

Nothing in the page reaches for the network, and its Content-Security-Policy says so: only this
very script and this very stylesheet, named by their SHA-256, may run (CSP Level 3, W3C).
Text from a chart is inert: jinja2 escapes it in HTML, and in JSON every character that HTML or
JavaScript could read as more than text is written as a `\u` escape.
"""

import base64
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from generator.errors import ChordMapError, OptionError
from generator.handout.neck import FRETS, TUNINGS
from generator.handout.tempo import metronome_mark, note_words
from generator.record import record

__all__ = ["MAX_DURATION_S", "OtherTempo", "build_page"]

MAX_DURATION_S = 1800.0
"""A browser decodes all of the audio into memory, 10 MB a minute and more: half an hour at most."""

_FORMAT_NAME = "chord-map"
_MIX = "mix"
_PART_ORDER = ("drums", "bass", "pad", "comp")
_UNSAFE = {ord(c): f"\\u{ord(c):04x}" for c in "<>&'\u2028\u2029"}


@record
class OtherTempo:
    """The same track rendered at another tempo: its label and the page beside this one."""

    label: str
    file: str


def build_page(
    chord_map: Mapping[str, Any],
    audio: Mapping[str, tuple[str, bytes]],
    *,
    tempos: Sequence[OtherTempo] = (),
) -> str:
    """Return the practice page of a track as HTML text.

    Parameters
    ----------
    chord_map : mapping
        The chord map, as parsed JSON.
    audio : mapping of part to (media type, bytes)
        The sound: `mix`, or one entry a part for a page with a mixer. When parts are given the
        mix is left out, as it would only be the same again. The formats that start at the first
        sample in every browser are M4A (`audio/mp4`) and WAV (`audio/wav`).
    tempos : sequence of OtherTempo
        Pages of the same track at other tempos in the same folder, to link to.

    Raises
    ------
    ChordMapError
        If `chord_map` is not a chord map.
    OptionError
        If there is no audio, it is too long for a browser, or a tempo's file is not beside the
        page.
    """
    _check_map(chord_map)
    parts = _parts(chord_map, audio)
    for tempo in tempos:
        _check_beside(tempo.file)
    script, stylesheet = _resource("page.js"), _resource("page.css")
    html: str = _template().render(
        map=chord_map,
        facts=_facts(chord_map),
        parts=parts,
        tempos=[(tempo.label, quote(tempo.file)) for tempo in tempos],
        map_json=_inert_json(chord_map),
        necks_json=_inert_json(_necks()),
        script=script,
        stylesheet=stylesheet,
        script_hash=_csp_hash(script),
        stylesheet_hash=_csp_hash(stylesheet),
    )
    return html


def _check_map(chord_map: Mapping[str, Any]) -> None:
    if chord_map.get("format") != _FORMAT_NAME:
        raise ChordMapError(
            f"format: expected {_FORMAT_NAME!r}, got {chord_map.get('format')!r}; "
            "give a file that chartbed wrote (NAME.chordmap.json)"
        )
    for field in ("title", "bars", "chords", "sections", "count_in", "tempos", "meters"):
        if field not in chord_map or (field in ("bars", "chords") and not chord_map[field]):
            raise ChordMapError(f"{field}: missing or empty; a practice page needs it")
    end_s = chord_map["bars"][-1]["end_s"]
    if end_s > MAX_DURATION_S:
        raise OptionError(
            f"the track lasts {end_s / 60:.0f} minutes; a browser keeps all of a page's audio in "
            f"memory, so a page holds at most {MAX_DURATION_S / 60:.0f}: "
            "render fewer choruses or one section"
        )


def _parts(
    chord_map: Mapping[str, Any], audio: Mapping[str, tuple[str, bytes]]
) -> list[dict[str, Any]]:
    """Return what is inlined, in score order: name, media type, base64 text, offset in seconds."""
    if not audio:
        raise OptionError("a practice page needs audio: give the mix or the parts")
    names = [name for name in audio if name != _MIX] or [_MIX]
    rank = {name: place for place, name in enumerate(_PART_ORDER)}
    names.sort(key=lambda name: (rank.get(name, len(rank)), name))
    listed = {entry["part"]: entry for entry in chord_map.get("audio", ())}
    parts = []
    for name in names:
        media_type, content = audio[name]
        if not re.fullmatch(r"audio/[a-z0-9.+-]+", media_type):
            raise OptionError(f"the media type of {name!r} is no audio type: {media_type!r}")
        if not content:
            raise OptionError(f"the audio of {name!r} is empty; render it again")
        entry = listed.get(name, {})
        parts.append(
            {
                "name": name,
                "media_type": media_type,
                "base64": base64.b64encode(content).decode("ascii"),
                "offset_s": entry.get("start_offset_s", 0.0),
                "rate_hz": entry.get("sample_rate", 44_100),
            }
        )
    return parts


def _check_beside(name: str) -> None:
    if not name or "/" in name or "\\" in name or ":" in name:
        raise OptionError(f"{name!r} is not the name of a file beside the page")


def _facts(chord_map: Mapping[str, Any]) -> list[str]:
    """Return the line under the title: key, meter, tempo, style."""
    meter = chord_map["meters"][0]
    tempo = float(chord_map["tempos"][0]["quarter_bpm"])
    unit, count = metronome_mark(tempo, meter["beat_quarters"])
    facts = [
        re.sub(r"^([A-G])b", "\\1♭", re.sub(r"^([A-G])#", "\\1♯", str(chord_map.get("key", "")))),
        str(meter["meter"]),
        f"{note_words(unit)} = {count:.0f}",
        str(chord_map.get("made_by", {}).get("style", "")).replace("-", " "),
    ]
    return [fact for fact in facts if fact]


def _necks() -> dict[str, Any]:
    return {
        "frets": FRETS,
        "tunings": [
            {
                "name": tuning.name,
                "title": tuning.title,
                "instrument": tuning.instrument,
                "pitches": tuning.pitches,
                "names": tuning.note_names,
            }
            for tuning in TUNINGS
        ],
    }


def _inert_json(value: Any) -> str:
    r"""Return JSON that HTML cannot mistake for markup.

    >>> _inert_json("</script>")
    '"\\u003c/script\\u003e"'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.translate(_UNSAFE)


def _csp_hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def _resource(name: str) -> str:
    return files("generator.handout.page").joinpath(name).read_text(encoding="utf-8")


def _template() -> Any:
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(_resource("page.html.j2"))
