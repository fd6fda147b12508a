"""Chord symbols with their tones on C, written by hand: the expectation of several tests.

Degrees by common practice (no single source); an eleventh on a dominant keeps its third in the
list of tones, though a band leaves it out. The third column says what music21 10.5 makes of the
symbol: "=" the same pitch classes, "x" other ones, "-" it refuses to read it.
"""

CHORDS = """
(major)     1 3 5                =
m           1 b3 5               =
min         1 b3 5               =
-           1 b3 5               x
mi          1 b3 5               -
maj         1 3 5                =
M           1 3 5                =
5           1 5                  =
no3         1 5                  -
aug         1 3 #5               =
+           1 3 #5               =
dim         1 b3 b5              =
o           1 b3 b5              =
°           1 b3 b5              -
sus2        1 2 5                =
sus4        1 4 5                =
sus         1 4 5                =
6           1 3 5 6              =
m6          1 b3 5 6             =
6/9         1 3 5 6 9            -
69          1 3 5 6 9            x
m6/9        1 b3 5 6 9           -
6add9       1 3 5 6 9            =
7           1 3 5 b7             =
maj7        1 3 5 7              =
M7          1 3 5 7              =
ma7         1 3 5 7              -
Maj7        1 3 5 7              -
Δ7          1 3 5 7              -
Δ           1 3 5 7              -
j7          1 3 5 7              -
m7          1 b3 5 b7            =
min7        1 b3 5 b7            =
-7          1 b3 5 b7            x
mi7         1 b3 5 b7            -
mM7         1 b3 5 7             =
mMaj7       1 b3 5 7             -
m(maj7)     1 b3 5 7             -
mmaj7       1 b3 5 7             -
minmaj7     1 b3 5 7             =
m7b5        1 b3 b5 b7           =
ø7          1 b3 b5 b7           =
ø           1 b3 b5 b7           -
m7(b5)      1 b3 b5 b7           -
dim7        1 b3 b5 bb7          =
o7          1 b3 b5 bb7          =
°7          1 b3 b5 bb7          -
+7          1 3 #5 b7            =
aug7        1 3 #5 b7            =
7#5         1 3 #5 b7            =
7+5         1 3 #5 b7            -
7b5         1 3 b5 b7            =
maj7#5      1 3 #5 7             =
+M7         1 3 #5 7             =
maj7b5      1 3 b5 7             =
7sus4       1 4 5 b7             =
7sus        1 4 5 b7             =
9sus4       1 4 5 b7 9           -
9sus        1 4 5 b7 9           -
13sus4      1 4 5 b7 9 13        -
7sus2       1 2 5 b7             -
7susb9      1 4 5 b7 b9          =
7sus4b9     1 4 5 b7 b9          =
add9        1 3 5 9              =
add2        1 2 3 5              =
madd9       1 b3 5 9             =
(add9)      1 3 5 9              -
add11       1 3 5 11             =
add4        1 3 11 5             =
2           1 2 3 5              x
9           1 3 5 b7 9           =
maj9        1 3 5 7 9            -
M9          1 3 5 7 9            =
m9          1 b3 5 b7 9          =
mMaj9       1 b3 5 7 9           -
11          1 3 5 b7 9 11        =
m11         1 b3 5 b7 9 11       =
maj11       1 3 5 7 9 11         -
13          1 3 5 b7 9 13        x
maj13       1 3 5 7 9 13         -
m13         1 b3 5 b7 9 11 13    =
7b9         1 3 5 b7 b9          =
7#9         1 3 5 b7 #9          =
7#11        1 3 5 b7 #11         =
7b13        1 3 5 b7 b13         =
9#11        1 3 5 b7 9 #11       =
13#11       1 3 5 b7 9 #11 13    x
13b9        1 3 5 b7 b9 13       x
7b9#9       1 3 5 b7 b9 #9       =
7b9b13      1 3 5 b7 b9 b13      =
7#5#9       1 3 #5 b7 #9         =
7(b9,#11)   1 3 5 b7 b9 #11      -
7alt        1 3 b7 b9 #9 b5 b13  -
alt         1 3 b7 b9 #9 b5 b13  -
maj7#11     1 3 5 7 #11          =
maj9#11     1 3 5 7 9 #11        -
Δ7#11       1 3 5 7 #11          -
m7add11     1 b3 5 b7 11         =
m7b9        1 b3 5 b7 b9         =
9b5         1 3 b5 b7 9          =
9#5         1 3 #5 b7 9          =
m9b5        1 b3 b5 b7 9         =
7add13      1 3 5 b7 13          =
7no3        1 5 b7               -
7no5        1 3 b7               -
6sus4       1 4 5 6              -
dim(maj7)   1 b3 b5 7            -
°M7         1 b3 b5 7            -
m11b5       1 b3 b5 b7 9 11      =
ø11         1 b3 b5 b7 9 11      =
maj9sus4    1 4 5 7 9            -
/E          3 1 5                =
m7/Bb       b7 1 b3 5            -
/D          9 1 3 5              =
"""

ROWS = [
    (suffix.replace("(major)", ""), tuple(degrees), verdict)
    for suffix, *degrees, verdict in (line.split() for line in CHORDS.strip().splitlines())
]

_SEMITONES = {1: 0, 2: 2, 3: 4, 4: 5, 5: 7, 6: 9, 7: 11, 9: 2, 11: 5, 13: 9}


def pitch_classes_on_c(degrees: tuple[str, ...]) -> set[int]:
    """Return the pitch classes of degree names above C, counted apart from the package."""
    found = set()
    for name in degrees:
        number = int(name.lstrip("b#"))
        found.add((_SEMITONES[number] + name.count("#") - name.count("b")) % 12)
    return found
