/* The inner loops of the sound room: what is done for every sample.
 *
 * Arrays are float32, planar, contiguous; counts are in samples unless the name says otherwise.
 * Nothing here allocates or keeps state: `__init__.py` in this folder checks and owns the memory.
 * Sums have one order and are never fused (-ffp-contract=off), so that the samples are the same
 * bits on every machine, however wide its vectors are.
 */

#include <math.h>
#include <stdint.h>
#include <string.h>

#if defined(_WIN32)
#define EXPORT __declspec(dllexport)
#else
#define EXPORT __attribute__((visibility("default")))
#endif

/* GCC with glibc compiles a loop for wide vectors too and chooses as the library is loaded. */
#if defined(__x86_64__) && defined(__GLIBC__) && defined(__GNUC__) && __GNUC__ >= 12
#define WIDE __attribute__((target_clones("arch=x86-64-v4", "avx2", "default")))
#else
#define WIDE
#endif

enum { SPAN = 64, TAPS = 32, PHASES = 3, LINES = 16 };

/* A stretch of a recording and where it goes. From its sample `curve_from` on it follows `curve`,
 * the gain at every 64th sample, and from `fade_from` on `fade`, the gain of each; both are as long
 * as need be, may begin before the stretch, and are null for none. */
typedef struct {
    const int16_t *left, *right; /* the same where the recording is mono */
    int64_t at, frames;          /* in the block */
    const float *curve;
    int64_t curve_from;
    const float *fade;
    int64_t fade_from;
    float gain;
    int32_t unused;
} stretch;

WIDE static void add_scaled(const int16_t *restrict from, float gain, int64_t frames,
                            float *restrict to)
{
    for (int64_t i = 0; i < frames; i++) to[i] += from[i] * gain;
}

/* Adds samples at a gain that goes from one corner of a curve to the next, of which they start
 * `first` behind; times a fade, unless it is null. */
static inline void add_sloped(const int16_t *restrict from, float gain, float step, int32_t first,
                              int32_t frames, const float *restrict fade, float *restrict to)
{
    if (fade)
        for (int32_t i = 0; i < frames; i++)
            to[i] += from[i] * ((gain + step * (float)(first + i)) * fade[i]);
    else
        for (int32_t i = 0; i < frames; i++)
            to[i] += from[i] * (gain + step * (float)(first + i));
}

/* Adds what of a stretch lies from sample `i` on, where a curve or a fade holds. */
WIDE static void add_shaped(const int16_t *from, const stretch *note, int64_t i, float *row)
{
    while (i < note->frames) {
        int64_t next = note->frames;
        int32_t first = 0;
        float gain = note->gain, step = 0;
        const float *fade = 0;
        if (note->curve && i < note->curve_from) {
            if (note->curve_from < next) next = note->curve_from;
        } else if (note->curve) {
            const int64_t corner = (i - note->curve_from) / SPAN;
            const int64_t end = note->curve_from + SPAN * (corner + 1);
            first = (int32_t)(i - (end - SPAN));
            gain = note->gain * note->curve[corner];
            step = (note->gain * note->curve[corner + 1] - gain) * (1.0f / SPAN);
            if (end < next) next = end;
        }
        if (note->fade && i >= note->fade_from)
            fade = note->fade + (i - note->fade_from);
        else if (note->fade && note->fade_from < next)
            next = note->fade_from;
        add_sloped(from + i, gain, step, first, (int32_t)(next - i), fade, row + note->at + i);
        i = next;
    }
}

static void add(const int16_t *from, const stretch *note, float *row)
{
    int64_t plain = note->frames;
    if (note->curve && note->curve_from < plain) plain = note->curve_from;
    if (note->fade && note->fade_from < plain) plain = note->fade_from;
    if (plain < 0) plain = 0;
    add_scaled(from, note->gain, plain, row + note->at);
    add_shaped(from, note, plain, row);
}

/* Adds recordings to a bus of `rows` rows (1: all of them are mono) of `frames`. */
EXPORT void place(const stretch *notes, int64_t count, int32_t rows, int64_t frames, float *bus)
{
    for (int64_t n = 0; n < count; n++) {
        add(notes[n].left, &notes[n], bus);
        if (rows == 2) add(notes[n].right, &notes[n], bus + frames);
    }
}

