"""Roman numerals: what a chord does in its key.

Notation
--------
* The numeral counts on the major scale of the tonic, in every mode: in C minor, Eb is bIII, Ab is
  bVI, Bb is bVII (as Nettles & Graf 1997 write minor). Lower case means a minor third.
* The quality follows as in the symbol, without `m`; diminished is `°`, half-diminished `ø`,
  augmented `+`: `ii7`, `Imaj7`, `viiø7`, `vii°7`, `i(maj7)`, `V7b9`.
* `V7/ii` is the dominant of ii, `vii°7/V` its leading-tone chord, `subV7/V` the tritone
  substitute (the dominant a semitone above its goal), `ii7/IV` the related second before `V7/IV`.
  The goal is a major or minor triad of the key other than its tonic.
* Borrowed chords carry their numeral: `iv6`, `bVII7`, `bVImaj7`; the Neapolitan is `bII`.
* The bass of a slash chord is left out: the numeral names the function.

A dominant on I (in major) or IV is heard as a blues colour (`I7`, `IV7`) unless its goal follows
and is no dominant seventh itself. A major triad on I in minor is the Picardy third, `I`, unless iv
follows. A tritone substitute, other than that of the tonic, is named so only when its goal follows.

Sources: Nettles & Graf 1997, chs. on secondary and substitute dominants; Aldwell, Schachter and
Cadwallader 2011, *Harmony and Voice Leading*, for applied leading-tone chords (both from memory).
"""

from generator.harmony.chord import Chord
from generator.harmony.key import Key
from generator.harmony.scales import is_dominant
from generator.harmony.spelling import Degree, NoteName

__all__ = ["roman_numeral"]

# By fifths from the tonic.
_NUMERALS = {
    -6: "bV",
    -5: "bII",
    -4: "bVI",
    -3: "bIII",
    -2: "bVII",
    -1: "IV",
    0: "I",
    1: "V",
    2: "II",
    3: "VI",
    4: "III",
    5: "VII",
    6: "#IV",
    7: "#I",
    8: "#V",
    9: "#II",
    10: "#VI",
    11: "#III",
}
_MINOR_THIRD = Degree(3, -1)
_FLAT_FIFTH = Degree(5, -1)
_SUFFIXES = (("m7b5", "ø7"), ("m9b5", "ø9"), ("m11b5", "ø11"), ("dim", "°"), ("aug", "+"))


def roman_numeral(chord: Chord, key: Key, following: Chord | None = None) -> str:
    """Return the roman numeral of a chord in a key.

    Parameters
    ----------
    following : Chord, optional
        The next chord, which decides between two readings of the same chord.

    >>> from generator.harmony.chord import parse_chord
    >>> from generator.harmony.key import parse_key
    >>> c, g7 = parse_key("C"), parse_chord("G7")
    >>> roman_numeral(parse_chord("A7"), c), roman_numeral(parse_chord("Ab7"), c, g7)
    ('V7/ii', 'subV7/V')
    """
    place = _place(chord.root, key)
    goals = _goals(key)
    leads_to = None if following is None else _place(following.root, key)
    return (
        _applied_dominant(chord, key, place, goals, following)
        or _substitute(chord, key, place, goals, leads_to)
        or _leading_tone(chord, key, place, goals, leads_to)
        or _related_second(chord, key, place, goals, following)
        or _numeral(chord, place) + _suffix(chord)
    )


def _place(note: NoteName, key: Key) -> int:
    """Return fifths above the tonic, within the numerals that are in use."""
    place = note.fifths - key.tonic.fifths
    while place < -6:
        place += 12
    while place > 11:
        place -= 12
    return place


