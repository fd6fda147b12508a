"""The practice page in a browser, from `file://`, with real playback."""

import base64
import itertools
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from page_tools import (
    CHORUS,
    CHROMIUM,
    CHROMIUM_FLAGS,
    RATE_HZ,
    chord_map_of,
    coded_sound,
    opened,
    wav_bytes,
    written_page,
)
from playwright.sync_api import Browser, Page, sync_playwright

from generator.handout.neck import (
    ChordTone,
    chord_tones,
    motions,
    tones_on_neck,
    tuning_named,
)
from generator.handout.page import build_page

# Playback is real: two browsers at once on a small machine would get in each other's way.
pytestmark = pytest.mark.xdist_group("browser")

AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"

# Note at every frame what is shown and what is heard: the loudest pitch in the last 23 ms.
WATCH = """
() => {
  const { player } = practice;
  const ear = new AnalyserNode(player.context, { fftSize: 1024, smoothingTimeConstant: 0 });
  player.master.connect(ear);
  const bins = new Float32Array(ear.frequencyBinCount);
  window.seen = [];
  const look = () => {
    ear.getFloatFrequencyData(bins);
    const loudest = bins.indexOf(Math.max(...bins));
    seen.push({
      clock_s: player.context.currentTime,
      latency_s: player.context.outputLatency || 0,
      shown: Number(document.getElementById("now").dataset.chord),
      band: Number(document.querySelector(".cell.on")?.dataset.chord ?? -1),
      heard: bins[loudest] < -70 ? -1
        : Math.round((loudest * player.context.sampleRate / 1024 - 400) / 200),
    });
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}
"""

