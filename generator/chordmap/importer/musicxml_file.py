"""Open a MusicXML file, plain (`.musicxml`) or compressed (`.mxl`)."""

import io
import zipfile
from xml.etree.ElementTree import Element, ParseError, fromstring

from generator.errors import ImportFileError

__all__ = ["open_score"]

_MAX_XML_BYTES = 64 * 2**20


def open_score(content: bytes) -> Element:
    """Return the root of a MusicXML file, plain or compressed.

    Raises
    ------
    ImportFileError
        If it is no XML, declares entities, or is a score by measures.
    """
    if content[:2] == b"PK":
        content = _unpacked(content)
    if b"<!ENTITY" in content:
        raise ImportFileError("entities are declared in it: save it without them")
    try:
        score = fromstring(content)
    except (ParseError, ValueError, LookupError) as error:
        raise ImportFileError(f"not XML: {error}") from error
    if score.tag == "score-timewise":
        raise ImportFileError("a score by measures (score-timewise): save it as score-partwise")
    if score.tag != "score-partwise":
        raise ImportFileError(f"not MusicXML: the root is <{score.tag[:40]}>")
    return score


def _unpacked(content: bytes) -> bytes:
    """Return the score inside a compressed file, as its container names it."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            container = fromstring(_member(archive, "META-INF/container.xml"))
            root = next(e for e in container.iter() if e.tag.rpartition("}")[2] == "rootfile")
            return _member(archive, root.get("full-path") or "")
    except (zipfile.BadZipFile, KeyError, StopIteration, ParseError, NotImplementedError,
            RuntimeError) as error:  # fmt: skip
        raise ImportFileError(f"not compressed MusicXML: {error}") from error


def _member(archive: zipfile.ZipFile, name: str) -> bytes:
    info = archive.getinfo(name)
    if info.file_size > _MAX_XML_BYTES:
        raise ImportFileError(f"{name} would unpack to {info.file_size} bytes; split the score")
    data = archive.read(info)
    if b"<!ENTITY" in data:
        raise ImportFileError(f"entities are declared in {name}: save it without them")
    return data
