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
#define HAS_AVX
#else
#define WIDE
#endif

#define INLINE static inline __attribute__((always_inline))

enum { SPAN = 64, TAPS = 32, PHASES = 3, LINES = 16 };

typedef double two __attribute__((vector_size(16)));
typedef double four __attribute__((vector_size(32)));

/* Samples that are mixed at a time: few enough for a bus to stay near the processor. */
enum { PIECE = 32 * SPAN };

/* A recording and where in the track it sounds. From its sample `curve_from` on it follows `curve`,
 * the gain at every 64th sample, and from `fade_from` on `fade`, the gain of each; both are as long
 * as need be, and null for none. */
typedef struct {
    const int16_t *left, *right; /* the same where the recording is mono */
    int64_t first, frames;
    const float *curve;
    int64_t curve_from;
    const float *fade;
    int64_t fade_from;
    float gain;
    int32_t unused;
} sounding;

/* Has a span fetched that the next piece will want of a recording: the processor, which sees many of
 * them read in turn, a little of each, foresees none. */
static inline void expect(const int16_t *span)
{
    __builtin_prefetch(span + PIECE);
    __builtin_prefetch(span + PIECE + SPAN / 2);
}

WIDE static void add_scaled(const int16_t *restrict from, float gain, int64_t frames,
                            float *restrict to)
{
    int64_t i = 0;
    for (; i + SPAN <= frames; i += SPAN) {
        expect(from + i);
        for (int32_t k = 0; k < SPAN; k++) to[i + k] += from[i + k] * gain;
    }
    for (; i < frames; i++) to[i] += from[i] * gain;
}

/* Adds samples at a gain that goes from one corner of a curve to the next, of which they start
 * `first` behind; times a fade, unless it is null. */
static inline void add_sloped(const int16_t *restrict from, float gain, float step, int32_t first,
                              int32_t frames, const float *restrict fade, float *restrict to)
{
    if (fade)
        for (int32_t i = 0; i < frames; i++)
            to[i] += from[i] * ((gain + step * (float)(first + i)) * fade[i]);
    else if (frames == SPAN) { /* most are whole */
        expect(from);
        for (int32_t i = 0; i < SPAN; i++) to[i] += from[i] * (gain + step * (float)i);
    } else
        for (int32_t i = 0; i < frames; i++)
            to[i] += from[i] * (gain + step * (float)(first + i));
}

/* Adds samples `i` to `end` of a note, where its curve or its fade holds, to where `i` goes. */
WIDE static void add_shaped(const int16_t *from, const sounding *note, int64_t i, int64_t end,
                            float *to)
{
    while (i < end) {
        int64_t next = end;
        int32_t first = 0;
        float gain = note->gain, step = 0;
        const float *fade = 0;
        if (note->curve && i < note->curve_from) {
            if (note->curve_from < next) next = note->curve_from;
        } else if (note->curve) {
            const int64_t corner = (i - note->curve_from) / SPAN;
            const int64_t border = note->curve_from + SPAN * (corner + 1);
            first = (int32_t)(i - (border - SPAN));
            gain = note->gain * note->curve[corner];
            step = (note->gain * note->curve[corner + 1] - gain) * (1.0f / SPAN);
            if (border < next) next = border;
        }
        if (note->fade && i >= note->fade_from)
            fade = note->fade + (i - note->fade_from);
        else if (note->fade && note->fade_from < next)
            next = note->fade_from;
        add_sloped(from + i, gain, step, first, (int32_t)(next - i), fade, to);
        to += next - i;
        i = next;
    }
}

static void add(const int16_t *from, const sounding *note, int64_t i, int64_t end, float *to)
{
    int64_t plain = end;
    if (note->curve && note->curve_from < plain) plain = note->curve_from;
    if (note->fade && note->fade_from < plain) plain = note->fade_from;
    if (plain < i) plain = i;
    add_scaled(from + i, note->gain, plain - i, to);
    add_shaped(from, note, plain, end, to + (plain - i));
}

