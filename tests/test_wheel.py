"""The wheel carries everything: installed alone, in a fresh environment, it renders."""

import re
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

from hatch_build import LIBRARY

ROOT = Path(__file__).parent.parent


def test_a_wheel_in_a_fresh_environment_renders_from_another_folder(tmp_path):
    # From the source archive, as from a package index: it has to hold what a build needs.
    archive = [sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", str(tmp_path)]
    subprocess.run(archive, cwd=ROOT, check=True, capture_output=True)
    (source,) = tmp_path.glob("chartbed-*.tar.gz")
    build = [sys.executable, "-m", "pip", "--disable-pip-version-check", "wheel", "--quiet"]
    subprocess.run(
        [*build, "--no-deps", "--no-build-isolation", "-w", str(tmp_path), str(source)], check=True
    )
    (wheel,) = tmp_path.glob("chartbed-*.whl")
    assert re.search(r"-py3-none-(linux|macosx|win)\w+\.whl$", wheel.name), wheel.name
    with zipfile.ZipFile(wheel) as files:
        native = {Path(n).name for n in files.namelist() if n.startswith("generator/sound/native/")}
    assert native == {"__init__.py", LIBRARY.name}
    # The dependencies are those of this environment: reached by a path file, not installed again.
    venv.create(tmp_path / "env", with_pip=False)
    python = tmp_path / "env" / "bin" / "python"
    ask = "import sysconfig; print(sysconfig.get_path('purelib'))"
    ours, theirs = (
        subprocess.run([p, "-c", ask], capture_output=True, text=True, check=True).stdout.strip()
        for p in (sys.executable, str(python))
    )
    subprocess.run(
        [sys.executable, "-m", "pip", "--disable-pip-version-check", "install", "--quiet",
         "--no-deps", "--target", theirs, str(wheel)],
        check=True,
    )  # fmt: skip
    (Path(theirs) / "dependencies.pth").write_text(f"{ours}\n")
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    code = (
        "import generator, generator.cli; print(generator.__file__); generator.cli.main(['demo'])"
    )
    done = subprocess.run(
        [str(python), "-I", "-c", code], cwd=folder, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(theirs), "the installed package ran, not the checkout"
    assert len(list((folder / "out").iterdir())) == 5