# Record what leaves the master, sample for sample, on the audio thread.
RECORD = """
async () => {
  const { context, master } = practice.player;
  const code = `registerProcessor("recorder", class extends AudioWorkletProcessor {
    process([input]) {
      if (input[0]) this.port.postMessage([currentFrame, input[0].slice()]);
      return true;
    }
  })`;
  await context.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(code)}`);
  const node = new AudioWorkletNode(context, "recorder");
  window.recorded = [];
  node.port.onmessage = ({ data }) => recorded.push(data);
  master.connect(node);
}
"""
RECORDING = """
() => {
  const first = recorded[0][0];
  const all = new Float32Array(recorded.at(-1)[0] + 128 - first);
  for (const [frame, block] of recorded) all.set(block, frame - first);
  return encode(all);
}
"""
ENCODE = """
() => { window.encode = (floats) => {
  const bytes = new Uint8Array(floats.buffer, floats.byteOffset, floats.byteLength);
  let text = "";
  for (let i = 0; i < bytes.length; i += 8192) {
    text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  }
  return btoa(text);
} }
"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    assert Path(CHROMIUM).exists(), "chromium is absent: run `make test`, which installs it"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(CHROMIUM_FLAGS))
        yield started
        started.close()


def floats(text: str) -> NDArray[np.float32]:
    return np.frombuffer(base64.b64decode(text), dtype="<f4")


def play(page: Page) -> None:
    page.click("#play")
    page.wait_for_selector("body.playing")


def wait_until(page: Page, condition: str, timeout_s: float = 40.0) -> None:
    """Poll a condition; `wait_for_function` would need `eval`, which the page forbids."""
    deadline = time.monotonic() + timeout_s
    while not page.evaluate(condition):
        assert time.monotonic() < deadline, f"not within {timeout_s} s: {condition}"
        page.wait_for_timeout(50)


def frames_out_of_step(
    seen: list[dict[str, Any]], changes_s: dict[int, float]
) -> list[tuple[str, dict[str, Any]]]:
    """Return the frames that show, or let hear, a chord more than 60 ms from where it sounds.

    `changes_s` says when each chord starts, from where playing began. Each frame is judged by
    its own clock, so that one which a busy machine draws late is judged late, and not the chord.
    """
    first_s: dict[int, float] = {}
    for frame in seen:
        first_s.setdefault(frame["heard"], frame["clock_s"])
    start_s = min(first_s[chord] - changes_s[chord] for chord in changes_s if chord in first_s)

    def sounding(at_s: float) -> int:
        return max((chord for chord in changes_s if changes_s[chord] <= at_s), default=-1)

    wrong = []
    # The ear hears nothing in its first frames: it has not been filled yet.
    for frame in itertools.dropwhile(lambda frame: frame["heard"] < 0, seen):
        played_s = frame["clock_s"] - start_s
        for key, at_s in (
            ("heard", played_s),
            ("shown", played_s - min(1.0, frame["latency_s"])),
        ):
            near = range(sounding(at_s - 0.06), sounding(at_s + 0.06) + 1)
            if at_s > 0.06 and frame[key] not in near:
                wrong.append((key, frame))
    return wrong


def test_highlight_follows_the_sound_over_a_chorus(browser: Browser, tmp_path: Path) -> None:
    """Shown chord and sounding chord change within 60 ms of each other, and as the map says."""
    path, chord_map = written_page(tmp_path)
    chords = [i for i, chord in enumerate(chord_map["chords"]) if chord["start_s"] < 9.0]
    with opened(browser, path) as page:
        play(page)
        page.evaluate(WATCH)
        wait_until(page, "practice.player.now().timeS > 9.1")
        seen = page.evaluate("seen")
    assert len(chords) == 12
    assert {frame["shown"] for frame in seen} >= set(chords) <= {frame["heard"] for frame in seen}
    changes_s = {index: chord["start_s"] for index, chord in enumerate(chord_map["chords"])}
    assert frames_out_of_step(seen, changes_s) == []
    assert all(frame["band"] == frame["shown"] for frame in seen)


def test_half_speed_keeps_pitch_and_step(browser: Browser, tmp_path: Path) -> None:
    path, chord_map = written_page(tmp_path)
    with opened(browser, path) as page:
        page.fill("#speed", "50")
        page.evaluate("practice.player.goTo(practice.map.bars[1].start_s)")
        play(page)
        page.evaluate(WATCH)
        wait_until(page, "practice.player.now().timeS > 4.6")
        seen = page.evaluate("seen")
        page.evaluate(ENCODE)
        page.click("#stop")
        stretched = floats(
            page.evaluate("""() => {
              const { tape } = practice.player;
              const pass = new practice.Pass(tape, 44100, 44100 * 5, 0.5);
              const all = new Float32Array(pass.frames);
              for (let at = 0; at < pass.frames;) {
                const [[piece]] = pass.next(5000);
                all.set(piece, at);
                at += piece.length;
              }
              return encode(all);
            }""")
        )
    chords = chord_map["chords"]
    assert {2, 3, 4} <= {frame["heard"] for frame in seen} & {frame["shown"] for frame in seen}
    from_s = chord_map["bars"][1]["start_s"]
    changes_s = {index: 2 * (chord["start_s"] - from_s) for index, chord in enumerate(chords)}
    assert frames_out_of_step(seen, changes_s) == []
    assert len(stretched) == 2 * 4 * RATE_HZ
    for index in range(4):
        middle_s = (chords[index]["start_s"] + chords[index]["end_s"]) / 2 - 1.0
        middle = round(2 * middle_s * RATE_HZ)
        piece = stretched[middle - 8192 : middle + 8192] * np.hanning(16384)
        spectrum = np.abs(np.fft.rfft(piece, 1 << 18))
        peak_hz = np.argmax(spectrum) * RATE_HZ / (1 << 18)
        cents = 1200 * np.log2(peak_hz / (400 + 200 * index))
        assert abs(cents) < 5, (index, peak_hz)
        assert np.sqrt(np.mean(piece**2)) > 0.05


def test_slow_strokes_stay_single_and_on_the_beat(browser: Browser, tmp_path: Path) -> None:
    """At half speed each stroke sounds once, within 5 ms of its place."""
    chord_map = written_page(tmp_path)[1]
    sound = 0.02 * coded_sound(chord_map)
    beats_s = [beat for bar in chord_map["bars"] for beat in bar["beats_s"]]
    stroke = np.exp(-np.arange(1500) / 200) * np.random.default_rng(1).normal(0, 0.3, 1500)
    for beat_s in beats_s:
        at = round(beat_s * RATE_HZ)
        sound[at : at + 1500] += stroke
    path, chord_map = written_page(tmp_path, mix=("audio/wav", wav_bytes(sound)))
    with opened(browser, path) as page:
        page.evaluate(ENCODE)
        slow = floats(
            page.evaluate("""() => {
              const { tape } = practice.player;
              const [[all]] = new practice.Pass(tape, 0, 44100 * 6, 0.5).next(1e9);
              return encode(all);
            }""")
        )
    expected = [2 * beat_s for beat_s in beats_s if 2 * beat_s < 11.9]
    # A stroke is found by its own waveform (matched filter), so a doubled one would show.
    match = np.abs(np.correlate(slow, stroke, mode="valid")) / np.sum(stroke**2)
    found = []
    for at in np.flatnonzero(match > 0.35):
        if not found or at - found[-1][0] > 0.02 * RATE_HZ:
            found.append([at, match[at]])
        elif match[at] > found[-1][1]:
            found[-1] = [at, match[at]]
    times_s = [at / RATE_HZ for at, _ in found]
    assert len(times_s) == len(expected)
    np.testing.assert_allclose(times_s, expected, atol=0.005)


def test_loop_of_two_bars_returns_on_the_sample(browser: Browser, tmp_path: Path) -> None:
    """Five returns, each within 10 ms of the loop's length; in fact no sample is lost or added."""
    text = "Title: Loop\nKey: C\nTime: 4/4\nTempo: q=300\n[A]\n| C | F | G7 | Am |\n"
    chord_map = written_page(tmp_path, text)[1]
    noise = np.random.default_rng(2).normal(0, 0.1, round(6 * RATE_HZ))
    path, chord_map = written_page(tmp_path, text, mix=("audio/wav", wav_bytes(noise)))
    first, last = (
        round(chord_map["bars"][i][k] * RATE_HZ) for i, k in ((1, "start_s"), (2, "end_s"))
    )
    with opened(browser, path, bypass_csp=True) as page:
        page.evaluate(ENCODE)
        page.fill("#volume", "100")
        page.select_option("#loop-count", "never")
        page.fill("#loop-from", "2")
        page.fill("#loop-to", "3")
        page.click("#loop-set")
        play(page)
        page.click("#play")  # paused: the context is there, so that the recorder can be put in
        page.evaluate(RECORD)
        page.click("#stop")
        play(page)
        wait_until(page, "recorded.length * 128 > 10.3 * 44100")
        heard = floats(page.evaluate(RECORDING))
        assert page.inner_text("#summary-loop") == "looping bars 2 to 3"
    length = last - first
    piece = noise[first : first + 4410]
    match = np.correlate(heard, piece, mode="valid") / np.sum(piece**2)
    returns = np.flatnonzero(match > 0.9)
    assert len(returns) >= 6
    assert np.abs(np.diff(returns) - length).max() < 0.01 * RATE_HZ
    assert np.diff(returns).tolist() == [length] * (len(returns) - 1)
    # Within the loop the sound is the file's own, whatever pieces it was laid out in, pass after
    # pass. Two steps of 128 samples of the audio thread may slip on a busy machine: the page lays
    # out longer pieces, and a fault of its own comes again.
    inside = np.arange(300, length - 300)
    slipped = {
        int(place) // 128
        for start in returns[1:-1]
        for place in start + inside[np.abs(heard[start + inside] - noise[first + inside]) > 2e-4]
    }
    assert len(slipped) <= 2, slipped