/* Sets a bus on the desk: `to` (2 rows) gains its middle and side, `send` its share of the room. */
WIDE EXPORT void set_on_desk(const float *restrict bus, int32_t rows, int64_t frames, float left,
                             float right, float send_gain, float *restrict to,
                             float *restrict send)
{
    const float *other = bus + (rows == 2 ? frames : 0);
    float *restrict side = to + frames;
    for (int64_t i = 0; i < frames; i++) {
        float a = bus[i] * left, b = other[i] * right;
        to[i] += a + b;
        side[i] += a - b;
        send[i] += (a + b) * send_gain;
    }
}

/* Filters one to four rows, `row_frames` apart, by one or two biquads in series (transposed direct
 * form II): coefficients (rows, sections, 5) as (b0, b1, b2, a1, a2), states (rows, sections, 2).
 * The rows go side by side in one vector, since each sample has to wait for the one before it. */
WIDE EXPORT void cascade(const float *from, int64_t row_frames, float *restrict to, int32_t rows,
                         int64_t frames, int32_t sections, const double *c, double *z)
{
    typedef double four __attribute__((vector_size(32)));
    const float *source[4];
    four k[2][5], state[2][2];
    for (int32_t row = 0; row < 4; row++) {
        const int32_t own = row < rows ? row : 0;
        source[row] = from + own * row_frames;
        for (int32_t s = 0; s < 2; s++) {
            for (int32_t i = 0; i < 5; i++)
                k[s][i][row] = s < sections ? c[5 * (own * sections + s) + i] : i == 0;
            for (int32_t i = 0; i < 2; i++)
                state[s][i][row] = s < sections ? z[2 * (own * sections + s) + i] : 0;
        }
    }
    for (int64_t i = 0; i < frames; i++) {
        four x = {source[0][i], source[1][i], source[2][i], source[3][i]};
        for (int32_t s = 0; s < 2; s++) {
            const four y = k[s][0] * x + state[s][0];
            state[s][0] = k[s][1] * x + state[s][1] - k[s][3] * y;
            state[s][1] = k[s][2] * x - k[s][4] * y;
            x = y;
        }
        for (int32_t row = 0; row < rows; row++) to[row * frames + i] = (float)x[row];
    }
    for (int32_t row = 0; row < rows; row++)
        for (int32_t s = 0; s < sections; s++)
            for (int32_t i = 0; i < 2; i++) z[2 * (row * sections + s) + i] = state[s][i][row];
}

/* The greatest absolute sample of each span of 64. */
WIDE EXPORT void span_heights(const float *restrict from, int64_t spans, float *restrict heights)
{
    for (int64_t s = 0; s < spans; s++) {
        float lanes[16] = {0};
        for (int32_t i = 0; i < SPAN; i += 16)
            for (int32_t k = 0; k < 16; k++) {
                float height = fabsf(from[s * SPAN + i + k]);
                lanes[k] = height > lanes[k] ? height : lanes[k];
            }
        float top = 0;
        for (int32_t k = 0; k < 16; k++) top = lanes[k] > top ? lanes[k] : top;
        heights[s] = top;
    }
}

/* The greatest absolute value between the samples, over the windows that start in one span: `from`
 * holds 64 + 31 samples, `taps` three phases of 32. */
WIDE static float top_between(const float *restrict from, const float *restrict taps)
{
    float top = 0;
    for (int32_t phase = 0; phase < PHASES; phase++) {
        float sums[SPAN] = {0};
        for (int32_t t = 0; t < TAPS; t++)
            for (int32_t i = 0; i < SPAN; i++) sums[i] += taps[phase * TAPS + t] * from[i + t];
        for (int32_t i = 0; i < SPAN; i++) {
            float height = fabsf(sums[i]);
            top = height > top ? height : top;
        }
    }
    return top;
}

/* The same for each of the spans whose numbers are given, over all of `from`. */
EXPORT void tops_between(const float *from, const int64_t *spans, int64_t count, const float *taps,
                         float *tops)
{
    for (int64_t n = 0; n < count; n++) tops[n] = top_between(from + spans[n] * SPAN, taps);
}

