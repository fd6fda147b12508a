"use strict";
// The practice page. In order: the chord map, the tape (decoded audio), slowing down, the player,
// the words of music, the form, the neck, the controls. Times are seconds of the chord map
// (suffix S) or samples; positions on the tape are samples.
(() => {
const $ = (id) => document.getElementById(id);

function make(tag, properties = {}, ...children) {
  const element = Object.assign(document.createElement(tag), properties);
  element.append(...children);
  return element;
}

function draw(tag, attributes = {}, ...children) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// ---------------------------------------------------------------- The chord map

const map = JSON.parse($("chord-map").textContent);
const necks = JSON.parse($("necks").textContent);
const { bars, chords, sections } = map;
const musicS = bars[0].start_s;
const endS = bars[bars.length - 1].end_s;
const lastNumber = bars[bars.length - 1].number;
const choruses = Math.max(...bars.map((bar) => bar.chorus));
const beatsS = [...(map.count_in.beats_s || []), ...bars.flatMap((bar) => bar.beats_s)];

/** Index of the last entry that has started at `timeS`; -1 before the first. */
function indexAt(starts, timeS) {
  let low = 0;
  let high = starts.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (starts[middle] <= timeS) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}

const barStarts = bars.map((bar) => bar.start_s);
const chordStarts = chords.map((chord) => chord.start_s);
const barAt = (timeS) => indexAt(barStarts, timeS);
const chordAt = (timeS) => indexAt(chordStarts, timeS);
const sectionOf = (barIndex) => bars[barIndex].section;
const barsOfSection = sections.map((_, s) => {
  const first = bars.findIndex((bar) => bar.section === s);
  let last = first;
  while (last + 1 < bars.length && bars[last + 1].section === s) last += 1;
  return [first, last];
});

/** For each bar its place in the form, {number, of}; null for what is not in every chorus. */
const inForm = (() => {
  const heard = new Map(); // written number -> choruses that hold it
  for (const bar of bars) {
    if (!heard.has(bar.written)) heard.set(bar.written, new Set());
    heard.get(bar.written).add(bar.chorus);
  }
  const lengths = new Map(); // chorus -> bars of the form so far
  const numbers = bars.map((bar) => {
    if (heard.get(bar.written).size < 2) return 0;
    lengths.set(bar.chorus, (lengths.get(bar.chorus) ?? 0) + 1);
    return lengths.get(bar.chorus);
  });
  return bars.map((bar, b) => numbers[b] ? { number: numbers[b], of: lengths.get(bar.chorus) } : null);
})();

function sectionName(s) {
  const { label, pass } = sections[s];
  const plays = sections.filter((section) => section.label === label).length;
  const name = label || (sections[s].last_bar === 0 ? "Pickup" : "Form");
  return name + (plays > 1 ? ` (${pass})` : "");
}

/** Beats from now to a later time: 1 within the last beat before it. */
function beatsUntil(timeS, laterS) {
  const onsets = indexAt(beatsS, laterS - 1e-6) - indexAt(beatsS, timeS);
  return onsets + (timeS < laterS ? 1 : 0);
}

// ---------------------------------------------------------------- The tape

/** All parts, decoded at one sample rate. Sample 0 is time zero of the chord map. */
class Tape {
  constructor(rate, parts) {
    this.rate = rate;
    this.parts = parts; // {name, channels: [Float32Array], shift}
    this.length = Math.max(...parts.map((part) => part.channels[0].length - part.shift));
  }

  static async decode(rate) {
    const parts = [];
    for (const element of document.querySelectorAll("script.sound")) {
      const text = element.textContent;
      const bytes = bytesOf(text.slice(text.indexOf(",") + 1));
      const decoder = new OfflineAudioContext(2, 1, rate);
      const buffer = await decoder.decodeAudioData(bytes.buffer);
      const channels = [];
      for (let c = 0; c < buffer.numberOfChannels; c += 1) channels.push(buffer.getChannelData(c));
      const shift = Math.round(Number(element.dataset.offsetS) * rate);
      parts.push({ name: element.dataset.part, channels, shift });
    }
    return new Tape(rate, parts);
  }

  /** Copy samples of one channel, silence outside of the tape. */
  read(part, channel, start, out) {
    const data = part.channels[channel];
    const from = start + part.shift;
    const first = Math.max(0, from);
    const last = Math.min(data.length, from + out.length);
    out.fill(0);
    if (last > first) out.set(data.subarray(first, last), first - from);
    return out;
  }

  /** The sum of everything, for listening by the machine. */
  readMono(start, length) {
    const sum = new Float32Array(length);
    const one = new Float32Array(length);
    for (const part of this.parts) {
      for (let c = 0; c < part.channels.length; c += 1) {
        this.read(part, c, start, one);
        for (let i = 0; i < length; i += 1) sum[i] += one[i];
      }
    }
    return sum;
  }

  /** Samples at which something is struck, at least 90 ms apart; found when first needed. */
  get attacks() {
    this.found ??= findAttacks(this);
    return this.found;
  }
}

function bytesOf(base64) {
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
  return bytes;
}

/** Onsets by the rise of the energy of the first difference, which favours high partials. */
function findAttacks(tape) {
  const hop = Math.round(tape.rate * 0.004);
  const count = Math.floor(tape.length / hop);
  const energy = new Float64Array(count);
  const block = 256;
  for (let start = 0; start < count; start += block) {
    const frames = Math.min(block, count - start);
    const sound = tape.readMono(start * hop, frames * hop + 1);
    for (let f = 0; f < frames; f += 1) {
      let sum = 0;
      for (let i = f * hop; i < (f + 1) * hop; i += 1) sum += (sound[i + 1] - sound[i]) ** 2;
      energy[start + f] = sum;
    }
  }
  const floor = energy.reduce((most, e) => Math.max(most, e), 0) * 1e-4;
  const gap = Math.ceil((0.09 * tape.rate) / hop);
  const found = []; // [frame, strength]
  for (let f = 0; f < count; f += 1) {
    let before = floor;
    for (let k = Math.max(0, f - 6); k < f; k += 1) before += energy[k] / 6;
    const rise = energy[f] / before;
    if (energy[f] < floor || rise < 4) continue;
    const last = found[found.length - 1];
    if (last && f - last[0] < gap) {
      if (f - last[0] > gap / 3 && rise > 2 * last[1]) found[found.length - 1] = [f, rise];
    } else {
      found.push([f, rise]);
    }
  }
  return found.map(([f]) => f * hop);
}

// ---------------------------------------------------------------- Slowing down

/**
 * One pass over the tape from sample `from` to `to`, read `speed` times as fast at the same pitch.
 *
 * Waveform-similarity overlap-add (Verhelst & Roelands 1993): windows are laid half over each
 * other, each taken from where the tape best continues the one before, near where it should be.
 * Windows that hold an attack are laid exactly, so that a stroke is neither doubled nor smeared
 * and stays on its beat; what lies between attacks stretches the more. All parts share the
 * windows, so that they stay in phase. Memory: a few windows.
 */
class Pass {
  constructor(tape, from, to, speed) {
    Object.assign(this, { tape, from, to, speed });
    this.frames = Math.round((to - from) / speed);
    this.done = 0;
    this.half = Math.round(tape.rate * 0.0174);
    this.range = Math.round(tape.rate * 0.0136); // above half a period of a bass's low E
    if (speed !== 1) this.#prepare();
  }

  /** The next `frames` or fewer, as [part][channel] of Float32Array. */
  next(frames) {
    const wanted = Math.min(frames, this.frames - this.done);
    const result = this.speed === 1 ? this.#copy(wanted) : this.#stretch(wanted);
    this.done += wanted;
    return result;
  }

  #copy(frames) {
    const start = this.from + this.done;
    return this.tape.parts.map((part) =>
      part.channels.map((_, c) => this.tape.read(part, c, start, new Float32Array(frames))));
  }

  #prepare() {
    const { half, from, to, speed } = this;
    this.window = Float32Array.from({ length: 2 * half }, (_, i) =>
      Math.sin((Math.PI * (i + 0.5)) / (2 * half)) ** 2);
    const attacks = this.tape.attacks.filter((a) => a > from + 3 * half && a < to - half);
    this.struck = [from, ...attacks].map((a) => ({ tape: a, out: Math.round((a - from) / speed) }));
    // Where on the tape each output sample should come from: corners of a broken line that runs
    // at full speed about each attack.
    this.corners = [[0, from], [half, from + half]];
    for (const { tape: a, out } of this.struck.slice(1)) {
      this.corners.push([out - 2 * half, a - 2 * half], [out + half, a + half]);
    }
    const end = [this.frames, to];
    if (this.corners[this.corners.length - 1][0] < end[0]) this.corners.push(end);
    this.corner = 0;
    this.strike = 0;
    this.window0 = -half; // output sample at which the next window starts
    this.position = null;
    this.tails = this.tape.parts.map((part) => part.channels.map(() => new Float32Array(half)));
    this.ready = null;
    this.#window(); // the half before the first sample: only its tail counts
    this.readyAt = half;
  }

  #stretch(frames) {
    const out = this.tape.parts.map((part) => part.channels.map(() => new Float32Array(frames)));
    let filled = 0;
    while (filled < frames) {
      if (this.readyAt === this.half) {
        this.#window();
        this.readyAt = 0;
      }
      const n = Math.min(frames - filled, this.half - this.readyAt);
      out.forEach((channels, p) => channels.forEach((channel, c) =>
        channel.set(this.ready[p][c].subarray(this.readyAt, this.readyAt + n), filled)));
      this.readyAt += n;
      filled += n;
    }
    return out;
  }

  /** Lay one window; its first half is ready to play, its second waits for the next one. */
  #window() {
    const { half, tape, window } = this;
    const start = this.#place();
    const piece = new Float32Array(2 * half);
    this.ready = tape.parts.map((part, p) => part.channels.map((_, c) => {
      tape.read(part, c, start, piece);
      const tail = this.tails[p][c];
      const ready = new Float32Array(half);
      for (let i = 0; i < half; i += 1) {
        ready[i] = tail[i] + piece[i] * window[i];
        tail[i] = piece[i + half] * window[i + half];
      }
      return ready;
    }));
    this.position = start;
    this.window0 += half;
  }

  #place() {
    const { half, window0, struck } = this;
    while (this.strike + 1 < struck.length && struck[this.strike + 1].out < window0 + 2 * half) {
      this.strike += 1;
    }
    const last = struck[this.strike];
    if (last.out >= window0) return last.tape - last.out + window0;
    const ideal = Math.round(this.#ideal(window0));
    const next = struck[this.strike + 1];
    let low = Math.max(ideal - this.range, last.tape + (half >> 1));
    let high = ideal + this.range;
    if (next) high = Math.min(high, next.tape - Math.round(1.7 * half));
    if (low > high) low = high = ideal;
    return this.#mostAlike(this.position + half, low, high);
  }

  #ideal(out) {
    const { corners } = this;
    while (this.corner + 2 < corners.length && corners[this.corner + 1][0] <= out) this.corner += 1;
    const [[out0, tape0], [out1, tape1]] = [corners[this.corner], corners[this.corner + 1]];
    return out1 > out0 ? tape0 + ((out - out0) * (tape1 - tape0)) / (out1 - out0) : tape0;
  }

  /** The start in [low, high] whose sound is most like the one that `natural` would go on with. */
  #mostAlike(natural, low, high) {
    if (natural >= low && natural <= high && Math.abs(natural - (low + high) / 2) < 8) return natural;
    const { half, tape } = this;
    const goal = tape.readMono(natural, half);
    const field = tape.readMono(low, half + high - low);
    const likeness = (offset, stride) => {
      let product = 0;
      let power = 1e-9;
      for (let i = 0; i < half; i += stride) {
        product += goal[i] * field[offset + i];
        power += field[offset + i] ** 2;
      }
      return product / Math.sqrt(power);
    };
    const search = (first, last, step, stride) => {
      let best = first;
      let most = -Infinity;
      for (let offset = first; offset <= last; offset += step) {
        const value = likeness(offset, stride);
        if (value > most) [most, best] = [value, offset];
      }
      return best;
    };
    const rough = search(0, high - low, 4, 3);
    return low + search(Math.max(0, rough - 4), Math.min(high - low, rough + 4), 1, 1);
  }
}

