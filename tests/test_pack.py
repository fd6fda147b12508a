"""Packs: every combination, nothing twice, and a run that survives what may happen to it."""

import json
import os
import signal
import subprocess
import sys
import time
import zipfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from generator.errors import OptionError, PackError
from generator.files import sha256_of
from generator.harmony.key import parse_key
from generator.pack.local import run_here
from generator.pack.lock import LOCK, locked
from generator.pack.manifest import JOURNAL, MANIFEST, Journal, read_entries, stands
from generator.pack.plan import plan_pack
from generator.pack.run import run_pack
from generator.pack.spec import PackSpec, read_pack_file
from generator.pack.verify import verify_pack
from generator.pack.words import read_keys, read_mutes, read_tempos

CHART = """Title: {title}
Key: Em
Time: 3/4
Tempo: q=200
Style: jazz-waltz
[A] mf
| Em7 | A7 |
| Em6<> |
"""

QUICK = ("wav", "midi", "map")


@pytest.fixture
def chart(tmp_path):
    path = tmp_path / "tune.chart"
    path.write_text(CHART.format(title="Tall Grass"))
    return str(path)


def contents(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != LOCK
    }


def small(chart, **words):
    return plan_pack(PackSpec((chart,), formats=QUICK, **words))


def test_every_combination_has_a_folder_that_a_student_understands(chart):
    plan = small(chart, keys=("Em", "Gm"), tempos=("80%..100%:20%",), mutes=("none", "bass"))
    assert [track.folder for track in plan.tracks] == [
        f"Tall Grass/{key} {bpm} bpm/{band}"
        for bpm in (160, 200)
        for key in ("Em", "Gm")
        for band in ("full band", "no bass")
    ]
    assert len({track.job for track in plan.tracks}) == 8
    assert plan.duration_s > 8 * 3


def test_a_pack_holds_its_files_manifest_and_page_and_a_second_run_makes_nothing(chart, tmp_path):
    plan = small(chart, keys=("Em", "F#m"))
    report = run_pack(plan, tmp_path / "pack", jobs=2)
    assert (report.made, report.kept, report.failures) == (2, 0, ())
    manifest = json.loads((tmp_path / "pack" / MANIFEST).read_text())
    assert [track["key"] for track in manifest["tracks"]] == ["E minor", "F# minor"]
    for track in manifest["tracks"]:
        for file in track["files"]:
            path = tmp_path / "pack" / track["folder"] / file["name"]
            assert path.stat().st_size == file["size_bytes"]
            assert sha256_of(path) == file["sha256"]
    page = (tmp_path / "pack" / "index.html").read_text()
    assert page.count("<audio") == 2
    assert 'data-words="Tall Grass/Em 200 bpm E minor jazz-waltz"' in page
    assert "http" not in page.replace("https://www.w3.org", "")
    assert not (tmp_path / "pack" / JOURNAL).exists()
    before = contents(tmp_path / "pack")
    times = {name: (tmp_path / "pack" / name).stat().st_mtime_ns for name in before}
    again = run_pack(plan, tmp_path / "pack", jobs=2)
    assert (again.made, again.kept) == (0, 2)
    assert contents(tmp_path / "pack") == before
    sound = [name for name in before if name.endswith(".wav")]
    assert all((tmp_path / "pack" / name).stat().st_mtime_ns == times[name] for name in sound)


def test_one_tempo_more_makes_only_that_and_keeps_the_rest_in_the_manifest(chart, tmp_path):
    run_pack(small(chart), tmp_path / "pack")
    report = run_pack(small(chart, tempos=("100%", "50%")), tmp_path / "pack")
    assert (report.made, report.kept) == (1, 1)
    run_pack(small(chart, tempos=("75%",)), tmp_path / "pack")
    tracks = json.loads((tmp_path / "pack" / MANIFEST).read_text())["tracks"]
    assert [track["tempo"] for track in tracks] == ["50%", "75%", None]