WIDE static void multiply_by_line(float *restrict samples, int64_t frames, float level, float step)
{
    for (int64_t i = 0; i < frames; i++) samples[i] *= level + step * (float)(int32_t)i;
}

/* Multiplies rows by a curve of straight lines between corners, whose times rise and whose first
 * lies at or before the first sample; behind the last one it goes on level. */
EXPORT void follow_curve(float *block, int32_t rows, int64_t row_frames, int64_t frames,
                         const int64_t *times, const float *levels, int64_t corners)
{
    for (int64_t k = 0; k < corners; k++) {
        const int64_t next = k + 1 < corners && times[k + 1] < frames ? times[k + 1] : frames;
        const int64_t from = times[k] > 0 ? times[k] : 0;
        if (from >= next) continue;
        const float step = k + 1 < corners ? (levels[k + 1] - levels[k]) / (times[k + 1] - times[k]) : 0;
        const float level = levels[k] + step * (from - times[k]);
        if (level == 1 && step == 0) continue;
        for (int32_t row = 0; row < rows; row++)
            multiply_by_line(block + row * row_frames + from, next - from, level, step);
    }
}

/* Eight samples side by side, anywhere in memory. */
typedef float eight __attribute__((vector_size(32), aligned(4)));

/* Rings a room: 16 delay lines that feed one another through a Hadamard matrix, whose rows are
 * patterns of signs. Adds `frames`, a multiple of 64, to the two rows of `to`, `row_frames` apart,
 * at `levels`. Each line is a ring of `length` (a power of two) samples and a copy of the first 128
 * behind them, `now` the place that is written next; no delay is below 65. Of what leaves a line,
 * `gains` (16, 2) takes the sample and the one after it. */
WIDE EXPORT void ring(const float *send, int64_t frames, float *lines, int64_t length, int64_t now,
                      const int32_t *delays, const float *gains, const float *levels, float *to,
                      int64_t row_frames)
{
    enum { COPIED = 2 * SPAN };
    for (int64_t start = 0; start < frames; start += SPAN, now += SPAN) {
        const int64_t place = now & (length - 1);
        const float *late[LINES];
        for (int32_t line = 0; line < LINES; line++)
            late[line] = lines + line * (length + COPIED) + ((now - delays[line]) & (length - 1));
        for (int32_t i = 0; i < SPAN; i += 8) {
            eight heard[LINES];
#pragma GCC unroll 16
            for (int32_t line = 0; line < LINES; line++)
                heard[line] = gains[2 * line] * *(const eight *)(late[line] + i) +
                              gains[2 * line + 1] * *(const eight *)(late[line] + i + 1);
#pragma GCC unroll 4
            for (int32_t half = 1; half < LINES; half *= 2)
#pragma GCC unroll 16
                for (int32_t a = 0; a < LINES; a++)
                    if (!(a & half)) {
                        const eight sum = heard[a] + heard[a + half];
                        heard[a + half] = heard[a] - heard[a + half];
                        heard[a] = sum;
                    }
            *(eight *)(to + start + i) += levels[0] * heard[5];
            *(eight *)(to + row_frames + start + i) += levels[1] * heard[6];
            const eight in = *(const eight *)(send + start + i);
#pragma GCC unroll 16
            for (int32_t line = 0; line < LINES; line++)
                *(eight *)(lines + line * (length + COPIED) + place + i) = in + heard[line];
        }
        if (place < COPIED)
            for (int32_t line = 0; line < LINES; line++) {
                float *own = lines + line * (length + COPIED) + place;
                memcpy(own + length, own, sizeof(float) * SPAN);
            }
    }
}

/* A number that looks drawn at random, from a number: the finalizer of MurmurHash3 (A. Appleby,
 * public domain). */
static inline uint32_t scattered(uint32_t x)
{
    x ^= x >> 16;
    x *= 0x85ebca6bu;
    x ^= x >> 13;
    x *= 0xc2b2ae35u;
    return x ^ (x >> 16);
}

static inline int16_t rounded(float value)
{
    const float whole = 12582912.0f; /* 1.5 * 2^23: what is added to it loses its fraction */
    value = value > 32767.0f ? 32767.0f : value < -32768.0f ? -32768.0f : value;
    return (int16_t)((value + whole) - whole);
}