def test_loop_counts_in_before_it_starts(browser: Browser, tmp_path: Path) -> None:
    path, _ = written_page(tmp_path)
    with opened(browser, path) as page:
        page.fill("#loop-from", "3")
        page.fill("#loop-to", "4")
        page.click("#loop-set")
        play(page)
        wait_until(page, "practice.player.now().counting?.beat === 3")
        assert page.inner_text("#position") == "Count-in to bar 3"
        # The words follow with the next picture of the screen.
        wait_until(page, "document.querySelector('#position-more').innerText.startsWith('beat 3')")
        wait_until(page, "practice.player.now().counting === null")
        page.wait_for_timeout(50)
        assert page.inner_text("#position").startswith("Bar 3 of 16")
        assert page.get_attribute(".bar[aria-current]", "data-bar") == "2"


def test_muted_part_is_silent_and_the_other_sounds(browser: Browser, tmp_path: Path) -> None:
    times_s = np.arange(round(17.3 * RATE_HZ)) / RATE_HZ
    parts = {
        part: ("audio/wav", wav_bytes(0.2 * np.sin(2 * np.pi * hz * times_s)))
        for part, hz in (("drums", 1000), ("bass", 3000))
    }
    path, _ = written_page(tmp_path, **parts)
    level = """(hz) => {
      const { context, master } = practice.player;
      window.ear ??= new AnalyserNode(context, { fftSize: 2048, smoothingTimeConstant: 0 });
      master.connect(ear);
      const bins = new Float32Array(ear.frequencyBinCount);
      ear.getFloatFrequencyData(bins);
      return bins[Math.round(hz * 2048 / context.sampleRate)];
    }"""
    with opened(browser, path) as page:
        play(page)
        page.evaluate(level, 1000)
        wait_until(page, "practice.player.now().timeS > 0.4")
        before_db = [page.evaluate(level, hz) for hz in (1000, 3000)]
        page.click("text=Mute >> nth=0")
        assert page.get_attribute("#mixer button", "aria-pressed") == "true"
        page.wait_for_timeout(400)
        after_db = [page.evaluate(level, hz) for hz in (1000, 3000)]
    assert min(before_db) > -60
    assert after_db[0] < -100
    assert after_db[1] == pytest.approx(before_db[1], abs=1)


