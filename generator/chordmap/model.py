"""The chord map as a pydantic model: the source of the JSON Schema and of the field reference.

The model is strict (no silent conversion), frozen, and refuses unknown fields and NaN. Names of
fields carry their unit: `_s` seconds from the first sample of the audio, `_tick` ticks from the
same moment (960 a quarter note), `_hz` hertz. Seconds are rounded to whole microseconds.

Versions: `FORMAT_VERSION` is `major.minor`. A minor version may add optional fields and add values
to open text; it never removes, renames or redefines a field. Anything else needs a new major.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from generator.chordmap import FORMAT_VERSION

__all__ = [
    "FORMAT_VERSION",
    "AudioFile",
    "ChordMapFile",
    "CountIn",
    "KeyChange",
    "MadeBy",
    "MapBar",
    "MapChord",
    "MapSection",
    "MeterChange",
    "ScaleChoice",
    "TempoChange",
    "TempoWord",
    "WrittenChord",
]

_NOTE = r"^[A-G](b{1,3}|#{1,3})?$"
_DEGREE = r"^(b{1,2}|#{1,2})?([1-9]|1[0-3])$"
_METER = r"^([1-9]|[12][0-9]|3[0-2])/(1|2|4|8|16|32)( \([1-9][0-9]?(\+[1-9][0-9]?)*\))?$"

Seconds = Annotated[float, Field(ge=0, json_schema_extra={"unit": "s"})]
Tick = Annotated[int, Field(ge=0, json_schema_extra={"unit": "tick"})]
Note = Annotated[str, Field(pattern=_NOTE)]
DegreeName = Annotated[str, Field(pattern=_DEGREE)]
MeterName = Annotated[str, Field(pattern=_METER)]
PitchClass = Annotated[int, Field(ge=0, le=11)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class _Record(BaseModel):
    model_config = ConfigDict(
        strict=True, frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True
    )


class MadeBy(_Record):
    """What made the map, so that it can be made again."""

    name: str = Field(description="Program that wrote the map.", examples=["chartbed"])
    version: str = Field(description="Version of that program.", examples=["0.1.0"])
    style: str = Field(
        description="Style that the band played; empty when there is none.",
        examples=["sixteenth-funk"],
    )
    seed: int = Field(description="Seed of the variation.", examples=[1])
    chart_sha256: str = Field(
        pattern=r"^([0-9a-f]{64})?$",
        description="SHA-256 of the chart text, in hex; empty when it did not come from a text.",
        examples=["3f1a" + "0" * 60],
    )


class AudioFile(_Record):
    """One audio file that the map describes, beside the map."""

    file: str = Field(description="File name, no folder.", examples=["brass-button.mp3"])
    part: str = Field(
        description="`mix`, or the part that this file holds: `drums`, `bass`, `pad`, `comp`.",
        examples=["mix"],
    )
    format: str = Field(description="Format, as the file name ends.", examples=["mp3"])
    sha256: Sha256 = Field(
        description="SHA-256 of the file's bytes, in hex.", examples=["9c56" + "0" * 60]
    )
    duration_s: Seconds = Field(description="Length when decoded.", examples=[184.5])
    sample_rate: int = Field(
        gt=0,
        description="Samples a second and channel.",
        examples=[44100],
        json_schema_extra={"unit": "Hz"},
    )
    start_offset_s: float = Field(
        description="Where time zero of the map lies in the decoded file; 0 unless the format "
        "delays the sound.",
        examples=[0.0],
        json_schema_extra={"unit": "s"},
    )


class CountIn(_Record):
    """The count-in before the music; all zero and empty when there is none."""

    beats: int = Field(ge=0, description="How many beats are counted.", examples=[4])
    start_s: Seconds = Field(description="First beat of the count.", examples=[0.0])
    end_s: Seconds = Field(description="Start of the music.", examples=[2.44898])
    beats_s: tuple[Seconds, ...] = Field(
        description="Each counted beat.", examples=[[0.0, 0.612245, 1.22449, 1.836735]]
    )


class TempoChange(_Record):
    """A tempo, from here to the next."""

    tick: Tick = Field(description="Where it starts.", examples=[0])
    time_s: Seconds = Field(description="When it starts.", examples=[0.0])
    quarter_bpm: float = Field(
        gt=0,
        description="Quarter notes a minute, from the whole microseconds a quarter that stand in "
        "the MIDI file.",
        examples=[98.000033],
        json_schema_extra={"unit": "1/min"},
    )


class TempoWord(_Record):
    """A word about the tempo, as printed in the chart."""

    tick: Tick = Field(description="Where it stands.", examples=[15360])
    time_s: Seconds = Field(description="When it stands.", examples=[9.795918])
    text: str = Field(description="The word.", examples=["rit."])


class MeterChange(_Record):
    """A meter, from here to the next."""

    bar: int = Field(ge=0, description="Played bar in which it starts.", examples=[1])
    tick: Tick = Field(description="Where it starts.", examples=[3840])
    time_s: Seconds = Field(description="When it starts.", examples=[2.44898])
    meter: MeterName = Field(
        description="As written; the lengths of the beats in parentheses where they are given.",
        examples=["7/8 (2+2+3)"],
    )
    beat_quarters: tuple[float, ...] = Field(
        description="Length of each beat in quarter notes.",
        examples=[[1.0, 1.0, 1.5]],
        json_schema_extra={"unit": "quarter"},
    )


class KeyChange(_Record):
    """A key, from here to the next."""

    bar: int = Field(ge=0, description="Played bar in which it starts.", examples=[1])
    tick: Tick = Field(description="Where it starts.", examples=[3840])
    time_s: Seconds = Field(description="When it starts.", examples=[2.44898])
    key: str = Field(description="Tonic and mode.", examples=["E minor"])
    fifths: int = Field(
        ge=-7,
        le=7,
        description="Key signature: sharps, or flats as a negative number.",
        examples=[1],
    )


class MapSection(_Record):
    """One played section of the form."""

    label: str = Field(description="Name as written; empty when unnamed.", examples=["A"])
    pass_: int = Field(
        ge=1,
        validation_alias="pass",
        serialization_alias="pass",
        description="How many times a section of this name has begun, from 1.",
        examples=[1],
    )
    first_bar: int = Field(ge=0, description="First played bar.", examples=[1])
    last_bar: int = Field(ge=0, description="Last played bar, included.", examples=[8])
    start_s: Seconds = Field(description="Start.", examples=[2.44898])
    end_s: Seconds = Field(description="End, where the next section starts.", examples=[22.040823])
    dynamics: Literal["pp", "p", "mp", "mf", "f", "ff"] = Field(
        description="Dynamic mark, soft to loud.", examples=["mf"]
    )


class MapBar(_Record):
    """One played bar."""

    number: int = Field(
        ge=0, description="Number as played; 0 is a pickup. The count-in has none.", examples=[1]
    )
    written: int = Field(ge=0, description="Number as written in the chart.", examples=[1])
    chorus: int = Field(ge=1, description="Which chorus this is, from 1.", examples=[1])
    section: int = Field(
        ge=0, description="Place of its section in `sections`, from 0.", examples=[0]
    )
    meter: MeterName = Field(description="Meter, as in `meters`.", examples=["4/4"])
    start_tick: Tick = Field(description="Start.", examples=[3840])
    end_tick: Tick = Field(description="End, where the next bar starts.", examples=[7680])
    start_s: Seconds = Field(description="Start.", examples=[2.44898])
    end_s: Seconds = Field(description="End, where the next bar starts.", examples=[4.89796])
    beats_s: tuple[Seconds, ...] = Field(
        description="Each beat of the meter; the first is `start_s`.",
        examples=[[2.44898, 3.061225, 3.67347, 4.285715]],
    )


class ScaleChoice(_Record):
    """A scale that holds every tone of the chord."""

    name: str = Field(description="Name, without the root.", examples=["dorian"])
    notes: tuple[Note, ...] = Field(
        description="Its notes from the chord's root up.",
        examples=[["E", "F#", "G", "A", "B", "C#", "D"]],
    )


class WrittenChord(_Record):
    """The same chord as a transposing instrument or a player with a capo reads it."""

    for_: str = Field(
        validation_alias="for",
        serialization_alias="for",
        description="Who reads it: `bb`, `eb`, `f` or `capo N`.",
        examples=["bb"],
    )
    symbol: str = Field(description="Symbol in normal form.", examples=["F#m9"])
    root: Note = Field(description="Root.", examples=["F#"])
    bass: Note | None = Field(
        description="Bass of a slash chord, null without a slash.", examples=[None]
    )
    notes: tuple[Note, ...] = Field(
        description="Chord tones in the order of `degrees`.",
        examples=[["F#", "A", "C#", "E", "G#"]],
    )


class MapChord(_Record):
    """What harmony holds from `start_s` to `end_s`. Chords tile the music without gap or overlap.

    Under `no-chord` (drums alone go on) and `rest` (the whole band is silent) root, bass and the
    lists are null or empty.
    """

    symbol: str = Field(
        description="Symbol in normal form; `N.C.` for no-chord, `r` for a rest.",
        examples=["Em9"],
    )
    kind: Literal["chord", "no-chord", "rest"] = Field(
        description="Whether a chord, drums alone, or silence.", examples=["chord"]
    )
    root: Note | None = Field(description="Root.", examples=["E"])
    bass: Note | None = Field(
        description="Bass of a slash chord, null without a slash.", examples=[None]
    )
    quality: str | None = Field(
        description="The symbol after its root, in normal form; empty for a major triad.",
        examples=["m9"],
    )
    degrees: tuple[DegreeName, ...] = Field(
        description="Degrees above the root.", examples=[["1", "b3", "5", "b7", "9"]]
    )
    notes: tuple[Note, ...] = Field(
        description="Chord tones, spelled, in the order of `degrees`.",
        examples=[["E", "G", "B", "D", "F#"]],
    )
    pitch_classes: tuple[PitchClass, ...] = Field(
        description="The same tones as pitch classes, 0 for C.", examples=[[4, 7, 11, 2, 6]]
    )
    harte: str = Field(
        min_length=1,
        description="The chord in the syntax of Harte et al. 2005; `N` where there is none.",
        examples=["E:min9"],
    )
    roman: str = Field(
        description="Roman numeral in the key; empty where there is no chord.", examples=["im9"]
    )
    key: str = Field(description="Key that holds here.", examples=["E minor"])
    guide_tones: tuple[Note, ...] = Field(
        description="Tones that tell the chord: third and seventh, or what stands for them.",
        examples=[["G", "D"]],
    )
    tensions: tuple[Note, ...] = Field(
        description="Tones outside the chord that sound well on it.", examples=[["A"]]
    )
    avoid: tuple[Note, ...] = Field(description="Tones not to hold on the chord.", examples=[["C"]])
    scales: tuple[ScaleChoice, ...] = Field(
        description="Scales that fit, best first.",
        examples=[[{"name": "dorian", "notes": ["E", "F#", "G", "A", "B", "C#", "D"]}]],
    )
    bar: int = Field(ge=0, description="Played bar in which it starts.", examples=[1])
    beat: float = Field(
        ge=1, description="Beat of that bar at which it is written, from 1.", examples=[1.0]
    )
    start_tick: Tick = Field(description="Written start.", examples=[3840])
    end_tick: Tick = Field(description="End, where the next is written.", examples=[7680])
    start_s: Seconds = Field(description="Written start.", examples=[2.44898])
    end_s: Seconds = Field(description="End, where the next is written.", examples=[4.89796])
    sounds_at_s: Seconds = Field(
        description="When the band strikes it: before `start_s` for a push, else the same.",
        examples=[2.44898],
    )
    articulation: Literal["", "hit", "ring", "fermata"] = Field(
        description="`hit` (then silence), `ring` (struck once and held), `fermata`, or empty.",
        examples=[""],
    )
    written: WrittenChord | None = Field(
        default=None,
        description="The chord for a transposing reader; absent unless asked for.",
        examples=[
            {
                "for": "bb",
                "symbol": "F#m9",
                "root": "F#",
                "bass": None,
                "notes": ["F#", "A", "C#", "E", "G#"],
            }
        ],
    )


class ChordMapFile(_Record):
    """A chord map: which chord, chord tones, bar and section at each moment of a track."""

    format: Literal["chord-map"] = Field(description="Always `chord-map`.", examples=["chord-map"])
    version: str = Field(
        pattern=r"^1\.(0|[1-9][0-9]*)$",
        description="Version of the format, `major.minor`.",
        examples=[FORMAT_VERSION],
    )
    title: str = Field(description="Title of the piece.", examples=["Brass Button"])
    composer: str = Field(description="Composer, or empty.", examples=[""])
    key: str = Field(description="Key at the start.", examples=["E minor"])
    tuning_hz: float = Field(
        gt=0,
        description="Concert pitch of A4.",
        examples=[440.0],
        json_schema_extra={"unit": "Hz"},
    )
    made_by: MadeBy = Field(description="What made the map.")
    audio: tuple[AudioFile, ...] = Field(
        description="Audio files that the map describes; empty when none was made."
    )
    count_in: CountIn = Field(description="The count-in; inside the audio, before bar 1.")
    tempos: tuple[TempoChange, ...] = Field(
        min_length=1, description="Tempos in order, the first at tick 0."
    )
    tempo_words: tuple[TempoWord, ...] = Field(
        default=(), description="Words about the tempo, in order."
    )
    meters: tuple[MeterChange, ...] = Field(min_length=1, description="Meters in order.")
    keys: tuple[KeyChange, ...] = Field(min_length=1, description="Keys in order.")
    sections: tuple[MapSection, ...] = Field(
        min_length=1, description="Played sections in order, without gap."
    )
    bars: tuple[MapBar, ...] = Field(min_length=1, description="Played bars in order, without gap.")
    chords: tuple[MapChord, ...] = Field(
        min_length=1, description="Chords in order, without gap or overlap."
    )