/* Rows, `row_frames` apart, times a factor, as 16-bit samples. */
WIDE EXPORT void quantised(const float *restrict from, int32_t rows, int64_t row_frames,
                           int64_t frames, float factor, int16_t *restrict to)
{
    for (int32_t row = 0; row < rows; row++)
        for (int64_t i = 0; i < frames; i++)
            to[row * frames + i] = rounded(from[row * row_frames + i] * factor);
}

static inline int16_t dithered(float sample, uint32_t place)
{
    const uint32_t drawn = scattered(place);
    /* Two evenly spread numbers of 16 bits add up to a triangle two steps wide. */
    const float noise = (float)(int32_t)((drawn & 0xffff) + (drawn >> 16)) - 65535.0f;
    return rounded(sample * 32767.0f + noise * (1.0f / 65536.0f));
}

/* Two rows, times gain, to interleaved 16-bit samples with triangular dither, which depends only
 * on the place in the track: `start` is that of the first sample. */
WIDE EXPORT void to_pcm16(const float *restrict rows, int64_t row_frames, int64_t frames,
                          float gain, int64_t start, int16_t *restrict pcm)
{
    for (int64_t i = 0; i < frames; i++) {
        const uint32_t place = 2 * (uint32_t)(start + i);
        pcm[2 * i] = dithered(rows[i] * gain, place);
        pcm[2 * i + 1] = dithered(rows[row_frames + i] * gain, place + 1);
    }
}

/* Two rows, times gain, to interleaved floats. */
WIDE EXPORT void interleaved(const float *restrict rows, int64_t row_frames, int64_t frames,
                             float gain, float *restrict to)
{
    for (int64_t i = 0; i < frames; i++) {
        to[2 * i] = rows[i] * gain;
        to[2 * i + 1] = rows[row_frames + i] * gain;
    }
}

/* What a note is like: its greatest sample over both rows, and whether they are the same. */
WIDE static float survey(const float *restrict left, const float *restrict right, int64_t frames,
                         int32_t *same)
{
    float top = 0;
    int32_t differ = 0;
    for (int64_t i = 0; i < frames; i++) {
        const float a = fabsf(left[i]), b = fabsf(right[i]);
        differ |= left[i] != right[i];
        top = a > top ? a : top;
        top = b > top ? b : top;
    }
    *same = !differ;
    return top;
}

/* ---- Recording: FluidSynth is called from here, so that no other thread of Python waits. ---- */

enum { TAIL_CHUNK = 32 * SPAN, HELD_CHUNK = 256 * SPAN, QUIET_CHUNKS = 4 };

/* A synthesiser and the functions of its library. */
typedef struct {
    void *synth;
    int (*note_on)(void *, int channel, int pitch, int velocity);
    int (*note_off)(void *, int channel, int pitch);
    int (*write)(void *, int frames, void *left, int offset, int step, void *right, int, int);
    int (*silence)(void *, int channel);
    int (*voices)(void *);
} instrument;

static int64_t roll(const instrument *of, float *tape, int64_t row_frames, int64_t at,
                    int64_t frames)
{
    float *place = tape + at;
    const int status =
        of->write(of->synth, (int)frames, place, 0, 1, place + row_frames, 0, 1);
    return status == 0 ? frames : -1;
}

/* Strikes a note on voices that carry no state of the note before: FluidSynth keeps some, so the
 * note (and what chokes it) is started once and killed, which leaves its own. */
static int strike_clean(const instrument *of, int channel, int pitch, int velocity, int choke_pitch,
                        float *tape, int64_t row_frames)
{
    int refused = of->note_on(of->synth, channel, pitch, velocity);
    if (choke_pitch) refused |= of->note_on(of->synth, channel, choke_pitch, 1);
    refused |= roll(of, tape, row_frames, 0, SPAN) < 0;
    refused |= of->silence(of->synth, -1);
    refused |= roll(of, tape, row_frames, 0, SPAN) < 0;
    refused |= of->note_on(of->synth, channel, pitch, velocity);
    return refused;
}

/* What was heard of a note so far: its greatest sample, and whether both sides were the same. */
typedef struct {
    float peak;
    int32_t same;
} impression;

