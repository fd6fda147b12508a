/* The desk: cuts, left and right, the room. */

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

/* Eight samples of a room's lines. What leaves them, a little duller, and what comes in go into them
 * again: a Householder matrix takes a quarter of the sum of all from each, and each feeds the next one.
 * Two patterns of signs are heard. Vectors, since a compiler cannot know that nothing is read behind
 * what is written. */
INLINE void ring(const float *const late[LINES + 1], const float *gains, float dulling,
                 const float levels[2], int32_t at, float *const now[LINES], float *left, float *right)
{
    eight x[LINES], pairs[LINES / 2];
#pragma GCC unroll 8
    for (int32_t n = 0; n < LINES; n++)
        x[n] = gains[n] * (*(const eight *)(late[n] + at) +
                           dulling * *(const eight *)(late[n] + at + 1));
#pragma GCC unroll 4
    for (int32_t n = 0; n < LINES / 2; n++) pairs[n] = x[n] + x[n + LINES / 2];
    const eight even = pairs[0] + pairs[2], odd = pairs[1] + pairs[3];
    const eight taken = 0.25f * (even + odd) - *(const eight *)(late[LINES] + at);
#pragma GCC unroll 8
    for (int32_t n = 0; n < LINES; n++) *(eight *)(now[(n + 1) % LINES] + at) = x[n] - taken;
    *(eight *)(left + at) += levels[0] * (even - odd);
    *(eight *)(right + at) += levels[1] * ((pairs[0] - pairs[2]) + (pairs[1] - pairs[3]));
}

/* All-passes in series (Schroeder 1962), for a span: what has waited for its delay leaves them, and what
 * comes in waits. */
INLINE void diffuse(const float *in, const float *const late[DIFFUSERS], float *const now[DIFFUSERS],
                    float gain, float *out)
{
    for (int32_t i = 0; i < SPAN; i += 8) {
        eight x = *(const eight *)(in + i);
#pragma GCC unroll 3
        for (int32_t n = 0; n < DIFFUSERS; n++) {
            const eight waited = *(const eight *)(late[n] + i), kept = x - gain * waited;
            *(eight *)(now[n] + i) = kept;
            x = waited + gain * kept;
        }
        *(eight *)(out + i) = x;
    }
}

/* The desk of a signal.
 *
 * Middle, side and send pass biquads, given as (b0, b1, b2, a1, a2), with two states each: one for
 * the middle, one for the side, two in series for the send. They go side by side, so the second
 * one of the send works a span behind the others.
 *
 * The send then rings a room. It passes three all-passes in series, of a gain of `diffusion`, waits,
 * and goes into 8 delay lines that feed one another, all of which are heard at `levels`. Each row of
 * `lines`, first those, then where it waits, then the all-passes', is a ring of `length` (a power of
 * two) samples and a copy of the first 128 behind them; no delay is below 65, nor the wait below 64.
 * Of what leaves a line, `gains` takes the sample and, `dulling` times, the one after it. `clock` holds
 * the place that is written next and for how many samples the send has been silent: after `still` of
 * them the room is, too. */
typedef struct {
    const double *biquads;
    double *states;
    float *lines;
    int64_t length;
    const int32_t *delays;
    const float *gains, *levels;
    int64_t *clock, still;
    float dulling, diffusion;
} console;

/* What becomes of a signal, three rows of `frames` (a multiple of 64): the left and right of `to`. The
 * rows of either are as far apart as it says. */