def _goals(key: Key) -> dict[int, str]:
    """Return the numerals of the major and minor triads of the key, without the tonic's.

    The fifth step is V in every mode, for its triad is made major when it is a goal.
    """
    goals = {}
    notes = key.notes
    for i in range(1, 7):
        root, third, fifth = notes[i], notes[(i + 2) % 7], notes[(i + 4) % 7]
        place = root.fifths - key.tonic.fifths
        if fifth.fifths - root.fifths == Degree(5).fifths:
            minor = third.fifths - root.fifths == _MINOR_THIRD.fifths and place != 1
            goals[place] = _lower(_NUMERALS[place]) if minor else _NUMERALS[place]
    return goals


def _lower(numeral: str) -> str:
    return numeral.replace("V", "v").replace("I", "i")


def _applied_dominant(
    chord: Chord, key: Key, place: int, goals: dict[int, str], following: Chord | None
) -> str | None:
    goal = place - 1
    if not _dominant_like(chord) or goal not in goals:
        return None
    resolves = following is not None and _place(following.root, key) == goal
    has_seventh = is_dominant(chord)
    if _is_diatonic(chord, key) and not (resolves and has_seventh and place != 1):
        return None
    is_major = Degree(3) in _tonic_degrees(key)
    is_blues = place == -1 or (place == 0 and is_major)
    if is_blues and (following is None or not resolves or is_dominant(following)):
        return None
    if place == 0 and not (has_seventh or resolves):
        return None
    return f"V{_suffix(chord)}/{goals[goal]}"


def _substitute(
    chord: Chord, key: Key, place: int, goals: dict[int, str], leads_to: int | None
) -> str | None:
    if not is_dominant(chord) or Degree(3) not in chord.degrees or _is_diatonic(chord, key):
        return None
    if place == -5:
        return f"subV{_suffix(chord)}"
    goal = next((g for g in goals if (g - place - 5) % 12 == 0), None)
    if goal is None or leads_to != goal:
        return None
    return f"subV{_suffix(chord)}/{goals[goal]}"


def _leading_tone(
    chord: Chord, key: Key, place: int, goals: dict[int, str], leads_to: int | None
) -> str | None:
    goal = place - 5
    degrees = chord.upper_degrees
    if _MINOR_THIRD not in degrees or _FLAT_FIFTH not in degrees or goal not in goals:
        return None
    half = Degree(7, -1) in degrees  # the half-diminished has other uses, such as #ivø7
    if _is_diatonic(chord, key) or (half and leads_to != goal):
        return None
    return f"vii{_suffix(chord)}/{goals[goal]}"


def _related_second(
    chord: Chord, key: Key, place: int, goals: dict[int, str], following: Chord | None
) -> str | None:
    if following is None or Degree(7, -1) not in chord.upper_degrees:
        return None
    goal = place - 2
    is_second = _MINOR_THIRD in chord.upper_degrees and not _is_diatonic(chord, key)
    if not is_second or goal not in goals or not is_dominant(following):
        return None
    if _place(following.root, key) != place - 1:
        return None
    return f"ii{_suffix(chord)}/{goals[goal]}"


def _dominant_like(chord: Chord) -> bool:
    """Whether the chord is a dominant seventh, or a plain or augmented major triad."""
    return is_dominant(chord) or chord.quality in ("", "aug")


def _is_diatonic(chord: Chord, key: Key) -> bool:
    owned = set(key.pitch_classes)
    return all(
        (chord.root.pitch_class + degree.semitones) % 12 in owned
        for degree in chord.upper_degrees
        if degree.number <= 7
    )


def _tonic_degrees(key: Key) -> set[Degree]:
    third = key.notes[2].fifths - key.tonic.fifths
    return {Degree(3) if third == Degree(3).fifths else _MINOR_THIRD}


def _numeral(chord: Chord, place: int) -> str:
    numeral = _NUMERALS[place]
    if _MINOR_THIRD in chord.upper_degrees:
        return _lower(numeral)
    return numeral


def _suffix(chord: Chord) -> str:
    for written, sign in _SUFFIXES:
        if chord.quality.startswith(written):
            return sign + chord.quality.removeprefix(written)
    if _MINOR_THIRD in chord.upper_degrees:
        return chord.quality.removeprefix("m")
    return chord.quality
