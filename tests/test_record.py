"""Records against the standard library's frozen, slotted dataclasses (CPython's `dataclasses`)."""

import copy
import inspect
import pickle
from dataclasses import (
    FrozenInstanceError,
    asdict,
    dataclass,
    field,
    fields,
    is_dataclass,
    replace,
)

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.record import record


def declared() -> type:
    class Chord:
        """A chord."""

        root: str
        tones: tuple[int, ...] = ()
        names: list[str] = field(default_factory=list)
        text: str = field(default="", compare=False)
        remark: str = field(default="", repr=False, hash=False)
        kept: int = field(default=7, init=False, compare=False)
        made: list[int] = field(default_factory=list, init=False, compare=False)
        count: int = field(init=False, compare=False)
        bars: int = field(default=1, kw_only=True)

        def __post_init__(self) -> None:
            object.__setattr__(self, "count", len(self.tones))

        @property
        def first(self) -> int:
            return self.tones[0]

    Chord.__qualname__ = "Chord"
    return Chord


OURS = record(declared())
THEIRS = dataclass(frozen=True, slots=True)(declared())


@record
class Bare:
    """Has no field."""


@record
class Note:
    """Can be found by pickle."""

    pitch: int
    level: float = 0.5


@record(kw_only=True)
class Loud(Note):
    """Has one more field, and a repr of its own."""

    accent: bool = False

    def __repr__(self) -> str:
        return f"loud {self.pitch}"


@dataclass(frozen=True, slots=True)
class TheirNote:
    pitch: int
    level: float = 0.5


values = st.tuples(
    st.sampled_from("CG"),
    st.tuples() | st.tuples(st.integers(0, 2)),
    st.just([]),
    st.sampled_from("ab"),
    st.sampled_from("xy"),
)


@given(values, values)
def test_records_compare_and_show_themselves_as_dataclasses_do(one, other):
    assert (OURS(*one) == OURS(*other)) == (THEIRS(*one) == THEIRS(*other))
    assert repr(OURS(*one)) == repr(THEIRS(*one))
    assert asdict(OURS(*one)) == asdict(THEIRS(*one))


@given(st.builds(TheirNote, pitch=st.integers(), level=st.floats(allow_nan=False)))
def test_hashes_are_those_of_the_fields(theirs):
    assert hash(Note(theirs.pitch, theirs.level)) == hash(theirs)
    assert Note(theirs.pitch, theirs.level) != theirs


def test_a_list_in_a_record_has_no_hash():
    for made in (OURS, THEIRS):
        with pytest.raises(TypeError, match="unhashable type: 'list'"):
            hash(made("C"))


def test_signatures_are_the_same():
    ours, theirs = (inspect.signature(made) for made in (OURS, THEIRS))
    assert list(ours.parameters) == list(theirs.parameters)
    for mine, its in zip(ours.parameters.values(), theirs.parameters.values(), strict=True):
        assert (mine.kind, mine.annotation) == (its.kind, its.annotation)
        assert (mine.default is mine.empty) == (its.default is its.empty)


@pytest.mark.parametrize(
    ("arguments", "named"),
    [((), {}), (("C",) * 6, {}), (("C",), {"root": "C"}), (("C",), {"kept": 1})],
)
def test_wrong_arguments_fail_in_the_same_words(arguments, named):
    with pytest.raises(TypeError) as theirs:
        THEIRS(*arguments, **named)
    with pytest.raises(TypeError) as ours:
        OURS(*arguments, **named)
    said = [str(error.value).removeprefix("declared.<locals>.") for error in (ours, theirs)]
    assert said[0] == said[1]


def test_defaults_and_what_is_made_after_them():
    one, other = OURS("C", (1, 2), bars=3), OURS("C")
    assert (one.count, one.kept, one.bars, one.first, other.bars) == (2, 7, 3, 1, 1)
    assert one.names == one.made == []
    assert one.names is not other.names
    assert replace(one, tones=(5,)).count == 1


def test_a_record_is_a_dataclass_to_all_who_ask():
    assert is_dataclass(OURS)
    assert [one.name for one in fields(OURS)] == [one.name for one in fields(THEIRS)]
    assert OURS.__match_args__ == THEIRS.__match_args__
    assert OURS.__slots__ == THEIRS.__slots__
    assert not hasattr(OURS("C"), "__dict__")


# What is no field of theirs is a TypeError in CPython 3.11, by an oversight.
@pytest.mark.parametrize(("made", "name"), [(OURS, "root"), (THEIRS, "root"), (OURS, "other")])
def test_nothing_can_be_changed(made, name):
    chord = made("C")
    with pytest.raises(FrozenInstanceError, match=f"cannot assign to field '{name}'"):
        setattr(chord, name, "G")
    with pytest.raises(FrozenInstanceError, match=f"cannot delete field '{name}'"):
        delattr(chord, name)


@pytest.mark.parametrize("whole", [Note(60), Loud(pitch=1, accent=True), Bare()])
def test_pickles_and_copies_are_equal(whole):
    for protocol in range(2, pickle.HIGHEST_PROTOCOL + 1):
        assert pickle.loads(pickle.dumps(whole, protocol)) == whole
    assert copy.copy(whole) == copy.deepcopy(whole) == whole


def test_a_method_of_the_class_stays():
    assert repr(Loud(pitch=3)) == "loud 3"
    assert Loud(pitch=3) != Note(3)


def test_a_record_may_be_without_fields():
    assert repr(Bare()) == "Bare()"
    assert len({Bare(), Bare()}) == 1