WIDE static void finish(const console *of, const float *signal, int64_t signal_row, int64_t frames,
                        float *to, int64_t to_row)
{
    enum { COPIED = 2 * SPAN };
    static const float nothing[3 * SPAN];
    const int64_t length = of->length, row_frames = length + COPIED;
    double *states = of->states;
    float *lines = of->lines;
    int64_t *clock = of->clock;
    _Alignas(64) float beyond[2 * SPAN], send[SPAN];
    _Alignas(64) double rows[CUTS][SPAN] = {{0}};
    lanes k[CUTS / ABREAST][5], z[CUTS / ABREAST][2], *last = z[CUT_SEND / ABREAST];
    for (int32_t row = 0; row < CUTS; row++) {
        const double *b = of->biquads + 5 * row, *a = b + 3;
        const double own[5] = {b[0], b[1] - a[0] * b[0], b[2] - a[1] * b[0], a[0], a[1]};
        for (int32_t i = 0; i < 5; i++) k[row / ABREAST][i][row % ABREAST] = own[i];
        for (int32_t i = 0; i < 2; i++)
            z[row / ABREAST][i][row % ABREAST] = row == CUT_SEND ? 0 : states[2 * row + i];
    }
    for (int64_t start = 0; start <= frames; start += SPAN) {
        const int32_t begins = start == 0, ends = start == frames;
        const int64_t from_row = ends ? SPAN : signal_row, left_row = ends ? SPAN : to_row;
        const float *from = ends ? nothing : signal + start;
        if (ends)
            for (int32_t row = 0; row < CUT_SEND; row++)
                for (int32_t i = 0; i < 2; i++)
                    states[2 * row + i] = z[row / ABREAST][i][row % ABREAST];
        const int32_t rings = !begins && clock[1] < of->still;
        for (int32_t row = 0; row < CUT_SEND; row++)
            for (int32_t i = 0; i < SPAN; i++) rows[row][i] = from[row * from_row + i];

        if (!rings)
            for (int32_t i = 0; i < SPAN; i += 4) cut_all(rows, i, k, z);
        const int64_t place = clock[0] & (length - 1);
        float *now[DELAYS];
        const float *late[DELAYS];
        for (int32_t n = 0; n < DELAYS; n++) {
            now[n] = lines + n * row_frames + place;
            late[n] = lines + n * row_frames + ((clock[0] - of->delays[n]) & (length - 1));
        }
        float *out = to + start - SPAN;
        /* The room's work is done while the cuts, sample after sample, wait for themselves. */
        for (int32_t i = 0; rings && i < SPAN; i += 8) {
            cut_all(rows, i, k, z);
            cut_all(rows, i + 4, k, z);
            ring(late, of->gains, of->dulling, of->levels, i, now, out, out + to_row);
        }
        float *left = ends ? beyond : to + start, *right = left + left_row;
        int32_t sounds = 0;
        for (int32_t i = 0; i < SPAN; i++) {
            const float middle = (float)rows[MIDDLE][i], side = (float)rows[SIDE][i];
            left[i] = middle + side;
            right[i] = middle - side;
            send[i] = (float)rows[SEND][i];
            sounds |= send[i] != 0;
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
        const int32_t goes_on = rings || sounds;
        if (goes_on)
            diffuse(send, late + LINES + 1, now + LINES + 1, of->diffusion, now[LINES]);
        for (int32_t n = 0; goes_on && place < COPIED && n < DELAYS; n++)
            memcpy(now[n] + length, now[n], sizeof(float) * SPAN);
        clock[0] += SPAN;
        clock[1] = sounds ? 0 : clock[1] + SPAN;
        if (rings && clock[1] >= of->still)
            memset(lines, 0, sizeof(float) * DELAYS * row_frames);
    }
    for (int32_t i = 0; i < 2; i++) states[2 * CUT_SEND + i] = last[i][CUT_SEND % ABREAST];
}

EXPORT void desk(const console *of, const float *signal, int64_t frames, float *to)
{
    finish(of, signal, frames, frames, to, frames);
}

/* Mixes a block, a multiple of 64, that starts at sample `start` of the track, as far as `until` in it,
 * another one, and takes each signal through its desk to the left and right of its own `to`. What lies
 * between, `some` samples at a time, stays near the processor. */
EXPORT void mix_through(const strip *strips, int64_t count, const sounding *notes, int64_t start,
                        int64_t frames, int32_t signals, int64_t until, const console *desks,
                        float *between, int64_t some, float *const *to)
{
    const playing of = {strips, count, notes, start, frames};
    for (int64_t at = 0; at < until; at += some) {
        const int64_t few = until - at < some ? until - at : some;
        mix_from(&of, at, at + few, signals, between, some);
        for (int32_t n = 0; n < signals; n++)
            finish(desks + n, between + 3 * n * some, some, few, to[n] + at, frames);
    }
}