def test_a_changed_chart_and_a_damaged_file_are_made_again(chart, tmp_path):
    run_pack(small(chart), tmp_path / "pack")
    (wav,) = (tmp_path / "pack").rglob("*.wav")
    whole = wav.read_bytes()
    wav.write_bytes(whole[:-1] + b"x")
    assert run_pack(small(chart), tmp_path / "pack").made == 1
    assert wav.read_bytes() == whole
    Path(chart).write_text(CHART.format(title="Tall Grass").replace("A7", "C7"))
    assert run_pack(small(chart), tmp_path / "pack").made == 1


def test_verify_names_what_is_wrong(chart, tmp_path):
    run_pack(small(chart), tmp_path / "pack")
    assert verify_pack(tmp_path / "pack") == (1, ())
    (wav,) = (tmp_path / "pack").rglob("*.wav")
    (midi,) = (tmp_path / "pack").rglob("*.mid")
    wav.write_bytes(b"short")
    midi.unlink()
    count, problems = verify_pack(tmp_path / "pack")
    assert count == 1
    assert any(".wav: not as it was made" in problem for problem in problems)
    assert any(".mid: missing" in problem for problem in problems)


def wait_for(condition, timeout_s=60):
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it took too long"
        time.sleep(0.02)


@pytest.fixture
def begin_pack(chart, start_chartbed):
    def begin(pack, *options):
        words = ("pack", chart, "-o", pack, "--formats", "wav,midi,map", *options)
        return start_chartbed(pack.parent, *words)

    return begin


def lines_of(path):
    return path.read_text().strip().splitlines() if path.exists() else []


def test_kill_9_in_the_middle_then_resume_redoes_nothing_that_stood(begin_pack, tmp_path):
    pack = tmp_path / "pack"
    process = begin_pack(pack, "--keys", "all", "--jobs", "1")
    wait_for(lambda: len(lines_of(pack / JOURNAL)) >= 2)
    process.kill()
    process.communicate()
    stood = {
        folder: {f["name"]: (pack / folder / f["name"]).stat().st_mtime_ns for f in entry["files"]}
        for folder, entry in read_entries(pack).items()
        if stands(pack, entry)
    }
    assert 2 <= len(stood) < 12
    done = begin_pack(pack, "--keys", "all", "--jobs", "2")
    out, errors = done.communicate(timeout=120)
    assert done.returncode == 0, errors
    kept = int(out.split(" made, ")[1].split()[0])
    assert kept >= len(stood)
    for folder, files in stood.items():
        for name, modified in files.items():
            assert (pack / folder / name).stat().st_mtime_ns == modified
    assert verify_pack(pack) == (12, ())
    assert not list(pack.rglob(".chartbed-unfinished-*"))


def test_an_interrupt_that_python_drops_comes_again():
    """As in a callback of the import system, where one was lost once."""
    script = """
import signal, sys, time, weakref
from generator.pack import local

signal.signal(signal.SIGTERM, local._interrupt)
sys.unraisablehook = local._try_again
found = type("Found", (), {})()
kept = weakref.ref(found, lambda _: signal.raise_signal(signal.SIGTERM))
del found
time.sleep(20)
print("went on")
"""
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (ended.returncode, ended.stdout, ended.stderr) == (128 + signal.SIGTERM, "", "")


def test_an_interrupt_leaves_whole_tracks_and_a_right_manifest(begin_pack, tmp_path):
    pack = tmp_path / "pack"
    process = begin_pack(pack, "--keys", "all", "--jobs", "2")
    wait_for(lambda: len(lines_of(pack / JOURNAL)) >= 1)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130, errors
    assert "Traceback" not in errors
    count, problems = verify_pack(pack)
    assert 1 <= count < 12
    assert problems == ()
    assert not list(pack.rglob(".chartbed-unfinished-*"))


