"""Measure the trims of a SoundFont and print them as an object for catalogue.json.

    python soundfonts/measure_trims.py FONT.sf2

Needs chartbed installed. Each of the 128 programs and each drum kit plays a reference phrase; the
trim is what its loudness lacks to the common level (generator/sound/trims.py says how).
"""

import json
import sys
from pathlib import Path

from generator.errors import ChartbedError
from generator.sound.fonts import check_font
from generator.sound.sf2 import PERCUSSION_BANK
from generator.sound.synth import Synth
from generator.sound.trims import measure_trim


def main() -> int:
    """Measure the font named on the command line."""
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    try:
        font = check_font(Path(sys.argv[1]))
        trims_db = {}
        for bank, program in sorted(font.presets):
            if bank not in (0, PERCUSSION_BANK):
                continue
            # A synthesiser of its own for each: 15 melodic channels would not hold them all.
            with Synth(font.path, rate_hz=44_100) as synth:
                trim_db = measure_trim(synth, bank, program)
            trims_db[f"drums {program}" if bank else str(program)] = trim_db
        print(json.dumps(trims_db, indent=2))
    except ChartbedError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