WIDE static void multiply_by_line(float *restrict samples, int64_t frames, float level, float step,
                                  int64_t first)
{
    for (int64_t i = 0; i < frames; i++) samples[i] *= level + step * (float)(int32_t)(first + i);
}

/* Straight lines between corners, whose times in a block rise and whose first lies at or before its
 * first sample; behind the last one the curve goes on level. */
typedef struct {
    const int64_t *times;
    const float *levels;
    int64_t corners;
} envelope;

/* Multiplies rows, which hold the samples `at` to `end` of a block, by a curve. */
static void follow(const envelope *of, float *piece, int32_t rows, int64_t row_frames, int64_t at,
                   int64_t end)
{
    for (int64_t k = 0; k < of->corners; k++) {
        const int64_t *time = of->times + k;
        const float *height = of->levels + k;
        const int32_t last = k + 1 == of->corners;
        const int64_t from = time[0] > 0 ? time[0] : 0; /* where the line starts in the block */
        const int64_t first = from > at ? from : at, next = last || time[1] > end ? end : time[1];
        if (first >= next) continue;
        const float step = last ? 0 : (height[1] - height[0]) / (time[1] - time[0]);
        const float level = height[0] + step * (from - time[0]);
        if (level == 1 && step == 0) continue;
        for (int32_t row = 0; row < rows; row++)
            multiply_by_line(piece + row * row_frames + (first - at), next - first, level, step,
                             first - from);
    }
}

/* Multiplies rows by a curve. */
EXPORT void follow_curve(float *block, int32_t rows, int64_t row_frames, int64_t frames,
                         const int64_t *times, const float *levels, int64_t corners)
{
    const envelope of = {times, levels, corners};
    follow(&of, block, rows, row_frames, 0, frames);
}

/* Makes what sounds of notes from sample `start` of the track on. Returns the rows that are filled:
 * none where nothing sounds, one where all is mono. */
static int32_t place(const sounding *notes, int64_t count, int64_t start, int64_t frames,
                     float bus[2][PIECE])
{
    int32_t rows = 0;
    for (const sounding *note = notes; note < notes + count; note++) {
        const int64_t i = start > note->first ? start - note->first : 0;
        const int64_t left = start + frames - note->first;
        const int64_t end = left < note->frames ? left : note->frames;
        if (i >= end) continue;
        if (rows == 0) {
            memset(bus[0], 0, sizeof(float) * frames);
            rows = 1;
        }
        if (rows == 1 && note->left != note->right) {
            memcpy(bus[1], bus[0], sizeof(float) * frames);
            rows = 2;
        }
        const int64_t to = note->first + i - start;
        add(note->left, note, i, end, bus[0] + to);
        if (rows == 2) add(note->right, note, i, end, bus[1] + to);
    }
    return rows;
}

/* What a bus plays in a block, and how it is set on the desk: the gains of its sides, that of its
 * middle into the room, and in which signals it is heard, a bit for each. It plays the next `notes`
 * of those that are given, on a curve, or the two rows of `ready` as they are, if not null. */
typedef struct {
    const float *ready;
    int64_t notes;
    envelope expression;
    uint64_t signals;
    float left_gain, right_gain, send_gain;
    int32_t unused;
} strip;

WIDE static void add_strip(const strip *of, const float *left, const float *right, int64_t frames,
                           float *restrict middle, float *restrict side, float *restrict send)
{
    for (int64_t i = 0; i < frames; i++) {
        const float a = left[i] * of->left_gain, b = right[i] * of->right_gain;
        middle[i] += a + b;
        side[i] += a - b;
        send[i] += (a + b) * of->send_gain;
    }
}

/* Mixes a block that starts at sample `start` of the track: `to` becomes, for each signal, the sums
 * of the middles, the sides and the sends of the strips that are heard in it. */