def test_reduced_motion_moves_by_the_beat(browser: Browser, tmp_path: Path) -> None:
    """The position line jumps a beat at a time instead of gliding."""
    path, _ = written_page(tmp_path)
    places = {}
    for motion in ("reduce", "no-preference"):
        with opened(browser, path, reduced_motion=motion) as page:
            play(page)
            page.evaluate("""() => {
              window.places = new Set();
              const look = () => {
                places.add(document.querySelector("#band > .head-line").style.left);
                requestAnimationFrame(look);
              };
              look();
            }""")
            wait_until(page, "practice.player.now().timeS > 1.5")
            places[motion] = page.evaluate("places.size")
    assert places["reduce"] <= 9
    assert places["no-preference"] > 2 * places["reduce"]


def test_place_in_the_form_leaves_out_what_is_played_once(browser: Browser, tmp_path: Path) -> None:
    text = (
        "Title: T\nKey: C\nTime: 4/4\nTempo: q=120\nChoruses: 2\n"
        "[Intro]\n| G7 |\n[A]\n|: C | F :|\n[B]\n| G7 |\n[Outro]\n| C |\n"
    )
    path, chord_map = written_page(tmp_path, text)
    with opened(browser, path) as page:
        said = []
        for number in range(len(chord_map["bars"])):
            page.evaluate(
                "(n) => { practice.player.goTo(practice.map.bars[n].start_s); practice.refresh() }",
                number,
            )
            said.append(page.inner_text("#position-form"))
    form = [f"bar {n} of 5 of the form" for n in range(1, 6)]
    assert said == ["", *form, *form, ""]


def test_each_format_starts_at_the_first_sample(
    browser: Browser, tmp_path: Path, run_chartbed: Any
) -> None:
    """The browser decodes what `render` encodes without delay: within 1 ms of the WAV."""
    (tmp_path / "t.chart").write_text(
        "Title: T\nKey: C\nTime: 4/4\nTempo: q=120\nStyle: straight-eighth-rock\n[A]\n| C | F |\n",
        encoding="utf-8",
    )
    formats = ("wav", "m4a", "mp3", "flac", "ogg", "opus")
    done = run_chartbed(tmp_path, "render", "t.chart", "-o", ".", "--formats", ",".join(formats))
    assert done.returncode == 0, done.stderr
    path, _ = written_page(tmp_path)
    decode = """async (base64) => {
      const bytes = Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
      const sound = await new OfflineAudioContext(1, 1, 44100).decodeAudioData(bytes.buffer);
      return encode(sound.getChannelData(0).slice(0, 44100 * 4));
    }"""
    heard = {}
    with opened(browser, path) as page:
        page.evaluate(ENCODE)
        for name in formats:
            content = base64.b64encode((tmp_path / f"T.{name}").read_bytes()).decode()
            heard[name] = floats(page.evaluate(decode, content))
    around = heard["wav"][RATE_HZ : 3 * RATE_HZ]
    lags = range(-2000, 2001)
    late = {
        name: lags[int(np.argmax(np.correlate(sound[RATE_HZ - 2000 : 3 * RATE_HZ + 2000], around)))]
        for name, sound in heard.items()
    }
    assert max(map(abs, late.values())) <= 0.001 * RATE_HZ, late


