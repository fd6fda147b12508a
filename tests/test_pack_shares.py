"""Tracks of a pack are handed out once each, those with the same drums to the same process."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.pack.plan import PlannedTrack
from generator.pack.shares import Shares
from generator.pipeline.options import RenderOptions


def track(tempo: str, key: str) -> PlannedTrack:
    options = RenderOptions(key=key, tempo=tempo)
    return PlannedTrack("Tall Grass", f"{key} {tempo}", key, "| C |", options, 1.0, "")


def tracks(tempos: str, keys: str = "CDEF") -> list[PlannedTrack]:
    return [track(f"{tempo}0%", key) for tempo in tempos for key in keys]


def taken(shares: Shares, processes: str) -> dict[str, list[str]]:
    """Return what each process gets when they ask in this order."""
    found: dict[str, list[str]] = {}
    for process in processes:
        one = shares.next(process)
        found.setdefault(process, []).append(one.folder if one else "")
    return found


def test_each_process_stays_with_its_tempo_and_the_second_begins_at_the_other_end():
    assert taken(Shares(tracks("67")), "abab" + "aa") == {
        "a": ["C 60%", "D 60%", "E 60%", "F 60%"],
        "b": ["F 70%", "E 70%"],
    }


def test_who_has_done_its_own_begins_the_next_and_then_helps_with_the_longest():
    shares = Shares(tracks("678", "CDE"))
    assert taken(shares, "ab" + "aaa" + "aa" + "a" + "b") == {
        "a": ["C 60%", "D 60%", "E 60%", "C 80%", "D 80%", "E 80%", "C 70%"],
        "b": ["E 70%", "D 70%"],
    }
    assert shares.left == 0
    assert shares.next("a") is shares.next("b") is shares.next("c") is None


def test_one_tempo_is_shared_by_all():
    assert taken(Shares(tracks("6")), "abab") == {"a": ["C 60%", "D 60%"], "b": ["F 60%", "E 60%"]}


def test_no_track_is_no_share():
    assert Shares([]).next("a") is None


@given(st.integers(1, 4), st.integers(1, 5), st.lists(st.sampled_from("abc"), max_size=30))
def test_every_track_is_handed_out_once(tempos, keys, asking):
    all_tracks = tracks("6789"[:tempos], "CDEFG"[:keys])
    shares = Shares(all_tracks)
    got = []
    for left, process in zip(range(len(all_tracks), 0, -1), asking, strict=False):
        assert shares.left == left
        got.append(shares.next(process))
    while shares.left:
        got.append(shares.next("d"))
    assert sorted(one.folder for one in got) == sorted(one.folder for one in all_tracks)


@pytest.mark.parametrize("other", [{"style": "bossa-nova"}, {"tempo": "70%"}])
def test_another_style_or_tempo_has_other_drums(other):
    first, *_ = tracks("6")
    options = RenderOptions(**({"key": "D", "tempo": "60%"} | other))
    second = PlannedTrack("", "other", "", first.chart_text, options, 1.0, "")
    assert taken(Shares([first, second]), "ab") == {"a": ["C 60%"], "b": ["other"]}
    assert taken(Shares([first, second]), "aa") == {"a": ["C 60%", "other"]}