EXPORT void mix(const strip *strips, int64_t count, const sounding *notes, int64_t start,
                int64_t frames, int32_t signals, float *to)
{
    _Alignas(64) float bus[2][PIECE];
    for (int64_t at = 0; at < frames; at += PIECE) {
        const int64_t few = frames - at < PIECE ? frames - at : PIECE;
        for (int32_t row = 0; row < 3 * signals; row++)
            memset(to + row * frames + at, 0, sizeof(float) * few);
        const sounding *own = notes;
        for (const strip *of = strips; of < strips + count; own += of->notes, of++) {
            const float *left = bus[0], *right = bus[1];
            if (of->ready) {
                left = of->ready + at, right = left + frames;
            } else {
                const int32_t rows = place(own, of->notes, start + at, few, bus);
                if (!rows) continue;
                if (rows == 1) right = left;
                follow(&of->expression, bus[0], rows, PIECE, at, at + few);
            }
            for (int32_t n = 0; n < signals; n++) {
                float *middle = to + 3 * n * frames + at;
                if (of->signals >> n & 1)
                    add_strip(of, left, right, few, middle, middle + frames, middle + 2 * frames);
            }
        }
    }
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

/* Defines a step of as many biquads (direct form I) as a vector has lanes: two samples of each, which
 * go to `to` and the row behind it. With p and q what comes from before the biquads, both samples
 * follow from the two behind them before those: only every other sample has to be waited for.
 * States `z`: the last two samples of before and of behind. */
#define DEFINE_STEP(name, lanes)                                                               \
    INLINE void name(const lanes k[10], lanes now, lanes next, lanes z[4], double to[2][4])    \
    {                                                                                          \
        const lanes p = k[0] * now + (k[1] * z[0] + k[2] * z[1]);                              \
        const lanes q = k[0] * next + (k[3] * now + (k[4] * z[0] + k[5] * z[1]));              \
        const lanes y = (p - k[6] * z[2]) - k[7] * z[3];                                       \
        z[2] = (q + k[9] * z[3]) + k[8] * z[2];                                                \
        z[0] = next, z[1] = now, z[3] = y;                                                     \
        *(lanes *)to[0] = y;                                                                   \
        *(lanes *)to[1] = z[2];                                                                \
    }

#ifdef HAS_AVX
__attribute__((target("avx2"))) DEFINE_STEP(step_of_four, four)

/* `weigh`, with both biquads side by side. */
__attribute__((target("avx2"))) static void weigh_abreast(const double k[10][4], const float *left,
                                                          const float *right, double z[4][4],
                                                          double behind[SPAN][4])
{
    four own[10], state[4];
#pragma GCC unroll 10
    for (int32_t n = 0; n < 10; n++) own[n] = *(const four *)k[n];
#pragma GCC unroll 4
    for (int32_t n = 0; n < 4; n++) state[n] = *(const four *)z[n];
    for (int32_t i = 0; i < SPAN; i += 2) {
        const double *a = behind[i], *b = behind[i + 1];
        const four now = {left[i], right[i], a[0], a[1]};
        const four next = {left[i + 1], right[i + 1], b[0], b[1]};
        step_of_four(own, now, next, state, behind + i);
    }
#pragma GCC unroll 4
    for (int32_t n = 0; n < 4; n++) *(four *)z[n] = state[n];
}
#endif

DEFINE_STEP(step_of_two, two)

/* Filters a span by two biquads in series: lanes 0 and 1 of all that has four are left and right in
 * the first one, 2 and 3 in the second. That one takes what the first one has left in `behind` a span
 * before, so that neither waits for the other. */
static void weigh(const double k[10][4], const float *left, const float *right, double z[4][4],
                  double behind[SPAN][4])
{
#ifdef HAS_AVX
    if (__builtin_cpu_supports("avx2")) {
        weigh_abreast(k, left, right, z, behind);
        return;
    }
#endif
    two own[2][10], state[2][4];
#pragma GCC unroll 20
    for (int32_t n = 0; n < 20; n++) own[n % 2][n / 2] = *(const two *)(k[n / 2] + n % 2 * 2);
#pragma GCC unroll 8
    for (int32_t n = 0; n < 8; n++) state[n % 2][n / 2] = *(const two *)(z[n / 2] + n % 2 * 2);
    for (int32_t i = 0; i < SPAN; i += 2) {
        const two a = {left[i], right[i]}, b = {left[i + 1], right[i + 1]};
        const two c = *(const two *)behind[i], d = *(const two *)behind[i + 1];
        step_of_two(own[0], a, b, state[0], behind + i);
        step_of_two(own[1], c, d, state[1], (double(*)[4])(behind[i] + 2));
    }
#pragma GCC unroll 8
    for (int32_t n = 0; n < 8; n++) *(two *)(z[n / 2] + n % 2 * 2) = state[n % 2][n / 2];
}

/* What a meter sums: by spans, the open one of which ends at `span_end`, and by hops. */
typedef struct {
    int64_t span_end;
    double *spans;
    const int64_t *hop_ends;
    double *hops;
} tally;

INLINE two squared(const double pair[2])
{
    const two of = *(const two *)pair;
    return of * of;
}

/* Adds up the squares of what is behind the second biquad, times a factor, from `start` on. */
static void add_squares(double behind[SPAN][4], int64_t start, int64_t frames, double factor,
                        tally *to)
{
    for (int64_t i = 0; i < frames;) {
        int64_t end = to->span_end < *to->hop_ends ? to->span_end : *to->hop_ends;
        end = end - start < frames ? end - start : frames;
        two sums[4] = {{0}};
        for (; i + 4 <= end; i += 4)
            for (int32_t n = 0; n < 4; n++) sums[n] += squared(behind[i + n] + 2);
        for (; i < end; i++) sums[0] += squared(behind[i] + 2);
        const two both = (sums[0] + sums[1]) + (sums[2] + sums[3]);
        const double sum = factor * (both[0] + both[1]);
        *to->spans += sum;
        *to->hops += sum;
        if (start + end == to->span_end) to->spans++, to->span_end += SPAN;
        if (start + end == *to->hop_ends) to->hops++, to->hop_ends++;
    }
}

/* The powers that a loudness meter sums: one or two rows, `row_frames` apart, go through two biquads
 * in series, coefficients (2, 5) as (b0, b1, b2, a1, a2), and what leaves them is squared and added
 * up in two ways. `spans` takes a sum for each span of 64, the first of which ends at `span_end`,
 * `hops` one for each hop, which end at `hop_ends`; the last of both lie behind the block. State
 * (6, 2): the last two samples of before, between and behind the biquads, side by side. */
EXPORT void weighted_powers(const float *from, int64_t row_frames, int32_t rows, int64_t frames,
                            const double *c, double *z, int64_t span_end, double *spans,
                            const int64_t *hop_ends, double *hops)
{
    static const float nothing[SPAN];
    _Alignas(32) double behind[SPAN][4] = {{0}}, k[10][4], state[4][4] = {{0}};
    const float *left = from, *right = from + (rows == 2 ? row_frames : 0);
    const double factor = rows == 2 ? 1 : 0.5;
    const int64_t whole = frames - frames % SPAN;
    tally to = {span_end, spans, hop_ends, hops};
    for (int32_t lane = 0; lane < 4; lane++) {
        const double *b = c + 5 * (lane / 2), *a = b + 3;
        const double own[10] = {b[0], b[1], b[2], b[1] - a[0] * b[0], b[2] - a[0] * b[1],
                                -a[0] * b[2], a[0], a[1], a[0] * a[0] - a[1], a[0] * a[1]};
        for (int32_t n = 0; n < 10; n++) k[n][lane] = own[n];
    }
    /* The second biquad begins and ends a span behind the first one. */
    for (int32_t n = 0; n < 8; n++) state[n / 2][n % 2] = z[n];
    for (int64_t start = 0; whole && start <= whole; start += SPAN) {
        const int32_t begins = start == 0, ends = start == whole;
        for (int32_t n = 0; ends && n < 8; n++) z[n] = state[n / 2][n % 2];
        weigh(k, ends ? nothing : left + start, ends ? nothing : right + start, state, behind);
        for (int32_t n = 0; begins && n < 8; n++) state[n / 2][2 + n % 2] = z[4 + n];
        if (!begins) add_squares(behind, start - SPAN, SPAN, factor, &to);
    }
    for (int32_t n = 4; whole && n < 8; n++) z[4 + n] = state[n / 2][2 + n % 2];

    /* What is left of a span goes sample by sample. */
    two x1 = {z[0], z[1]}, x2 = {z[2], z[3]};
    two y1 = {z[4], z[5]}, y2 = {z[6], z[7]};
    two w1 = {z[8], z[9]}, w2 = {z[10], z[11]};
    for (int64_t i = whole; i < frames; i++) {
        const two x = {left[i], right[i]};
        const two y = ((c[0] * x + c[1] * x1) + (c[2] * x2 - c[4] * y2)) - c[3] * y1;
        const two w = ((c[5] * y + c[6] * y1) + (c[7] * y2 - c[9] * w2)) - c[8] * w1;
        x2 = x1, x1 = x, y2 = y1, y1 = y, w2 = w1, w1 = w;
        *(two *)(behind[i - whole] + 2) = w;
    }
    add_squares(behind, whole, frames - whole, factor, &to);
    const two after[6] = {x1, x2, y1, y2, w1, w2};
    for (int32_t n = 0; n < 12; n++) z[n] = after[n / 2][n % 2];
}

enum { LANES = 16 };

/* The greatest of the lanes, which change. */
static inline float greatest(float *lanes)
{
#pragma GCC unroll 4
    for (int32_t half = LANES / 2; half; half /= 2)
        for (int32_t k = 0; k < half; k++)
            lanes[k] = lanes[k + half] > lanes[k] ? lanes[k + half] : lanes[k];
    return lanes[0];
}

/* Over the windows of 32 samples that start in each span: the greatest absolute sample, and `weight`
 * times the greatest second difference. A whole span follows the last one. */
WIDE EXPORT void span_reaches(const float *restrict from, int64_t spans, float weight,
                              float *restrict reaches)
{
    for (int64_t s = 0; s < spans; s++) {
        float heights[LANES] = {0}, bends[LANES] = {0};
        for (int32_t i = 0; i < SPAN + TAPS; i += LANES)
            for (int32_t k = 0; k < LANES; k++) {
                const float *x = from + s * SPAN + i + k;
                const float high = fabsf(x[0]), bent = fabsf((x[0] + x[2]) - (x[1] + x[1]));
                heights[k] = high > heights[k] ? high : heights[k];
                bends[k] = bent > bends[k] ? bent : bends[k];
            }
        reaches[s] = greatest(heights) + weight * greatest(bends);
    }
}

/* The greatest absolute value over the windows that start in one span, of the sample in the middle
 * and of the points behind it: `from` holds 64 + 31 samples, `taps` three phases of 32. */
WIDE static float span_top(const float *restrict from, const float *restrict taps)
{
    float tops[LANES] = {0};
    for (int32_t i = 0; i < SPAN; i += LANES) {
        float points[PHASES + 1][LANES] = {0};
        for (int32_t t = 0; t < TAPS; t++)
#pragma GCC unroll 3
            for (int32_t phase = 0; phase < PHASES; phase++)
#pragma GCC unroll 1 /* else GCC takes the lanes apart before it sees vectors in them */
                for (int32_t k = 0; k < LANES; k++)
                    points[phase][k] += taps[phase * TAPS + t] * from[i + t + k];
        memcpy(points[PHASES], from + i + TAPS / 2 - 1, sizeof points[PHASES]);
        for (int32_t n = 0; n <= PHASES; n++)
            for (int32_t k = 0; k < LANES; k++) {
                const float height = fabsf(points[n][k]);
                tops[k] = height > tops[k] ? height : tops[k];
            }
    }
    return greatest(tops);
}

/* The same for each of the spans whose numbers are given, over all of `from`. */
EXPORT void span_tops(const float *from, const int64_t *spans, int64_t count, const float *taps,
                      float *tops)
{
    for (int64_t n = 0; n < count; n++) tops[n] = span_top(from + spans[n] * SPAN, taps);
}

/* The rows that are cut, each by a biquad of its own, as many side by side as a vector holds: four
 * where AVX is within reach, two anywhere. */
enum { MIDDLE, SIDE, SEND, CUT_SEND, CUTS };
#ifdef HAS_AVX
enum { ABREAST = 4 };
#else
enum { ABREAST = 2 };
#endif
typedef double lanes __attribute__((vector_size(8 * ABREAST)));
typedef int64_t lanes_bits __attribute__((vector_size(8 * ABREAST)));

/* Turns rows into columns and back. */
INLINE void turn(lanes x[ABREAST])
{
#ifdef HAS_AVX
    const lanes a = __builtin_shufflevector(x[0], x[1], 0, 4, 2, 6);
    const lanes b = __builtin_shufflevector(x[0], x[1], 1, 5, 3, 7);
    const lanes c = __builtin_shufflevector(x[2], x[3], 0, 4, 2, 6);
    const lanes d = __builtin_shufflevector(x[2], x[3], 1, 5, 3, 7);
    x[0] = __builtin_shufflevector(a, c, 0, 1, 4, 5);
    x[1] = __builtin_shufflevector(b, d, 0, 1, 4, 5);
    x[2] = __builtin_shufflevector(a, c, 2, 3, 6, 7);
    x[3] = __builtin_shufflevector(b, d, 2, 3, 6, 7);
#else
    const lanes a = x[0], b = x[1];
    x[0] = (lanes){a[0], b[0]};
    x[1] = (lanes){a[1], b[1]};
#endif
}

/* Filters a few samples of as many rows. Each waits for the one before it, but for a product and a
 * difference only: the feedback goes round the states `z`. */
INLINE void cut(const lanes k[5], lanes z[2], double *const from[ABREAST],
                double *const to[ABREAST])
{
    lanes x[ABREAST];
#pragma GCC unroll 4
    for (int32_t row = 0; row < ABREAST; row++) x[row] = *(const lanes *)from[row];
    turn(x);
#pragma GCC unroll 4
    for (int32_t n = 0; n < ABREAST; n++) {
        const lanes y = k[0] * x[n] + z[0], next = k[1] * x[n] + z[1] - k[3] * z[0];
        z[1] = k[2] * x[n] - k[4] * z[0];
        z[0] = next;
        x[n] = y;
    }
    turn(x);
#pragma GCC unroll 4
    for (int32_t row = 0; row < ABREAST; row++) *(lanes *)to[row] = x[row];
}

/* Cuts four samples of each row. The last two rows change places: what has passed the first biquad
 * of the send lies where the second one looks for it, a span later. */
INLINE void cut_all(double rows[CUTS][SPAN], int32_t at, const lanes k[][5], lanes z[][2])
{
#pragma GCC unroll 2
    for (int32_t i = at; i < at + 4; i += ABREAST) {
        double *from[] = {rows[MIDDLE] + i, rows[SIDE] + i, rows[SEND] + i, rows[CUT_SEND] + i};
        double *to[] = {from[MIDDLE], from[SIDE], from[CUT_SEND], from[SEND]};
#pragma GCC unroll 2
        for (int32_t row = 0; row < CUTS; row += ABREAST)
            cut(k[row / ABREAST], z[row / ABREAST], from + row, to + row);
    }
}

/* A room's lines are mixed by a Hadamard matrix of 16 rows, patterns of signs, in four stages. The
 * first two, for eight samples of four lines: what leaves them, and how it is heard. */
INLINE void leave(const float *const lines[4], const float *gains, int32_t at, float heard[4][SPAN])
{
    const float *p = lines[0] + at, *q = lines[1] + at, *r = lines[2] + at, *s = lines[3] + at;
    for (int32_t i = 0; i < 8; i++) {
        const float w = gains[0] * p[i] + gains[1] * p[i + 1];
        const float x = gains[2] * q[i] + gains[3] * q[i + 1];
        const float y = gains[4] * r[i] + gains[5] * r[i + 1];
        const float z = gains[6] * s[i] + gains[7] * s[i + 1];
        heard[0][at + i] = (w + x) + (y + z);
        heard[1][at + i] = (w - x) + (y - z);
        heard[2][at + i] = (w + x) - (y + z);
        heard[3][at + i] = (w - x) - (y - z);
    }
}

/* The last two, for a span of every fourth line: what comes in goes with it into lines that lie
 * `step` apart. The second row stays, to be heard. */
INLINE void enter(float heard[LINES][SPAN], const float *restrict in, float *restrict line,
                  int64_t step)
{
    for (int32_t i = 0; i < SPAN; i++) {
        const float a = heard[0][i] + heard[4][i], b = heard[0][i] - heard[4][i];
        const float c = heard[8][i] + heard[12][i], d = heard[8][i] - heard[12][i];
        line[i] = in[i] + (a + c);
        line[i + step] = in[i] + (b + d);
        line[i + 2 * step] = in[i] + (a - c);
        line[i + 3 * step] = in[i] + (b - d);
        heard[4][i] = b + d;
    }
}

/* What becomes of a signal, three rows of `frames` (a multiple of 64): the left and right of `to`.
 *
 * Middle, side and send pass biquads, given as (b0, b1, b2, a1, a2), with two states each: one for
 * the middle, one for the side, two in series for the send. They go side by side, so the second
 * one of the send works a span behind the others.
 *
 * The send then rings a room: 16 delay lines that feed one another, two of them heard at `levels`.
 * Each line is a ring of `length` (a power of two) samples and a copy of the first 128 behind them;
 * no delay is below 65. Of what leaves a line, `gains` (16, 2) takes the sample and the one after
 * it. `clock` holds the place that is written next and for how many samples the send has been
 * silent: after `still` of them the room is, too. */
WIDE EXPORT void desk(const float *signal, int64_t frames, const double *biquads, double *states,
                      float *lines, int64_t length, const int32_t *delays, const float *gains,
                      const float *levels, int64_t *clock, int64_t still, float *to)
{
    enum { COPIED = 2 * SPAN };
    static const float nothing[3 * SPAN];
    _Alignas(64) float beyond[2 * SPAN], send[SPAN], heard[LINES][SPAN];
    _Alignas(64) double rows[CUTS][SPAN] = {{0}};
    const int64_t line_length = length + COPIED;
    lanes k[CUTS / ABREAST][5], z[CUTS / ABREAST][2], *last = z[CUT_SEND / ABREAST];
    for (int32_t row = 0; row < CUTS; row++) {
        const double *b = biquads + 5 * row, *a = b + 3;
        const double own[5] = {b[0], b[1] - a[0] * b[0], b[2] - a[1] * b[0], a[0], a[1]};
        for (int32_t i = 0; i < 5; i++) k[row / ABREAST][i][row % ABREAST] = own[i];
        for (int32_t i = 0; i < 2; i++)
            z[row / ABREAST][i][row % ABREAST] = row == CUT_SEND ? 0 : states[2 * row + i];
    }
    for (int64_t start = 0; start <= frames; start += SPAN) {
        const int32_t begins = start == 0, ends = start == frames;
        const int64_t row_frames = ends ? SPAN : frames;
        const float *from = ends ? nothing : signal + start;
        if (ends)
            for (int32_t row = 0; row < CUT_SEND; row++)
                for (int32_t i = 0; i < 2; i++)
                    states[2 * row + i] = z[row / ABREAST][i][row % ABREAST];
        int32_t sounds = last[0][CUT_SEND % ABREAST] != 0 || last[1][CUT_SEND % ABREAST] != 0;
        for (int32_t i = 0; i < SPAN; i++) sounds |= rows[CUT_SEND][i] != 0;
        const int32_t rings = !begins && (sounds || clock[1] < still);
        for (int32_t row = 0; row < CUT_SEND; row++)
            for (int32_t i = 0; i < SPAN; i++) rows[row][i] = from[row * row_frames + i];

        if (!rings)
            for (int32_t i = 0; i < SPAN; i += 4) cut_all(rows, i, k, z);
        /* The room's work is done while the cuts, sample after sample, wait for themselves. */
        for (int32_t line = 0; rings && line < LINES; line += 4) {
            const float *late[4];
            for (int32_t n = 0; n < 4; n++)
                late[n] = lines + (line + n) * line_length +
                          ((clock[0] - delays[line + n]) & (length - 1));
            for (int32_t i = 0; i < SPAN; i += 16) {
                cut_all(rows, 4 * line + i / 4, k, z);
                leave(late, gains + 2 * line, i, heard + line);
                leave(late, gains + 2 * line, i + 8, heard + line);
            }
        }
        float *left = ends ? beyond : to + start, *right = left + row_frames;
        for (int32_t i = 0; i < SPAN; i++) {
            const float middle = (float)rows[MIDDLE][i], side = (float)rows[SIDE][i];
            left[i] = middle + side;
            right[i] = middle - side;
            send[i] = (float)rows[SEND][i];
        }
        /* What is below anything heard goes: tiny numbers are slow. */
        for (int32_t n = 0; n < 2 * CUTS / ABREAST; n++) {
            lanes *some = &z[n / 2][n % 2];
            *some = (lanes)((lanes_bits)*some & (lanes_bits)(*some * *some > 1e-60));
        }
        if (begins) {
            for (int32_t i = 0; i < 2; i++) last[i][CUT_SEND % ABREAST] = states[2 * CUT_SEND + i];
            continue;
        }
        const int64_t place = clock[0] & (length - 1);
        for (int32_t line = 0; rings && line < 4; line++)
            enter(heard + line, send, lines + line * line_length + place, 4 * line_length);
        for (int32_t line = 0; rings && place < COPIED && line < LINES; line++) {
            float *own = lines + line * line_length + place;
            memcpy(own + length, own, sizeof(float) * SPAN);
        }
        float *out = to + start - SPAN;
        for (int32_t i = 0; rings && i < SPAN; i++) {
            out[i] += levels[0] * heard[5][i];
            out[frames + i] += levels[1] * heard[6][i];
        }
        clock[0] += SPAN;
        clock[1] = sounds ? 0 : clock[1] + SPAN;
        if (rings && clock[1] >= still) memset(lines, 0, sizeof(float) * LINES * line_length);
    }
    for (int32_t i = 0; i < 2; i++) states[2 * CUT_SEND + i] = last[i][CUT_SEND % ABREAST];
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

WIDE static void dithered_line(const float *restrict left, const float *restrict right,
                               int64_t frames, float gain, float level, float step, int64_t start,
                               int16_t *restrict pcm)
{
    for (int64_t i = 0; i < frames; i++) {
        const uint32_t place = 2 * (uint32_t)(start + i);
        const float height = level + step * (float)(int32_t)i;
        pcm[2 * i] = dithered(left[i] * gain * height, place);
        pcm[2 * i + 1] = dithered(right[i] * gain * height, place + 1);
    }
}

/* Two rows, times gain, to interleaved 16-bit samples with triangular dither, which depends only
 * on the place in the track: `start` is that of the first sample. They follow a curve of straight
 * lines between `corners`, one at each border of the spans of 64; null for none. */
EXPORT void to_pcm16(const float *rows, int64_t row_frames, int64_t frames, float gain,
                     int64_t start, const float *corners, int16_t *pcm)
{
    const int64_t stride = corners ? SPAN : frames;
    for (int64_t at = 0; at < frames; at += stride) {
        const float level = corners ? corners[at / SPAN] : 1;
        const float step = corners ? (corners[at / SPAN + 1] - level) / SPAN : 0;
        dithered_line(rows + at, rows + row_frames + at, at + stride < frames ? stride : frames - at,
                      gain, level, step, start + at, pcm + 2 * at);
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