def test_every_control_by_keyboard(browser: Browser, tmp_path: Path) -> None:
    sound = wav_bytes(coded_sound(written_page(tmp_path)[1]))
    parts = dict.fromkeys(("drums", "bass"), ("audio/wav", sound))
    path, _ = written_page(tmp_path, **parts)
    with opened(browser, path) as page:
        press, text = page.keyboard.press, page.inner_text
        playing = "practice.player.playing"
        press("Space")
        page.wait_for_selector("body.playing")
        press("p")
        assert page.evaluate(playing) is False
        press("s")
        assert text("#summary-place") == "Count-in"
        press("ArrowRight")
        assert text("#position") == "Bar 1 of 16, chorus 1"
        press("Shift+ArrowRight")
        assert text("#position") == "Bar 5 of 16, chorus 1"
        press("ArrowLeft")
        assert text("#position") == "Bar 4 of 16, chorus 1"
        press("[")
        press("ArrowRight")
        press("]")
        assert text("#summary-loop") == "looping bars 4 to 5"
        press("l")
        assert text("#summary-loop") == ""
        press("l")
        assert text("#summary-loop") == "looping bars 5 to 8"
        press("l")
        press("-")
        assert text("#summary-speed") == "95 %"
        press("+")
        assert text("#summary-speed") == "100 %"
        press("n")
        assert page.input_value("#labels") == "note"
        press("d")
        assert page.input_value("#labels") == "degree"

        page.focus("#band")
        press("Home")
        assert page.get_attribute("#band", "aria-valuetext") == "bar 1 of 16, A (1)"
        press("PageUp")
        assert page.get_attribute("#band", "aria-valuetext") == "bar 5 of 16, B (1)"
        page.focus("#speed")
        press("Home")
        assert page.evaluate("practice.player.speed") == 0.5
        page.focus("#volume")
        press("ArrowLeft")
        assert page.evaluate("practice.player.level") == 0.45
        page.focus("#mixer button")
        press("Space")
        assert page.evaluate("practice.player.levels.get('drums').muted") is True
        page.focus("#level-bass")
        press("ArrowLeft")
        assert page.evaluate("practice.player.levels.get('bass').level") == 0.95
        page.focus(".bar[tabindex='0']")
        press("End")
        press("Enter")
        assert text("#position") == "Bar 16 of 16, chorus 2"
        assert text("#position-form") == "bar 8 of 8 of the form"
        press("Shift+Enter")
        assert text("#summary-loop") == "looping bar 16"
        page.focus("#tuning")
        press("ArrowDown")
        assert "Drop D" in page.get_attribute("#neck svg", "aria-label")
        page.focus("#keys")
        press("Space")
        press("n")
        assert page.input_value("#labels") == "degree"

        # Tab alone reaches every control that is there.
        page.evaluate("document.activeElement.blur()")
        reached = set()
        for _ in range(60):
            press("Tab")
            reached.add(
                page.evaluate("document.activeElement.id || document.activeElement.tagName")
            )
        wanted = page.evaluate(
            "[...document.querySelectorAll('button[id], select[id], input[id], [role=slider]')]"
            ".filter((e) => !e.disabled && e.checkVisibility()).map((e) => e.id)"
        )
        assert len(wanted) > 15
        assert set(wanted) <= reached


@pytest.mark.parametrize(
    ("scheme", "width"), [("light", 1280), ("dark", 1280), ("light", 360), ("dark", 360)]
)
def test_accessible_and_no_sideways_scroll(
    browser: Browser, tmp_path: Path, scheme: str, width: int
) -> None:
    """axe-core (WCAG 2.2 A and AA rules, and its best practices) finds nothing to complain of."""
    assert AXE.exists(), "axe-core is absent: run `make test`, which installs it"
    sound = wav_bytes(coded_sound(written_page(tmp_path)[1]))
    path, _ = written_page(tmp_path, drums=("audio/wav", sound), bass=("audio/wav", sound))
    options = {"viewport": {"width": width, "height": 760}, "color_scheme": scheme}
    with opened(browser, path, **options) as page:
        page.evaluate("practice.player.goTo(practice.map.bars[2].start_s); practice.refresh()")
        page.click("#loop")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.evaluate(AXE.read_text(encoding="utf-8"))
        for shape in ("tones", "triads-1"):
            page.select_option("#shapes", shape)
            report = page.evaluate("axe.run()")
            found = [
                (fault["id"], fault["impact"], [node["html"][:120] for node in fault["nodes"]])
                for fault in report["violations"]
            ]
            assert found == []
        assert len(report["passes"]) > 20