/* Plays on and listens; returns the height of what was played, or -1. */
static float roll_and_hear(const instrument *of, float *tape, int64_t row_frames, int64_t at,
                           int64_t frames, impression *heard)
{
    int32_t same;
    if (roll(of, tape, row_frames, at, frames) < 0) return -1;
    const float height = survey(tape + at, tape + row_frames + at, frames, &same);
    heard->same &= same;
    heard->peak = height > heard->peak ? height : heard->peak;
    return height;
}

/* Plays a note and puts it on tape, two rows, from its onset until it stays `tail_floor` below its
 * peak. It is let go after `held` samples and choked by a soft touch of `choke_pitch` after `choke`
 * ones (0 for never), all multiples of 64; with a `longest_tail` of 0 it ends where it would be let
 * go. Returns its length, or -1 where FluidSynth refuses, and what it is like. The tape has room
 * for the later of the two ends, `longest_tail` and a chunk. */
EXPORT int64_t record(const instrument *of, int32_t channel, int32_t pitch, int32_t velocity,
                      int64_t held, int32_t choke_pitch, int64_t choke, float tail_floor,
                      float silent, int64_t longest_tail, float *tape, int64_t row_frames,
                      impression *heard)
{
    int64_t frames = 0;
    int refused = strike_clean(of, channel, pitch, velocity, choke_pitch, tape, row_frames);
    const int choked_first = choke_pitch && choke <= held;
    const int64_t first = choked_first ? choke : held;
    *heard = (impression){0, 1};
    /* A drum may end by itself, a string may fade away. */
    for (int32_t quiet = 0; !refused && frames < first && quiet < QUIET_CHUNKS;) {
        if (!of->voices(of->synth)) break;
        const int64_t rest = first - frames, chunk = rest < HELD_CHUNK ? rest : HELD_CHUNK;
        const float height = roll_and_hear(of, tape, row_frames, frames, chunk, heard);
        refused |= height < 0;
        quiet = height < tail_floor * heard->peak ? quiet + 1 : 0;
        frames += chunk;
    }
    const int64_t now = frames;
    if (choked_first) {
        /* The softest touch: 84 dB below a full one, it leaves the choke and hardly a sound. */
        refused |= of->note_on(of->synth, channel, choke_pitch, 1);
        if (!refused && held > choke) {
            refused |= roll_and_hear(of, tape, row_frames, frames, held - choke, heard) < 0;
            frames += held - choke;
        }
        of->note_off(of->synth, channel, pitch); /* refused where no voice is left: no fault */
    } else {
        of->note_off(of->synth, channel, pitch);
        if (!refused && choke_pitch) {
            if (choke > now) {
                refused |= roll_and_hear(of, tape, row_frames, frames, choke - now, heard) < 0;
                frames += choke - now;
            }
            refused |= of->note_on(of->synth, channel, choke_pitch, 1);
        }
    }
    float floor = tail_floor * heard->peak;
    floor = floor > silent ? floor : silent;
    for (int64_t left = longest_tail; !refused && left > 0 && of->voices(of->synth);
         left -= TAIL_CHUNK) {
        const float height = roll_and_hear(of, tape, row_frames, frames, TAIL_CHUNK, heard);
        refused |= height < 0;
        if (height < floor) break;
        frames += TAIL_CHUNK;
    }
    refused |= of->silence(of->synth, -1);
    refused |= roll(of, tape, row_frames, frames, SPAN) < 0;
    return refused ? -1 : frames;
}

/* Plays the first moments of a note: `frames`, a multiple of 64, on a tape of two rows of that
 * length and 64 samples more. Returns 0, or -1 where FluidSynth refuses. */
EXPORT int64_t record_onset(const instrument *of, int32_t channel, int32_t pitch, int32_t velocity,
                            int64_t frames, float *tape, int64_t row_frames)
{
    int refused = strike_clean(of, channel, pitch, velocity, 0, tape, row_frames);
    refused |= roll(of, tape, row_frames, 0, frames) < 0;
    refused |= of->silence(of->synth, -1);
    refused |= roll(of, tape, row_frames, frames, SPAN) < 0;
    return refused ? -1 : 0;
}