// ---------------------------------------------------------------- The player

/**
 * Plays the tape by the sample clock of the audio hardware.
 *
 * Sound is laid out ahead in short buffers, each started at a whole sample right where the one
 * before ends; loops, counts and speeds are only a matter of what is laid out. `laid` remembers
 * which samples of the tape sound when, so that what is shown comes from the same clock.
 */
class Player {
  static AHEAD_S = 1.6; // a hidden tab is woken once a second
  static PIECE = 16384;

  constructor() {
    this.tape = null;
    this.context = null;
    this.playing = false;
    this.restS = 0; // where it stands when it does not play
    this.speed = 1;
    this.loop = null; // {fromS, toS, countS: [beats], barS}
    this.count = "first";
    this.levels = new Map(); // part -> {level, muted}
    this.level = 0.5;
    this.laid = [];
    this.onend = () => {};
  }

  async load(rate) {
    this.tape = await Tape.decode(rate);
    for (const part of this.tape.parts) this.levels.set(part.name, { level: 1, muted: false });
  }

  /** Make the audio context at the first gesture, as browsers ask for. */
  async #wake() {
    if (!this.context) {
      this.context = new AudioContext({ sampleRate: this.tape.rate, latencyHint: "playback" });
      this.master = this.context.createGain();
      this.master.connect(this.context.destination);
      this.clicks = this.context.createGain();
      this.clicks.connect(this.master);
      this.gains = new Map();
      for (const part of this.tape.parts) {
        const gain = this.context.createGain();
        gain.connect(this.master);
        this.gains.set(part.name, gain);
      }
      this.applyLevels(true);
    }
    if (this.context.state !== "running") await this.context.resume();
  }

  applyLevels(atOnce = false) {
    if (!this.context) return;
    const now = this.context.currentTime;
    const set = (gain, value) => atOnce
      ? gain.gain.setValueAtTime(value, now)
      : gain.gain.setTargetAtTime(value, now, 0.015);
    set(this.master, this.level ** 2); // an even-sounding slider
    for (const [name, { level, muted }] of this.levels) {
      set(this.gains.get(name), muted ? 0 : level ** 2);
    }
  }

  async play() {
    if (this.playing || !this.tape) return;
    await this.#wake();
    this.playing = true;
    this.#take(this.restS, true);
    this.timer = setInterval(() => this.#layOut(), 100);
  }

  pause() {
    if (!this.playing) return;
    this.restS = this.now().timeS;
    this.playing = false;
    clearInterval(this.timer);
    this.#lift();
  }

  stop() {
    this.pause();
    this.restS = this.loop ? this.loop.fromS : 0;
  }

  goTo(timeS) {
    this.restS = Math.max(0, Math.min(timeS, endS));
    if (this.playing) this.#take(this.restS, false);
  }

  setSpeed(speed) {
    if (speed === this.speed) return;
    this.#keepingPlace(() => { this.speed = speed; });
  }

  setLoop(loop) {
    this.#keepingPlace(() => { this.loop = loop; });
  }

  #keepingPlace(change) {
    const { timeS } = this.now();
    change();
    if (this.playing) this.#take(timeS, false);
    else if (this.loop && (timeS < this.loop.fromS || timeS >= this.loop.toS)) {
      this.restS = this.loop.fromS;
    }
  }

  /** What sounds now: {timeS, counting: null | {beat, beats}}. */
  now() {
    if (!this.playing || !this.laid.length) return { timeS: this.restS, counting: null };
    const { rate } = this.tape;
    const latency = Math.min(1, this.context.outputLatency || 0);
    const frame = (this.context.currentTime - latency) * rate;
    let piece = this.laid[0];
    for (const candidate of this.laid) {
      if (candidate.start > frame) break;
      piece = candidate;
    }
    const into = Math.max(0, Math.min(frame - piece.start, piece.frames));
    if (piece.beats) {
      const beat = indexAt(piece.beats, into) + 1;
      return { timeS: piece.tape / rate, counting: { beat, beats: piece.beats.length } };
    }
    return { timeS: (piece.tape + into * piece.speed) / rate, counting: null };
  }

  /** Start anew at a place, counting in when a loop asks for it. */
  #take(timeS, fresh) {
    this.#lift();
    const { rate } = this.tape;
    this.cursor = Math.ceil((this.context.currentTime + 0.06) * rate);
    this.ended = false;
    this.fades = this.tape.parts.map((part) => {
      const fade = this.context.createGain();
      fade.connect(this.gains.get(part.name));
      return fade;
    });
    this.countNext = false;
    const from = Math.round(timeS * rate);
    if (this.loop) {
      const [first, last] = [this.loop.fromS, this.loop.toS].map((s) => Math.round(s * rate));
      const outside = from < first || from >= last;
      this.countNext = this.count !== "never" && (outside || (fresh && from === first));
      this.pass = new Pass(this.tape, outside ? first : from, last, this.speed);
    } else {
      const end = this.tape.length;
      this.pass = new Pass(this.tape, Math.min(from, end), end, this.speed);
    }
    this.#layOut();
  }

  /** Fade out and forget what is laid out. */
  #lift() {
    if (!this.fades) return;
    const now = this.context.currentTime;
    for (const fade of this.fades) {
      fade.gain.setValueAtTime(1, now);
      fade.gain.linearRampToValueAtTime(0, now + 0.012);
    }
    for (const piece of this.laid) {
      for (const source of piece.sources) source.stop(now + 0.015);
    }
    const old = this.fades;
    setTimeout(() => old.forEach((fade) => fade.disconnect()), 200);
    this.fades = null;
    this.laid = [];
  }

  #layOut() {
    const { currentTime } = this.context;
    const { rate } = this.tape;
    while (!this.ended && this.cursor < (currentTime + Player.AHEAD_S) * rate) this.#layPiece();
    while (this.laid.length > 1 && this.laid[1].start < (currentTime - 0.5) * rate) {
      this.laid.shift();
    }
    if (this.ended && currentTime * rate > this.cursor) {
      this.pause();
      this.restS = 0;
      this.onend();
    }
  }

  #layPiece() {
    if (this.countNext) {
      this.countNext = false;
      this.#layCount();
      return;
    }
    const { pass, loop } = this;
    const tape = Math.round(pass.from + pass.done * pass.speed);
    const first = pass.done === 0;
    const sound = pass.next(Player.PIECE);
    const last = pass.done >= pass.frames;
    const frames = sound[0][0].length;
    if (loop) {
      if (first && pass.from > 0) sound.flat().forEach((channel) => fadeEdge(channel, 64, false));
      if (last) sound.flat().forEach((channel) => fadeEdge(channel, 132, true));
    }
    const sources = frames ? sound.map((channels, p) => this.#start(channels, this.fades[p])) : [];
    this.laid.push({ start: this.cursor, frames, tape, speed: pass.speed, sources });
    this.cursor += frames;
    if (!last) return;
    if (loop) {
      const [from, to] = [loop.fromS, loop.toS].map((s) => Math.round(s * this.tape.rate));
      this.pass = new Pass(this.tape, from, to, this.speed);
      this.countNext = this.count === "always";
    } else {
      this.ended = true;
    }
  }

  /** One bar of clicks at the tempo of the loop's first bar. */
  #layCount() {
    const { rate } = this.tape;
    const { loop, speed } = this;
    const frames = Math.round((loop.barS * rate) / speed);
    const beats = loop.countS.map((s) => Math.round((s * rate) / speed));
    const channel = new Float32Array(frames);
    beats.forEach((start, beat) => {
      const hz = beat === 0 ? 1568 : 1046.5;
      for (let i = 0; i < rate * 0.06 && start + i < frames; i += 1) {
        const t = i / rate;
        channel[start + i] += 0.3 * Math.exp(-t * 70) * Math.sin(2 * Math.PI * hz * t);
      }
    });
    const sources = [this.#start([channel], this.clicks)];
    const tape = Math.round(loop.fromS * rate);
    this.laid.push({ start: this.cursor, frames, tape, speed, beats, sources });
    this.cursor += frames;
  }

  #start(channels, target) {
    const { context } = this;
    const buffer = context.createBuffer(channels.length, channels[0].length, this.tape.rate);
    channels.forEach((channel, c) => buffer.copyToChannel(channel, c));
    const source = new AudioBufferSourceNode(context, { buffer });
    source.connect(target);
    source.start(this.cursor / this.tape.rate);
    return source;
  }
}

