"""A pack as one ZIP file beside its folder."""

import zipfile
from pathlib import Path

from generator.files import staged_folder
from generator.pack.lock import LOCK

__all__ = ["zip_pack"]

_STORED = (".mp3", ".m4a", ".ogg", ".opus", ".flac")
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the same pack gives the same archive


def zip_pack(pack: Path) -> Path:
    """Write `PACK.zip` beside the folder, whole or not at all, and return its path."""
    target = pack.resolve().with_name(f"{pack.resolve().name}.zip")
    with staged_folder(target.parent) as stage:
        with zipfile.ZipFile(stage / target.name, "w") as archive:
            for path in sorted(path for path in pack.rglob("*") if path.is_file()):
                name = f"{pack.resolve().name}/{path.relative_to(pack).as_posix()}"
                if path.name == LOCK:
                    continue
                info = zipfile.ZipInfo(name, _EPOCH)
                info.external_attr = 0o644 << 16
                stored = path.suffix in _STORED
                info.compress_type = zipfile.ZIP_STORED if stored else zipfile.ZIP_DEFLATED
                with path.open("rb") as source, archive.open(info, "w") as copy:
                    while block := source.read(1 << 20):
                        copy.write(block)
    return target