def children_of(pid, word):
    """Return the children of a process in whose command a word stands."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            words = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(words[1]) == pid and word in (path.parent / "cmdline").read_bytes():
            found.append(int(path.parent.name))
    return found


@pytest.mark.parametrize("after_s", [0.0, 0.05, 0.1, 0.15, 0.2])
def test_ctrl_c_while_processes_are_started_leaves_no_trace(chart, tmp_path, after_s):
    """A terminal sends it to all of them at once, those that are just being born too."""
    words = ("pack", chart, "-o", tmp_path / "pack", "--formats", "wav", "--keys", "all")
    process = subprocess.Popen(
        [sys.executable, "-m", "generator.cli", *map(str, words), "--jobs", "2"],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    wait_for(lambda: children_of(process.pid, b"forkserver"))
    time.sleep(after_s)
    os.killpg(process.pid, signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    # Python ends by the signal itself where it came in code that is made from text, as dataclasses
    # are; to a shell that is 130 too.
    assert process.returncode in (130, -signal.SIGINT), errors
    assert "Traceback" not in errors


@pytest.mark.parametrize("victim", ["worker", "server"])
def test_a_process_that_is_killed_takes_nothing_along(begin_pack, tmp_path, victim):
    pack = tmp_path / "pack"
    process = begin_pack(pack, "--keys", "all", "--jobs", "2")
    wait_for(lambda: len(lines_of(pack / JOURNAL)) >= 1)
    (server,) = children_of(process.pid, b"forkserver")
    workers = children_of(server, b"forkserver")
    assert workers
    os.kill(workers[0] if victim == "worker" else server, signal.SIGKILL)
    _, errors = process.communicate(timeout=120)
    assert process.returncode == 0, errors
    assert verify_pack(pack) == (12, ())
    wait_for(lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers))


@pytest.mark.parametrize("error", [EOFError, ConnectionResetError, ConnectionRefusedError])
def test_a_server_that_ends_while_it_starts_a_process_takes_nothing_along(
    chart, tmp_path, monkeypatch, error
):
    submit, asked = ProcessPoolExecutor.submit, []

    def dies_slowly(self, *work):
        asked.append(work)
        if len(asked) <= 5:
            raise error
        return submit(self, *work)

    monkeypatch.setattr(ProcessPoolExecutor, "submit", dies_slowly)
    spec = PackSpec((chart,), formats=("midi",), keys=("Em", "Gm", "Am"))
    tracks = plan_pack(spec).tracks
    outcomes = list(run_here(tracks, tmp_path / "pack", 2))
    assert {outcome.error for _, outcome in outcomes} == {""}
    assert {track.folder for track, _ in outcomes} == {track.folder for track in tracks}
    assert len(asked) == len(tracks) + 5


def test_a_pack_whose_processes_never_start_says_so(chart, tmp_path, monkeypatch):
    monkeypatch.setattr("generator.pack.local._MOST_IN_VAIN", 20)

    def refuses(self, *work):
        raise ConnectionRefusedError

    monkeypatch.setattr(ProcessPoolExecutor, "submit", refuses)
    tracks = plan_pack(PackSpec((chart,), formats=("midi",), keys=("Em", "Gm"))).tracks
    outcomes = list(run_here(tracks, tmp_path / "pack", 2))
    assert [track for track, _ in outcomes] == list(tracks)
    assert {outcome.error for _, outcome in outcomes} == {"no process can be started"}


def test_a_failing_track_is_listed_and_the_rest_delivered(chart, tmp_path, run_chartbed):
    # A file stands where the folder of one track should be made.
    blocked = tmp_path / "pack" / "Tall Grass" / "Gm 200 bpm"
    blocked.parent.mkdir(parents=True)
    blocked.write_text("in the way")
    done = run_chartbed(
        tmp_path, "pack", chart, "--keys", "Em,Gm,Am", "--formats", "midi,map", "-o", "pack"
    )
    assert done.returncode == 1
    assert "1 could not be made" in done.stderr
    assert "Gm 200 bpm" in done.stderr
    assert "Traceback" not in done.stderr
    manifest = json.loads((tmp_path / "pack" / MANIFEST).read_text())
    assert [track["key"] for track in manifest["tracks"]] == ["A minor", "E minor"]
    assert [failure["folder"] for failure in manifest["failures"]] == ["Tall Grass/Gm 200 bpm"]
    assert blocked.read_text() == "in the way"


def test_a_full_disk_fails_the_tracks_and_leaves_no_half_file(chart, tmp_path, run_chartbed):
    import resource

    def small_files():
        resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))

    done = run_chartbed(
        tmp_path, "pack", chart, "--formats", "wav,map", "-o", "pack", preexec_fn=small_files
    )
    assert done.returncode == 1
    assert "free some space" in done.stderr
    assert not list((tmp_path / "pack").rglob("*.wav"))
    assert json.loads((tmp_path / "pack" / MANIFEST).read_text())["tracks"] == []


def test_the_cluster_gives_the_same_bytes_as_this_machine(chart, tmp_path):
    plan = small(chart, keys=("Em", "Cm"))
    run_pack(plan, tmp_path / "here", jobs=1)
    report = run_pack(plan, tmp_path / "there", jobs=2, cluster="local")
    assert report.made == 2
    here, there = contents(tmp_path / "here"), contents(tmp_path / "there")
    assert here.keys() == there.keys()
    for name in here:
        if name.endswith((".mid", ".chordmap.json")):
            assert here[name] == there[name], name
        elif name.endswith(".wav"):
            ours, _ = soundfile.read(tmp_path / "here" / name, dtype="int16")
            theirs, _ = soundfile.read(tmp_path / "there" / name, dtype="int16")
            assert np.array_equal(ours, theirs)
    assert verify_pack(tmp_path / "there") == (2, ())


def test_the_same_chart_twice_is_two_tracks_on_a_cluster_too(chart, tmp_path):
    plan = plan_pack(PackSpec((chart, chart), formats=("midi",)))
    assert len({track.job for track in plan.tracks}) == 1
    assert run_pack(plan, tmp_path / "pack", jobs=1, cluster="local").made == 2
    assert verify_pack(tmp_path / "pack") == (2, ())


def test_a_cluster_worker_that_dies_loses_nothing(chart, tmp_path):
    from dask.distributed import Client, LocalCluster

    plan = small(chart, keys=("all",))
    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
        ) as cluster,
        Client(cluster) as client,
    ):
        pids = list(client.run(os.getpid).values())
        killed = []

        def kill_one(done, total, folder):
            if done == 2 and not killed:
                killed.append(pids[0])
                os.kill(pids[0], signal.SIGKILL)

        report = run_pack(
            plan, tmp_path / "pack", cluster=cluster.scheduler_address, progress=kill_one
        )
    assert killed
    assert (report.made, report.failures) == (12, ())
    assert verify_pack(tmp_path / "pack") == (12, ())


def test_a_poisoned_cache_is_noticed_and_made_again(chart, tmp_path):
    cache = tmp_path / "notes"
    run_pack(small(chart), tmp_path / "first", cache=cache)
    kept = [path for path in cache.rglob("*") if path.is_file()]
    assert kept
    for number, path in enumerate(kept):
        data = bytearray(path.read_bytes())
        if number % 3 == 0:
            path.write_bytes(data[: len(data) // 2])  # cut short
        elif number % 3 == 1:
            path.write_bytes(b"")
        else:
            data[len(data) // 2] ^= 0x40  # one bit
            path.write_bytes(data)
    run_pack(small(chart), tmp_path / "second", cache=cache)
    first, second = contents(tmp_path / "first"), contents(tmp_path / "second")
    assert first == second
    run_pack(small(chart), tmp_path / "third", cache=cache)
    assert contents(tmp_path / "third") == first


def test_a_muted_mix_and_another_key_record_nothing_new_for_the_drums(chart, tmp_path):
    cache = tmp_path / "notes"
    run_pack(small(chart), tmp_path / "pack", cache=cache)
    recorded = {path: path.stat().st_ino for path in cache.rglob("*") if path.is_file()}
    run_pack(small(chart, mutes=("bass+comp+pad",), keys=("Am",)), tmp_path / "pack", cache=cache)
    after = {path: path.stat().st_ino for path in cache.rglob("*") if path.is_file()}
    assert after == recorded


def test_what_lies_beside_the_pack_stays(chart, tmp_path):
    (tmp_path / "empty folder of mine").mkdir()
    (tmp_path / ".unfinished-poem").mkdir()
    run_pack(small(chart), tmp_path, jobs=1)
    assert (tmp_path / "empty folder of mine").is_dir()
    assert (tmp_path / ".unfinished-poem").is_dir()


def test_an_absent_cluster_is_explained(chart, tmp_path):
    with pytest.raises(PackError, match="no scheduler answers there"):
        run_pack(small(chart), tmp_path / "pack", cluster="tcp://127.0.0.1:9")


def test_a_second_run_in_the_folder_is_refused_and_names_the_first(chart, tmp_path):
    pack = tmp_path / "pack"
    pack.mkdir()
    with locked(pack) as died:
        assert not died
        with pytest.raises(PackError, match=rf"another run.*process {os.getpid()} on"):
            run_pack(small(chart), pack)
    assert run_pack(small(chart), pack).made == 1


def test_the_lock_of_a_dead_run_is_recognised(tmp_path):
    code = (
        "import sys, pathlib, os, signal\n"
        "from generator.pack.lock import locked\n"
        "with locked(pathlib.Path(sys.argv[1])):\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)])
    assert (tmp_path / LOCK).read_text()
    with locked(tmp_path) as died:
        assert died


@pytest.mark.parametrize(
    "title",
    ["a/b\\c", "...", "Ünï çødé ☂", "x" * 300, "CON", "two  spaces", "<b>&amp;\"'"],
)
def test_any_title_makes_a_pack(tmp_path, title):
    path = tmp_path / "tune.chart"
    path.write_text(CHART.format(title=title), encoding="utf-8")
    plan = plan_pack(PackSpec((str(path),), formats=("midi", "map"), mutes=("none", "bass")))
    assert run_pack(plan, tmp_path / "pack", jobs=1).failures == ()
    assert verify_pack(tmp_path / "pack") == (2, ())
    page = (tmp_path / "pack" / "index.html").read_text(encoding="utf-8")
    assert "<b>&amp;" not in page.replace("&lt;b&gt;", "")


def test_two_charts_with_one_title_lie_apart(tmp_path):
    for name, title in (("a", "Tall Grass"), ("b", "tall grass")):
        (tmp_path / f"{name}.chart").write_text(CHART.format(title=title))
    spec = PackSpec((str(tmp_path / "a.chart"), str(tmp_path / "b.chart")), formats=("midi",))
    folders = [track.folder for track in plan_pack(spec).tracks]
    assert folders == ["Tall Grass/Em 200 bpm", "tall grass (2)/Em 200 bpm"]


def test_the_zip_holds_the_pack(chart, tmp_path, run_chartbed):
    done = run_chartbed(tmp_path, "pack", chart, "--formats", "midi,map", "-o", "class", "--zip")
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(tmp_path / "class.zip") as archive:
        assert archive.testzip() is None
        names = archive.namelist()
    assert "class/index.html" in names
    assert "class/manifest.json" in names
    assert not [name for name in names if LOCK in name]


def test_a_dry_run_shows_the_plan_and_writes_nothing(chart, tmp_path, run_chartbed):
    done = run_chartbed(
        tmp_path, "pack", chart, "--keys", "circle", "--tempos", "60%..100%:10%", "--dry-run"
    )
    assert done.stdout.startswith("60 tracks, ")
    assert [path.name for path in tmp_path.iterdir()] == ["tune.chart"]


@pytest.mark.parametrize("more", [(), ("--keys", "Q")], ids=["made", "refused"])
def test_a_pack_leaves_nothing_in_the_temporary_folder(chart, tmp_path, run_chartbed, more):
    temporary = tmp_path / "tmp"
    temporary.mkdir()
    formats = "--formats", "midi"
    done = run_chartbed(
        tmp_path, "pack", chart, *formats, *more, env=os.environ | {"TMPDIR": str(temporary)}
    )
    assert done.returncode == (2 if more else 0), done.stderr
    assert not list(temporary.iterdir())


def test_a_temporary_folder_with_a_long_name_holds_no_socket_and_is_no_fault(
    chart, tmp_path, run_chartbed
):
    """The name of a socket may have 107 bytes (unix(7)); processes are started without it."""
    temporary = tmp_path / ("t" * 120)
    temporary.mkdir()
    done = run_chartbed(
        *(tmp_path, "pack", chart, "--formats", "midi", "--keys", "Am,Em", "-o", "made"),
        env=os.environ | {"TMPDIR": str(temporary)},
    )
    assert done.returncode == 0, done.stderr
    assert len(list((tmp_path / "made").rglob("*.mid"))) == 2
    assert not list(temporary.iterdir())


def test_no_processes_are_too_few(chart, tmp_path, run_chartbed):
    done = run_chartbed(tmp_path, "pack", chart, "--jobs", "0")
    assert done.returncode == 2
    assert "--jobs takes 1 or more" in done.stderr
    assert not (tmp_path / "pack").exists()


def test_a_pack_file_says_the_same_words(chart, tmp_path, run_chartbed):
    (tmp_path / "pack.toml").write_text(
        'charts = ["tune.chart"]\nkeys = "Em, Gm"\nformats = ["midi", "map"]\nmutes = "none,bass"\n'
    )
    done = run_chartbed(tmp_path, "pack", "pack.toml", "-o", "out")
    assert done.returncode == 0, done.stderr
    assert verify_pack(tmp_path / "out") == (4, ())


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("keys = 3\ncharts = ['a']", "keys: a text or a list of texts, got 3"),
        ("charts = ['a']\nkyes = 'all'", "kyes: no such word"),
        ("charts = ['a']\nseed = 'x'", "seed: the wrong kind of value"),
        ("keys = 'all'", "charts: name at least one"),
        ("charts = [", "no TOML"),
    ],
)
def test_a_wrong_pack_file_is_explained(tmp_path, text, message):
    (tmp_path / "pack.toml").write_text(text)
    with pytest.raises(OptionError, match=message):
        read_pack_file(tmp_path / "pack.toml")


def test_words_of_keys_tempos_and_mutes():
    own = parse_key("Bb")
    assert len(read_keys(("all",), own)) == 12
    assert len(read_keys(("all", "circle"), own)) == 12
    assert [key.tonic.name for key in read_keys(("all",), own)][:3] == ["C", "Db", "D"]
    assert read_keys((), own) == (own,)
    assert read_tempos(("80..100:10",)) == ("80", "90", "100")
    assert read_mutes(("none", "bass+pad")) == ((), ("bass", "pad"))


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("60%..100:10",), "mixes percent and beats"),
        (("100%..60%:10%",), "the range is empty"),
        (("60%..100%:0%",), "the range is empty"),
        (("1%..100%:0.1%",), "at most 200"),
        (("60..1.2.3:1",), "not a number"),
    ],
)
def test_a_wrong_range_of_tempos_is_explained(words, message):
    with pytest.raises(OptionError, match=message):
        read_tempos(words)


@given(st.integers(1, 300), st.integers(0, 40), st.integers(1, 20))
def test_a_range_holds_its_ends_and_even_steps(low, steps, step):
    tempos = read_tempos((f"{low}..{low + steps * step}:{step}",))
    assert [int(tempo) for tempo in tempos] == [low + step * n for n in range(steps + 1)]


def test_a_torn_line_of_the_journal_is_skipped(tmp_path):
    journal = Journal(tmp_path)
    journal.add({"folder": "a", "files": []})
    journal.close()
    with (tmp_path / JOURNAL).open("a") as file:
        file.write('{"folder": "b", "fil')
    journal = Journal(tmp_path)
    journal.add({"folder": "c", "files": []})
    journal.close()
    assert set(read_entries(tmp_path)) == {"a", "c"}