def test_hostile_words_stay_words(browser: Browser, tmp_path: Path) -> None:
    """Markup in a title, a composer or a section name is shown, never run."""
    words = """</script><script>window.broken=1</script><img src=x onerror="broken=1">'"&amp;"""
    chord_map = chord_map_of(CHORUS)
    chord_map |= {"title": words, "composer": words, "key": words}
    chord_map["sections"][0]["label"] = words
    chord_map["made_by"]["style"] = words
    path = tmp_path / "page.html"
    sound = ("audio/wav", wav_bytes(coded_sound(chord_map)))
    path.write_text(build_page(chord_map, {"mix": sound}), encoding="utf-8")
    with opened(browser, path) as page:
        assert page.evaluate("window.broken") is None
        assert page.inner_text("h1") == words
        assert page.title().startswith(words)
        assert page.evaluate("practice.map.title") == words
        assert page.inner_text(".composer") == words
        assert page.text_content(".group h3") == words
        assert page.locator("script").count() == 4
        assert page.locator("img").count() == 0


@pytest.mark.parametrize("tuning", ["Standard", "D A D G A D", "Bass, half step down"])
def test_neck_shows_the_tones_and_their_ways(browser: Browser, tmp_path: Path, tuning: str) -> None:
    """The marks drawn are those that neck.py, which the pictures use, works out by itself."""
    text = "Title: Neck\nKey: C\nTime: 4/4\nTempo: q=120\n[A]\n| G7b9/F# | C6/9 |\n"
    path, chord_map = written_page(tmp_path, text)
    here, there = (chord_tones(chord) for chord in chord_map["chords"])
    with opened(browser, path) as page:
        page.evaluate("practice.player.goTo(practice.map.chords[0].start_s); practice.refresh()")
        page.select_option("#tuning", label=tuning_named(tuning).title)
        drawn = page.evaluate("""() => [...document.querySelectorAll(".place")].map((place) => [
          Number(place.dataset.string), Number(place.dataset.fret),
          place.querySelector(".mark").classList[1], place.querySelector("text").textContent,
          Boolean(place.querySelector(".common"))])""")
        ghosts = page.locator(".ghost-place").count()
        arrows = page.locator(".place .mover").count()
        words = page.inner_text("#moves")
    ways = motions(here, there)
    common = {way.source for way in ways if way.semitones == 0}
    places = tones_on_neck(here, tuning_named(tuning))

    def label(tone: ChordTone) -> str:
        text = tone.note if tone.degree == "bass" else tone.degree
        return text.replace("b", "♭").replace("#", "♯")

    assert [tuple(mark) for mark in drawn] == [
        (p.string, p.fret, p.tone.role, label(p.tone), p.tone in common) for p in places
    ]
    here_classes = {tone.pitch_class for tone in here}
    new = [tone for tone in there if tone.pitch_class not in here_classes]
    assert ghosts == len(tones_on_neck(new, tuning_named(tuning)))
    assert arrows == sum(
        0 <= place.fret + way.semitones <= 15
        for place in places
        for way in ways
        if way.source == place.tone and way.semitones
    )
    assert "G stays" in words
    assert "A♭ → A half a step up" in words


def test_a_few_figures_of_the_neck(browser: Browser, tmp_path: Path) -> None:
    """Shapes of C major as guitar handbooks print them (from memory, common practice)."""
    text = "Title: Neck\nKey: C\nTime: 4/4\nTempo: q=120\n[A]\n| C | G7 |\n"
    path, _ = written_page(tmp_path, text)
    shapes = """([shape, set]) => {
      const tones = practice.tonesOf(practice.map.chords[0]);
      const tuning = { pitches: [40, 45, 50, 55, 59, 64] };
      const places = practice.placesOf(tones, tuning, 15);
      return practice.shapesOf(shape, places, tones, [set])
        .map((shape) => shape.map((place) => place.fret));
    }"""
    with opened(browser, path) as page:
        triads = page.evaluate(shapes, ["triads-1", [1, 2, 3]])
        sixths = page.evaluate(shapes, ["6", [2, 4]])
        thirds = page.evaluate(shapes, ["3", [1, 2]])
    # Fret on string 3, 2, 1: second inversion open and at 12, root position at 5, first at 9.
    assert triads == [[0, 1, 0], [5, 5, 3], [9, 8, 8], [12, 13, 12]]
    assert sorted(sixths) == [[2, 1], [5, 5], [14, 13]]
    assert sorted(thirds) == [[1, 0], [5, 3], [13, 12]]
