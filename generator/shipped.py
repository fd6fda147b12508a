"""Where the data files that travel with the package lie."""

from pathlib import Path

__all__ = ["soundfonts_folder", "styles_folder"]


def styles_folder() -> Path:
    """Return the folder of the style files, one TOML file a style."""
    return _folder("styles")


def soundfonts_folder() -> Path:
    """Return the folder of the font catalogue, where a user may also drop a font."""
    return _folder("soundfonts")


def _folder(name: str) -> Path:
    # A wheel carries the folders inside the package; a checkout has them beside it.
    package = Path(__file__).parent
    installed = package / "shipped_data" / name
    return installed if installed.is_dir() else package.parent / name