/** A fade of a few samples at one end, so that a cut makes no click. */
function fadeEdge(channel, samples, atEnd) {
  const n = Math.min(samples, channel.length);
  for (let i = 0; i < n; i += 1) channel[atEnd ? channel.length - 1 - i : i] *= i / n;
}

// ---------------------------------------------------------------- The words of music

const accidentals = (text) => text.replace(/b/g, "♭").replace(/#/g, "♯");
const degreeText = (degree) => accidentals(degree);
const romanText = (text) => text.replace(/b(?=[IViv\d])/g, "♭").replace(/#/g, "♯");
const alterations = (text) => text.replace(/b(?=\d)/g, "♭").replace(/#(?=\d)/g, "♯");

function chordText(chord) {
  if (chord.kind === "no-chord") return "N.C.";
  if (chord.kind === "rest") return "rest";
  const bass = chord.bass ? `/${accidentals(chord.bass)}` : "";
  return accidentals(chord.root) + alterations(chord.quality || "") + bass;
}

/** A chord symbol set as a copyist would: root large, quality raised, slash bass after it. */
function chordNodes(chord) {
  if (chord.kind !== "chord") return [make("span", { className: "word", textContent: chordText(chord) })];
  const nodes = [make("span", { className: "letter", textContent: chord.root[0] })];
  if (chord.root.length > 1) {
    nodes.push(make("span", { className: "accidental", textContent: accidentals(chord.root.slice(1)) }));
  }
  if (chord.quality) {
    nodes.push(make("span", { className: "quality", textContent: alterations(chord.quality) }));
  }
  if (chord.bass) {
    nodes.push(make("span", { className: "bass", textContent: `/${accidentals(chord.bass)}` }));
  }
  return nodes;
}

const LETTERS = "CDEFGAB";
const NATURAL = { C: 0, D: 2, E: 4, F: 5, G: 7, A: 9, B: 11 };

function pitchClass(note) {
  const sharps = note.split("#").length - 1;
  const flats = note.slice(1).split("b").length - 1;
  return (NATURAL[note[0]] + sharps - flats + 24) % 12;
}

/** The tones of a chord: {note, degree, pc, role}; a foreign slash bass comes last. */
function tonesOf(chord) {
  if (!chord || chord.kind !== "chord") return [];
  const tones = chord.notes.map((note, i) => {
    const degree = chord.degrees[i];
    const other = chord.guide_tones.includes(note) ? "guide" : "tone";
    return { note, degree, pc: chord.pitch_classes[i], role: degree === "1" ? "root" : other };
  });
  if (chord.bass && !chord.notes.includes(chord.bass)) {
    tones.push({ note: chord.bass, degree: "bass", pc: pitchClass(chord.bass), role: "bass" });
  }
  return tones;
}

/** Common tones (0) and half steps (1, -1) from one chord to the next. */
function motionsOf(here, there) {
  const found = [];
  for (const source of here) {
    const same = there.find((tone) => tone.pc === source.pc);
    if (same) {
      found.push({ source, target: same, step: 0 });
      continue;
    }
    for (const step of [1, -1]) {
      const target = there.find((tone) => tone.pc === (source.pc + step + 12) % 12);
      if (target && !here.some((tone) => tone.pc === target.pc)) found.push({ source, target, step });
    }
  }
  return found;
}

// ---------------------------------------------------------------- The neck

const toneLabel = (tone, names) =>
  names === "note" || tone.degree === "bass" ? accidentals(tone.note) : degreeText(tone.degree);

/** Every place of the tones: {string (1 highest), fret, pitch, tone}. */
function placesOf(tones, tuning, frets) {
  const places = [];
  const open = [...tuning.pitches].reverse();
  open.forEach((pitch, s) => {
    for (let fret = 0; fret <= frets; fret += 1) {
      const tone = tones.find((candidate) => candidate.pc === (pitch + fret) % 12);
      if (tone) places.push({ string: s + 1, fret, pitch: pitch + fret, tone });
    }
  });
  return places;
}

/** Generic interval by letters from the lower place up: 3 for a third, 8 for an octave. */
function interval(low, high) {
  const letters = (LETTERS.indexOf(high.tone.note[0]) - LETTERS.indexOf(low.tone.note[0]) + 7) % 7;
  const octaves = Math.round((high.pitch - low.pitch - NATURAL[LETTERS[letters]]) / 12);
  return letters + 1 + 7 * octaves;
}

function withinReach(places, span) {
  const frets = places.map((place) => place.fret).filter((fret) => fret > 0);
  return frets.length < 2 || Math.max(...frets) - Math.min(...frets) <= span;
}

/** String sets on which an interval lies well: adjacent, or with strings between. */
function stringSets(shape, strings) {
  const sets = [];
  const gaps = { 3: [1], 4: [1], 5: [1], 6: [1, 2], 8: [2, 3], 10: [3, 4] }[shape] || [];
  for (const gap of gaps) {
    for (let s = 1; s + gap <= strings; s += 1) sets.push([s, s + gap]);
  }
  if (shape.startsWith("triads")) {
    for (let s = 1; s + 2 <= strings; s += 1) sets.push([s, s + 1, s + 2]);
  }
  return sets;
}

/** Two chord tones at the interval, on the two strings of the set. */
function doubleStops(places, number, set) {
  const [high, low] = set.map((s) => places.filter((place) => place.string === s));
  return low.flatMap((l) => high
    .filter((h) => h.pitch > l.pitch && interval(l, h) === number && withinReach([l, h], 4))
    .map((h) => [l, h]));
}

/**
 * The triads in a chord that stand on its degree `base` (1, 3, 5 or 7): thirds piled on that tone.
 * A chord of three tones that are no such pile (sus) is a triad on its root; 4 and 2 stand for the
 * third, 6 for the seventh.
 */
function triadsIn(tones, base) {
  const own = tones.filter((tone) => tone.role !== "bass");
  const number = (tone) => Number(tone.degree.replace(/[b#]/g, ""));
  const byLetter = (letter) => own.find((tone) => tone.note[0] === LETTERS[letter % 7]);
  const bases = { 1: [1], 3: [3, 4, 2], 5: [5], 7: [7, 6] }[base];
  const triads = own.filter((tone) => bases.includes(number(tone))).map((tone) => {
    const letter = LETTERS.indexOf(tone.note[0]);
    return [tone, byLetter(letter + 2), byLetter(letter + 4)];
  }).filter((triad) => triad.every(Boolean));
  return triads.length || own.length !== 3 || base !== 1 ? triads : [own];
}

/** Close triads on three neighbouring strings, in every inversion. */
function triadShapes(places, tones, base, set) {
  const [high, middle, low] = set.map((s) => places.filter((place) => place.string === s));
  const shapes = [];
  for (const triad of triadsIn(tones, base)) {
    const belongs = (place) => triad.includes(place.tone);
    for (const l of low.filter(belongs)) {
      for (const m of middle.filter(belongs)) {
        for (const h of high.filter(belongs)) {
          const close = l.pitch < m.pitch && m.pitch < h.pitch && h.pitch - l.pitch < 12;
          const all = new Set([l.tone, m.tone, h.tone]).size === 3;
          if (close && all && withinReach([l, m, h], 4)) shapes.push([l, m, h]);
        }
      }
    }
  }
  return shapes;
}

function shapesOf(shape, places, tones, sets) {
  if (shape === "tones") return [];
  return sets.flatMap((set) => shape.startsWith("triads")
    ? triadShapes(places, tones, Number(shape.slice(-1)), set)
    : doubleStops(places, Number(shape), set));
}

const MARKS = {
  root: () => draw("rect", { class: "mark root", x: -12, y: -12, width: 24, height: 24, rx: 3 }),
  guide: () => draw("path", { class: "mark guide", d: "M0-17 17 0 0 17-17 0z" }),
  tone: () => draw("circle", { class: "mark tone", r: 13 }),
  bass: () => draw("path", { class: "mark bass", d: "M-13 11H13L0-14z" }),
};

/** Where strings and frets lie in the drawing; frets close up as they do on wood, half as much. */
function boardLayout(strings, frets, upright) {
  const long = upright ? 720 : 1120;
  const nut = 46;
  const wide = upright ? 52 : 37;
  const end = 1 - 2 ** (-frets / 24);
  const wire = (fret) => nut + ((long - nut - 8) * (1 - 2 ** (-fret / 24))) / end;
  const along = (fret) => fret === 0 ? nut - 23 : (wire(fret - 1) + wire(fret)) / 2;
  const across = (string) => 24 + (upright ? strings - string : string - 1) * wide;
  const depth = 48 + (strings - 1) * wide;
  const point = (a, b) => upright ? [b, a] : [a, b];
  return { long, nut, wide, depth, wire, along, across, point, upright, margin: 26 };
}

function drawNeck(target, here, there, options) {
  const { tuning, labels, shape, sets, ghosts, upright } = options;
  const frets = necks.frets;
  const strings = tuning.pitches.length;
  const layout = boardLayout(strings, frets, upright);
  const { point, along, across, wire } = layout;
  const [width, height] = point(layout.long, layout.depth + layout.margin);
  const svg = draw("svg", { viewBox: `0 0 ${width} ${height}`, role: "img" });
  const line = (name, from, to) => svg.append(draw("line", {
    class: name, x1: from[0], y1: from[1], x2: to[0], y2: to[1],
  }));
  const at = (place) => point(along(place.fret), across(place.string));

  const [top, bottom] = [across(upright ? strings : 1), across(upright ? 1 : strings)];
  for (const fret of [3, 5, 7, 9, 12, 15]) {
    for (const share of fret === 12 ? [0.3, 0.7] : [0.5]) {
      const [cx, cy] = point(along(fret), top + (bottom - top) * share);
      svg.append(draw("circle", { class: "inlay", cx, cy, r: 6 }));
    }
    const [x, y] = point(along(fret), layout.depth + 13);
    svg.append(draw("text", { class: "fret-number", x, y }, String(fret)));
  }
  for (let fret = 0; fret <= frets; fret += 1) {
    line(fret ? "wire" : "nut", point(wire(fret), top), point(wire(fret), bottom));
  }
  for (let s = 1; s <= strings; s += 1) {
    line("string", point(layout.nut, across(s)), point(wire(frets), across(s)));
  }

  const places = placesOf(here, tuning, frets);
  const shapes = shapesOf(shape, places, here, sets);
  const inShape = new Set(shapes.flat());
  const motions = ghosts ? motionsOf(here, there) : [];
  for (const places of shapes) {
    const points = places.map((place) => at(place).join(",")).join(" ");
    svg.append(draw(places.length > 2 ? "polygon" : "polyline", { class: "shape", points }));
  }
  if (ghosts && shape === "tones") {
    for (const place of placesOf(there, tuning, frets)) {
      if (here.some((tone) => tone.pc === place.tone.pc)) continue;
      svg.append(draw("g", { transform: `translate(${at(place)})`, class: "ghost-place" },
        draw("circle", { class: "ghost", r: 11 }),
        draw("text", { class: "ghost-label" }, toneLabel(place.tone, labels))));
    }
  }
  for (const place of places) {
    const group = draw("g", {
      transform: `translate(${at(place)})`,
      class: "place", "data-string": place.string, "data-fret": place.fret,
    });
    svg.append(group);
    if (shape !== "tones" && !inShape.has(place)) {
      group.append(draw("circle", { class: "other", r: 3 }));
      continue;
    }
    const motion = motions.filter(({ source }) => source === place.tone);
    for (const { step } of motion) {
      const goal = place.fret + step;
      if (step === 0) group.append(draw("circle", { class: "common", r: 18 }));
      else if (goal >= 0 && goal <= frets && shape === "tones") {
        const [x0, y0] = at(place);
        const [x1, y1] = at({ string: place.string, fret: goal });
        const turn = (Math.atan2(y1 - y0, x1 - x0) * 180) / Math.PI;
        group.append(draw("path", {
          class: "mover", d: "M15 0H25M20-4.5 25.5 0 20 4.5", transform: `rotate(${turn})`,
        }));
      }
    }
    group.append(MARKS[place.tone.role](),
      draw("text", { class: `label ${place.tone.role} of-${toneLabel(place.tone, labels).length}` }, toneLabel(place.tone, labels)));
  }
  svg.setAttribute("aria-label", neckInWords(here, tuning, shape, shapes));
  target.replaceChildren(svg);
  return shape === "tones" || shapes.length > 0;
}

function neckInWords(here, tuning, shape, shapes) {
  if (!here.length) return `${tuning.title}: no chord`;
  const tones = here.map((tone) => `${tone.note} (${tone.degree})`).join(", ");
  if (shape === "tones") return `Neck, ${tuning.title}: ${tones}`;
  const places = shapes.slice(0, 12).map((places) => places
    .map((place) => `string ${place.string} fret ${place.fret} ${place.tone.note}`).join(" with "));
  return `Neck, ${tuning.title}: ${tones}. ${places.join("; ") || "no such shape here"}`;
}

// ---------------------------------------------------------------- The form

const calm = matchMedia("(prefers-reduced-motion: reduce)");
const LEVELS = ["pp", "p", "mp", "mf", "f", "ff"];
const percent = (value) => `${(100 * value).toFixed(4)}%`;

/** The whole track in one band, true to time; louder sections stand taller. */
class Band {
  constructor(element) {
    this.element = element;
    this.head = make("div", { className: "head-line" });
    this.span = make("div", { className: "loop-span", hidden: true });
    if (musicS > 0) element.append(this.#piece("count-in", 0, musicS, "", 1));
    sections.forEach((section, s) => {
      const level = 1 + LEVELS.indexOf(section.dynamics);
      const piece = this.#piece("piece", section.start_s, section.end_s, section.label, level);
      const length = section.end_s - section.start_s;
      chords.forEach((chord, i) => {
        if (chord.start_s < section.start_s || chord.start_s >= section.end_s) return;
        const cell = make("span", { className: "cell" }, make("span", { textContent: chordText(chord) }));
        cell.dataset.chord = i;
        cell.style.left = percent((chord.start_s - section.start_s) / length);
        cell.style.width = percent((Math.min(chord.end_s, section.end_s) - chord.start_s) / length);
        piece.firstChild.append(cell);
      });
      piece.dataset.section = s;
      element.append(piece);
    });
    element.append(this.span, this.head);
    element.setAttribute("aria-valuemin", bars[0].number);
    element.setAttribute("aria-valuemax", lastNumber);
    this.fit();
  }

  #piece(name, startS, stopS, label, level) {
    const bed = make("div", { className: "bed" });
    bed.style.height = percent(0.4 + 0.1 * level);
    const piece = make("div", { className: name }, bed,
      make("span", { className: "piece-label", textContent: label }));
    piece.style.left = percent(startS / endS);
    piece.style.width = percent((stopS - startS) / endS);
    return piece;
  }

  /** Show names only where they have room. */
  fit() {
    const pen = document.createElement("canvas").getContext("2d");
    pen.font = getComputedStyle(this.element.querySelector(".cell")).font;
    const total = this.element.clientWidth;
    for (const cell of this.element.querySelectorAll(".cell")) {
      const chord = chords[cell.dataset.chord];
      const room = ((chord.end_s - chord.start_s) / endS) * total;
      cell.classList.toggle("bare", room < pen.measureText(chordText(chord)).width + 7);
    }
    // From the last label back, so that it is the earlier one that gives way.
    let free = total;
    for (const piece of [...this.element.querySelectorAll(".piece")].reverse()) {
      const section = sections[piece.dataset.section];
      const label = piece.querySelector(".piece-label");
      const width = 1.25 * pen.measureText(section.label).width + 4;
      const left = Math.min((section.start_s / endS) * total, total - width);
      label.hidden = left + width > free + 1;
      label.style.left = `${left - (section.start_s / endS) * total}px`;
      if (!label.hidden) free = left;
    }
  }

  timeAt(clientX) {
    const box = this.element.getBoundingClientRect();
    return Math.max(0, Math.min(1, (clientX - box.left) / box.width)) * endS;
  }

  show(timeS, chordIndex, barIndex) {
    this.head.style.left = percent(Math.min(1, timeS / endS));
    if (chordIndex !== this.chord) {
      this.element.querySelector(".cell.on")?.classList.remove("on");
      this.element.querySelector(`.cell[data-chord="${chordIndex}"]`)?.classList.add("on");
      this.chord = chordIndex;
    }
    if (barIndex !== this.bar) {
      const bar = bars[Math.max(0, barIndex)];
      this.element.setAttribute("aria-valuenow", bar.number);
      this.element.setAttribute("aria-valuetext",
        `bar ${bar.number} of ${lastNumber}, ${sectionName(bar.section)}`);
      this.bar = barIndex;
    }
  }

  showLoop(loop) {
    this.span.hidden = !loop;
    if (!loop) return;
    this.span.style.left = percent(loop.fromS / endS);
    this.span.style.width = percent((loop.toS - loop.fromS) / endS);
  }
}

/** The bars in rows, a section a group; all rows share one scale of time. */
class BarRows {
  constructor(element, choose) {
    this.element = element;
    this.choose = choose;
    this.buttons = [];
    this.focusable = 0;
    this.head = make("span", { className: "head-line" });
    element.addEventListener("click", (event) => {
      const button = event.target.closest("button[data-bar]");
      if (button) choose(Number(button.dataset.bar), event.shiftKey);
    });
    element.addEventListener("keydown", (event) => this.#move(event));
    this.lay();
  }

  /** (Re)build for the width there is. */
  lay() {
    const perRow = this.element.clientWidth < 640 ? 4 : 8;
    if (perRow === this.perRow) return;
    this.perRow = perRow;
    this.buttons = [];
    const rows = [];
    const groups = sections.map((section, s) => {
      const [first, last] = barsOfSection[s];
      const group = make("section", { className: "group" });
      const name = sectionName(s);
      const loop = make("button", { type: "button", className: "quiet", textContent: `Loop ${name}` });
      loop.dataset.loopSection = s;
      group.append(make("div", { className: "group-head" },
        make("h3", { textContent: name }),
        make("span", { className: "dynamics", textContent: section.dynamics }), loop));
      for (let row = first; row <= last; row += perRow) {
        const members = [];
        for (let b = row; b < Math.min(row + perRow, last + 1); b += 1) members.push(b);
        const line = make("div", { className: "bar-row" }, ...members.map((b) => this.#button(b)));
        const startS = bars[members[0]].start_s;
        rows.push([line, bars[members[members.length - 1]].end_s - startS]);
        group.append(line);
      }
      return group;
    });
    const longestS = Math.max(...rows.map(([, lengthS]) => lengthS));
    for (const [line, lengthS] of rows) line.style.width = percent(lengthS / longestS);
    this.element.replaceChildren(...groups);
    this.#offer(this.focusable);
    this.bar = this.chord = undefined;
  }

  #button(b) {
    const bar = bars[b];
    const inside = chords.filter((chord) =>
      chord.start_s >= bar.start_s - 1e-6 && chord.start_s < bar.end_s - 1e-6);
    const before = chords[chordAt(bar.start_s)];
    const unseen = (textContent) => make("span", { className: "unseen", textContent });
    const button = make("button", { type: "button", className: "bar", tabIndex: -1 },
      make("span", { className: "bar-number" }, unseen("Bar "), String(bar.number)));
    if (!inside.length) {
      button.append(unseen(`${chordText(before)} goes on`),
        make("span", { className: "goes-on", textContent: "∕", ariaHidden: "true" }));
    }
    for (const chord of inside) {
      const name = make("span", { className: "bar-chord" }, ...chordNodes(chord));
      if (chord.sounds_at_s < chord.start_s) {
        name.prepend(unseen("pushed "),
          make("span", { className: "push", textContent: "‹", ariaHidden: "true" }));
      }
      name.dataset.chord = chords.indexOf(chord);
      button.append(name);
    }
    button.dataset.bar = b;
    button.style.flexGrow = bar.end_s - bar.start_s;
    this.buttons[b] = button;
    return button;
  }

  #offer(b) {
    this.buttons[this.focusable].tabIndex = -1;
    this.buttons[b].tabIndex = 0;
    this.focusable = b;
  }

  #move(event) {
    const from = event.target.closest("button[data-bar]");
    const steps = {
      ArrowLeft: -1, ArrowRight: 1, ArrowUp: -this.perRow, ArrowDown: this.perRow,
      Home: -Infinity, End: Infinity,
    };
    if (!from || !(event.key in steps) || event.ctrlKey || event.altKey || event.metaKey) return;
    const goal = Math.max(0, Math.min(bars.length - 1, Number(from.dataset.bar) + steps[event.key]));
    this.#offer(goal);
    this.buttons[goal].focus();
    event.preventDefault();
    event.stopPropagation();
  }

  show(timeS, chordIndex, barIndex) {
    if (barIndex !== this.bar) {
      const before = this.buttons[this.bar];
      before?.removeAttribute("aria-current");
      const button = this.buttons[barIndex];
      button?.setAttribute("aria-current", "true");
      if (button) button.append(this.head);
      else this.head.remove();
      if (barIndex >= 0 && !this.element.contains(document.activeElement)) this.#offer(barIndex);
      this.bar = barIndex;
    }
    if (chordIndex !== this.chord) {
      this.element.querySelector(".bar-chord.on")?.classList.remove("on");
      this.element.querySelector(`.bar-chord[data-chord="${chordIndex}"]`)?.classList.add("on");
      this.chord = chordIndex;
    }
    if (barIndex >= 0) {
      const bar = bars[barIndex];
      this.head.style.left = percent((timeS - bar.start_s) / (bar.end_s - bar.start_s));
    }
  }

  showLoop(loop) {
    this.buttons.forEach((button, b) => {
      button.classList.toggle("looped", Boolean(loop) && b >= loop.first && b <= loop.last);
      button.classList.toggle("loop-first", Boolean(loop) && b === loop.first);
      button.classList.toggle("loop-last", Boolean(loop) && b === loop.last);
    });
  }
}

// ---------------------------------------------------------------- The controls

const player = new Player();
const band = new Band($("band"));
const barRows = new BarRows($("bars"), chooseBar);
const upright = matchMedia("(max-width: 700px)");
const view = { labels: "degree", shape: "tones", tuning: 0, ghosts: true };
let loop = null; // {first, last, fromS, toS, countS, barS}: bars by index
let anchor = null; // the bar that a choice with Shift loops from
let shown = {};
let awake = null;

const say = (text) => { $("status").textContent = text; };

/** The chord that comes after `index`, round the loop's corner when there is one. */
function following(index) {
  const next = index + 1;
  if (loop && index >= 0 && (next >= chords.length || chords[next].start_s >= loop.toS - 1e-6)) {
    return { index: chordAt(loop.fromS), atS: loop.toS };
  }
  return next < chords.length ? { index: next, atS: chords[next].start_s } : null;
}

function showChord(index, next) {
  const chord = chords[index];
  const after = next ? chords[next.index] : null;
  $("now").replaceChildren(...(chord ? chordNodes(chord) : [make("span", { className: "word", textContent: "—" })]));
  $("now").dataset.chord = index;
  setText($("now-roman"), chord ? romanText(chord.roman) : "");
  const scale = chord?.scales?.[0];
  setText($("now-scale"), scale ? `${accidentals(chord.root)} ${scale.name}` : "");
  $("now-tones").replaceChildren(...tonesOf(chord).map((tone) => make("li", {},
    accidentals(tone.note), make("small", { textContent: degreeText(tone.degree) }))));
  $("next").replaceChildren(...(after ? chordNodes(after) : [make("span", { className: "word", textContent: "end" })]));
  $("next").dataset.chord = next ? next.index : -1;
  showNeck();
  if ($("speak").checked && player.playing && chord) say(chordText(chord));
}

function showNeck() {
  const index = shown.chord ?? -1;
  const next = following(index);
  const here = tonesOf(chords[index]);
  const there = tonesOf(next ? chords[next.index] : null);
  const tuning = necks.tunings[view.tuning];
  const sets = stringSets(view.shape, tuning.pitches.length);
  const chosen = $("strings").value;
  const found = drawNeck($("neck"), here, there, {
    tuning, labels: view.labels, shape: view.shape, ghosts: view.ghosts, upright: upright.matches,
    sets: chosen === "all" ? sets : sets.filter((set) => set.join() === chosen),
  });
  const shapeName = $("shapes").selectedOptions[0].textContent;
  setText($("no-shape"), here.length && !found
    ? `This chord holds no ${shapeName} within reach on these strings.` : "");
  const moves = motionsOf(here, there).map(({ source, target, step }) => {
    const [a, b] = [source.note, target.note].map(accidentals);
    if (step === 0) return a === b ? `${a} stays` : `${a} stays, as ${b}`;
    return `${a} → ${b} half a step ${step > 0 ? "up" : "down"}`;
  });
  setText($("moves"), moves.length && here.length ? `To the next chord: ${moves.join(" · ")}` : "");
}

function pips(element, count, lit) {
  const wanted = `${count}/${lit}`;
  if (element.dataset.state === wanted) return;
  element.dataset.state = wanted;
  element.replaceChildren(...Array.from({ length: Math.min(count, 16) }, (_, i) =>
    make("i", { className: i < lit ? "lit" : "" })));
}

/** Show one moment of the track. */
function show({ timeS, counting }) {
  const barIndex = barAt(timeS) >= 0 && timeS < endS ? barAt(timeS) : timeS < musicS ? -1 : bars.length - 1;
  const chordIndex = chordAt(timeS);
  const bar = bars[barIndex];
  const inBeat = bar ? indexAt(bar.beats_s, timeS) + 1 : indexAt(map.count_in.beats_s || [], timeS) + 1;
  const beats = bar ? bar.beats_s.length : map.count_in.beats;
  const next = following(chordIndex);
  if (chordIndex !== shown.chord || next?.index !== shown.next) {
    shown = { ...shown, chord: chordIndex, next: next?.index };
    showChord(chordIndex, next);
  }
  const counted = counting ? counting.beats - counting.beat + 1 : 0;
  const toGo = next ? beatsUntil(timeS, next.atS) + counted : 0;
  const early = next && chords[next.index].sounds_at_s < chords[next.index].start_s - 1e-6;
  setText($("to-go"), next ? `in ${toGo} ${toGo === 1 ? "beat" : "beats"}${early ? ", pushed" : ""}` : "");
  pips($("next-pips"), Math.min(toGo, 16), Math.min(toGo, 16));

  const number = bar ? `Bar ${bar.number} of ${lastNumber}` : "Count-in";
  const chorus = bar && choruses > 1 && !counting ? `, chorus ${bar.chorus}` : "";
  const place = counting ? `Count-in to bar ${bar.number}` : number;
  setText($("position-bar"), place);
  setText($("position-chorus"), chorus);
  setText($("summary-place"), place + chorus);
  const form = counting ? null : inForm[barIndex];
  setText($("position-form"), form ? `bar ${form.number} of ${form.of} of the form` : "");
  setText($("where-section"), bar ? sectionName(bar.section) : "Before the form");
  const beat = counting ? counting.beat : inBeat;
  const of = counting ? counting.beats : beats;
  setText($("position-more"), of ? `beat ${beat || 1} of ${of}${bar ? ` · ${sections[bar.section].dynamics}` : ""}` : "");
  pips($("beat-pips"), of, beat);

  const drawnS = calm.matches && player.playing ? beatsS[Math.max(0, indexAt(beatsS, timeS))] ?? timeS : timeS;
  band.show(drawnS, chordIndex, barIndex);
  barRows.show(drawnS, chordIndex, barIndex);
}

function refresh() {
  show(player.now());
}

function tick() {
  if (!player.playing) return;
  refresh();
  requestAnimationFrame(tick);
}

/** Keep a phone's screen on while it plays, where the browser can. */
async function stayAwake() {
  try {
    if (player.playing) awake ??= await navigator.wakeLock?.request("screen");
    if (!player.playing) {
      await awake?.release();
      awake = null;
    }
  } catch {
    awake = null; // refused, as on a low battery: the page works all the same
  }
}

function showState() {
  stayAwake();
  document.body.classList.toggle("playing", player.playing);
  $("play").setAttribute("aria-label", player.playing ? "Pause" : "Play");
  refresh();
}

async function toggle() {
  if (!player.tape) return;
  if (player.playing) {
    player.pause();
    say(`Paused, ${$("position").textContent}`);
  } else {
    try {
      await player.play();
    } catch (error) {
      tell(`The browser would not start the sound (${error.message}).`);
      return;
    }
    say("Playing");
    requestAnimationFrame(tick);
  }
  showState();
}

function stop() {
  player.stop();
  say("Stopped");
  showState();
}

function goToBar(index) {
  player.goTo(bars[Math.max(0, Math.min(bars.length - 1, index))].start_s);
  refresh();
}

const hereBar = () => Math.max(0, barAt(player.now().timeS));

function stepBar(step) {
  const { timeS } = player.now();
  const index = barAt(timeS);
  // Back goes to the start of this bar first, as every tape deck does, when well into it.
  const into = index >= 0 && timeS - bars[index].start_s > 0.5;
  if (step < 0 && index <= 0 && !into) player.goTo(0);
  else goToBar(index + (step < 0 && into ? 0 : step));
  refresh();
}

function stepSection(step) {
  const index = hereBar();
  const s = sectionOf(index);
  const atStart = index === barsOfSection[s][0];
  const goal = step < 0 && !atStart ? s : s + step;
  goToBar(barsOfSection[Math.max(0, Math.min(sections.length - 1, goal))][0]);
}

function setLoop(first, last) {
  if (first === null) {
    loop = null;
  } else {
    const [a, b] = [Math.min(first, last), Math.max(first, last)];
    const fullBar = bars[a];
    loop = {
      first: a, last: b, fromS: bars[a].start_s, toS: bars[b].end_s,
      countS: fullBar.beats_s.map((s) => s - fullBar.start_s), barS: fullBar.end_s - fullBar.start_s,
    };
    $("loop-from").value = bars[a].number;
    $("loop-to").value = bars[b].number;
  }
  player.setLoop(loop);
  anchor = null;
  band.showLoop(loop);
  barRows.showLoop(loop);
  const text = !loop ? "" : loop.first === loop.last
    ? `looping bar ${bars[loop.first].number}`
    : `looping bars ${bars[loop.first].number} to ${bars[loop.last].number}`;
  setText($("summary-loop"), text);
  $("loop").setAttribute("aria-pressed", String(Boolean(loop)));
  say(text || "Loop off");
  shown = {};
  refresh();
}

function toggleLoop() {
  if (loop) setLoop(null);
  else setLoop(...barsOfSection[sectionOf(hereBar())]);
}

function chooseBar(index, extend) {
  if (extend) {
    setLoop(anchor ?? hereBar(), index);
  } else {
    goToBar(index);
    anchor = index;
  }
}

function markLoop(edge) {
  const here = hereBar();
  if (edge === "from") setLoop(here, loop && loop.last >= here ? loop.last : here);
  else setLoop(loop && loop.first <= here ? loop.first : here, here);
}

function setSpeed(value) {
  const speed = Math.max(50, Math.min(100, value));
  $("speed").value = speed;
  player.setSpeed(speed / 100);
  setText($("speed-value"), `${speed} %`);
  setText($("summary-speed"), `${speed} %`);
  $("slower").disabled = speed <= 50;
  $("faster").disabled = speed >= 100;
  return speed;
}

function nudge(step) {
  say(`Speed ${setSpeed(Number($("speed").value) + step)} percent`);
}

function offerStrings() {
  const tuning = necks.tunings[view.tuning];
  const sets = stringSets(view.shape, tuning.pitches.length);
  $("strings-choice").hidden = !sets.length;
  $("strings").replaceChildren(...sets.map((set) => make("option", {
    value: set.join(), textContent: [...set].reverse().join(" ") })),
  make("option", { value: "all", textContent: "all" }));
}

function offerMixer() {
  const names = [...player.levels.keys()];
  if (names.length < 2) return;
  for (const name of names) {
    const state = player.levels.get(name);
    const level = make("input", { type: "range", min: 0, max: 120, step: 5, value: 100, id: `level-${name}` });
    const output = make("output", { textContent: "100 %" });
    const mute = make("button", { type: "button", className: "toggle", textContent: "Mute" });
    mute.setAttribute("aria-pressed", "false");
    mute.setAttribute("aria-label", `Mute ${name}`);
    level.addEventListener("input", () => {
      state.level = level.value / 100;
      output.textContent = `${level.value} %`;
      player.applyLevels();
    });
    mute.addEventListener("click", () => {
      state.muted = !state.muted;
      mute.setAttribute("aria-pressed", String(state.muted));
      player.applyLevels();
    });
    $("mixer").append(make("div", { className: "channel" },
      make("label", { className: "wide" }, make("span", { textContent: name }), level, output), mute));
  }
}

function tell(text) {
  $("notice").textContent = text;
  $("notice").hidden = false;
}

function barByNumber(value) {
  return bars.findIndex((bar) => bar.number === Number(value));
}

function connect() {
  const on = (id, type, action) => $(id).addEventListener(type, action);
  on("play", "click", toggle);
  on("stop", "click", stop);
  on("back", "click", () => stepBar(-1));
  on("on", "click", () => stepBar(1));
  on("loop", "click", toggleLoop);
  on("slower", "click", () => nudge(-5));
  on("faster", "click", () => nudge(5));
  on("speed", "input", () => setSpeed(Number($("speed").value)));
  on("volume", "input", () => {
    player.level = $("volume").value / 100;
    setText($("volume-value"), `${$("volume").value} %`);
    player.applyLevels();
  });
  on("loop-section", "change", () => {
    if ($("loop-section").value !== "") setLoop(...barsOfSection[Number($("loop-section").value)]);
  });
  on("loop-set", "click", () => {
    const [first, last] = [barByNumber($("loop-from").value), barByNumber($("loop-to").value)];
    if (first < 0 || last < 0) say(`Bars go from ${bars[0].number} to ${lastNumber}`);
    else setLoop(first, last);
  });
  on("loop-off", "click", () => setLoop(null));
  on("loop-count", "change", () => { player.count = $("loop-count").value; });
  on("tuning", "change", () => {
    view.tuning = Number($("tuning").value);
    offerStrings();
    showNeck();
  });
  on("labels", "change", () => { view.labels = $("labels").value; showNeck(); });
  on("shapes", "change", () => { view.shape = $("shapes").value; offerStrings(); showNeck(); });
  on("strings", "change", showNeck);
  on("ghosts", "change", () => { view.ghosts = $("ghosts").checked; showNeck(); });
  on("bars", "click", (event) => {
    const button = event.target.closest("button[data-loop-section]");
    if (button) setLoop(...barsOfSection[Number(button.dataset.loopSection)]);
  });
  on("tempos", "click", (event) => {
    if (event.target.href) event.target.hash = `bar=${bars[hereBar()].number}`;
  });
  connectBand();
  document.addEventListener("keydown", onKey);
  upright.addEventListener("change", showNeck);
  addEventListener("resize", () => {
    band.fit();
    barRows.lay();
    barRows.showLoop(loop);
    refresh();
  });
  player.onend = () => { say("The end"); showState(); };
}

function connectBand() {
  const element = band.element;
  const follow = (event) => {
    player.goTo(band.timeAt(event.clientX));
    refresh();
  };
  element.addEventListener("pointerdown", (event) => {
    element.setPointerCapture(event.pointerId);
    follow(event);
  });
  element.addEventListener("pointermove", (event) => {
    if (element.hasPointerCapture(event.pointerId)) follow(event);
  });
  element.addEventListener("keydown", (event) => {
    const actions = {
      ArrowLeft: () => stepBar(-1), ArrowDown: () => stepBar(-1),
      ArrowRight: () => stepBar(1), ArrowUp: () => stepBar(1),
      PageDown: () => stepSection(-1), PageUp: () => stepSection(1),
      Home: () => goToBar(0), End: () => goToBar(bars.length - 1),
    };
    if (!(event.key in actions) || event.shiftKey || event.ctrlKey || event.altKey) return;
    actions[event.key]();
    event.preventDefault();
    event.stopPropagation();
  });
}

const SHORTCUTS = {
  " ": toggle, p: toggle, s: stop, l: toggleLoop,
  "[": () => markLoop("from"), "]": () => markLoop("to"),
  "-": () => nudge(-5), "−": () => nudge(-5), "+": () => nudge(5), "=": () => nudge(5),
  d: () => setLabels("degree"), n: () => setLabels("note"),
};

function setLabels(labels) {
  view.labels = $("labels").value = labels;
  showNeck();
}

function onKey(event) {
  if (!$("keys").checked || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  const { target } = event;
  if (target.closest("select, input[type=number]")) return;
  // What a focused control does with a key itself stays so.
  const presses = target.closest("button, a, input[type=checkbox], summary");
  const slides = target.closest("input[type=range]");
  if (event.key === " " && (presses || slides)) return;
  if (event.key.startsWith("Arrow")) {
    if (slides || !["ArrowLeft", "ArrowRight"].includes(event.key)) return;
    const step = event.key === "ArrowLeft" ? -1 : 1;
    if (event.shiftKey) stepSection(step);
    else stepBar(step);
  } else {
    const action = SHORTCUTS[event.key.toLowerCase()];
    if (!action) return;
    action();
  }
  event.preventDefault();
}

async function begin() {
  if (!$("tempos")) document.body.append(make("span", { id: "tempos", hidden: true }));
  $("tuning").append(...["guitar", "bass"].map((instrument) => {
    const group = make("optgroup", { label: instrument });
    necks.tunings.forEach((tuning, i) => {
      if (tuning.instrument === instrument) group.append(make("option", { value: i, textContent: tuning.title }));
    });
    return group;
  }));
  $("tuning").value = "0";
  $("loop-section").append(...sections.map((section, s) => make("option", {
    value: s, textContent: `${sectionName(s)}, bars ${section.first_bar} to ${section.last_bar}`,
  })));
  for (const id of ["loop-from", "loop-to"]) {
    $(id).min = bars[0].number;
    $(id).max = lastNumber;
  }
  $("loop-from").value = bars[0].number;
  $("loop-to").value = bars[Math.min(1, bars.length - 1)].number;
  offerStrings();
  setSpeed(100);
  connect();
  const wanted = /^#bar=(\d+)$/.exec(location.hash);
  if (wanted && barByNumber(wanted[1]) >= 0) goToBar(barByNumber(wanted[1]));
  else refresh();
  $("play").disabled = true;
  try {
    await player.load(Number(document.querySelector("script.sound").dataset.rateHz));
    $("play").disabled = false;
    offerMixer();
    document.body.dataset.ready = "true";
    setTimeout(() => player.tape.attacks, 1500); // so that the first change of speed is prompt
  } catch (error) {
    tell(`This browser cannot decode the sound of the page (${error.message}). A newer browser, or a page made from WAV, will.`);
    document.body.dataset.ready = "failed";
  }
}

window.practice = { map, player, Pass, refresh, tonesOf, placesOf, shapesOf, stringSets, motionsOf };
begin();
})();
