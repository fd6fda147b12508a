/* Measuring: loudness, and how high a signal peaks between its samples. */

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

/* Filters a span by two biquads in series, side by side: lanes 0 and 1 are left and right in the first
 * one, 2 and 3 in the second, which takes what the first one has left in `behind` a span before, so
 * that neither waits for the other. Both have a b0 of 1 (direct form I). With p and q what comes from
 * before the biquads, two samples follow from the two behind them before those: only every other one
 * has to be waited for. States `z`: the last two samples of before and of behind. Returns the sum of
 * the squares behind the second biquad. */
WIDE static double weigh(const four k[9], const float *left, const float *right, four z[4],
                         double behind[SPAN][4])
{
    four last = z[0], other = z[1], newer = z[2], older = z[3], sums = {0};
    for (int32_t i = 0; i < SPAN; i += 4) {
        four l, r;
        for (int32_t n = 0; n < 4; n++) l[n] = left[i + n];
        for (int32_t n = 0; n < 4; n++) r[n] = right[i + n];
        const four even = __builtin_shufflevector(l, r, 0, 4, 2, 6);
        const four odd = __builtin_shufflevector(l, r, 1, 5, 3, 7);
#pragma GCC unroll 2
        for (int32_t n = 0; n < 4; n += 2) {
            four *const to = (four *)behind[i + n];
            const four now = n ? __builtin_shufflevector(even, to[0], 2, 3, 4, 5)
                               : __builtin_shufflevector(even, to[0], 0, 1, 4, 5);
            const four next = n ? __builtin_shufflevector(odd, to[1], 2, 3, 4, 5)
                                : __builtin_shufflevector(odd, to[1], 0, 1, 4, 5);
            const four p = now + (k[0] * last + k[1] * other);
            const four q = next + (k[2] * now + (k[3] * last + k[4] * other));
            const four y = (p - k[5] * newer) - k[6] * older;
            newer = (q + k[8] * older) + k[7] * newer;
            last = next, other = now, older = y;
            to[0] = older, to[1] = newer;
            sums += older * older + newer * newer;
        }
    }
    z[0] = last, z[1] = other, z[2] = newer, z[3] = older;
    return sums[2] + sums[3];
}

/* What a meter is set to, and what it carries from block to block: the states of the biquads, as
 * `weigh` has them; the sum of the hop that is open, the number of those before it and of samples; the
 * last span; the true peak so far. */
typedef struct {
    double weighting[2][5]; /* two biquads in series, (b0, b1, b2, a1, a2) */
    double rate;
    const float *taps; /* as `span_tops` has them */
    double states[4][4];
    double open_hop;
    int64_t hops, seen;
    float last[2][SPAN];
    float bend_weight, peak;
} gauge;

/* Hops last a tenth of a second; they begin at the samples nearest to there. */
static inline int64_t hop_start(const gauge *of, int64_t hop)
{
    return llrint((double)hop * of->rate / 10);
}

/* Adds the squares of a span behind the biquads, whose sum is known, to the hops that it lies in. Those
 * that end in it leave their mean for the next of `hops`. All is taken times a factor. */
static void add_squares(gauge *of, double behind[SPAN][4], double sum, double factor, double **hops)
{
    const int64_t start = of->seen;
    int64_t hop_end = hop_start(of, of->hops + 1) - start;
    of->seen += SPAN;
    if (hop_end > SPAN) {
        of->open_hop += factor * sum;
        return;
    }
    for (int64_t i = 0; i < SPAN;) {
        const int64_t end = hop_end < SPAN ? hop_end : SPAN;
        double own = 0;
        for (; i < end; i++) own += behind[i][2] * behind[i][2] + behind[i][3] * behind[i][3];
        of->open_hop += factor * own;
        if (end < hop_end) break;
        *(*hops)++ = of->open_hop / (double)(start + hop_end - hop_start(of, of->hops));
        of->open_hop = 0, of->hops++;
        hop_end = hop_start(of, of->hops + 1) - start;
    }
}

/* Takes spans through both biquads. `powers` gets the mean square of each, `hops` those of the hops
 * that end; both are summed over left and right, times a factor. Returns how many hops did. */
static int64_t add_powers(gauge *of, const float *left, const float *right, int64_t frames,
                          double factor, float *powers, double *hops)
{
    static const float nothing[SPAN];
    _Alignas(32) double behind[SPAN][4] = {{0}};
    four k[9], state[4], before[4] = {{0}};
    double *next_hop = hops;
    for (int32_t lane = 0; lane < 4; lane++) {
        const double *b = of->weighting[lane / 2], *a = b + 3;
        const double b1 = b[1] / b[0], b2 = b[2] / b[0];
        const double own[9] = {b1,   b2,   b1 - a[0],          b2 - a[0] * b1, -a[0] * b2,
                               a[0], a[1], a[0] * a[0] - a[1], a[0] * a[1]};
        for (int32_t n = 0; n < 9; n++) k[n][lane] = own[n];
        for (int32_t n = 0; n < 4; n++) state[n][lane] = of->states[n][lane];
        if (lane % 2) factor *= b[0] * b[0];
    }
    /* The second biquad begins and ends a span behind the first one. */
    for (int64_t start = 0; start <= frames; start += SPAN) {
        const int32_t begins = start == 0, ends = start == frames;
        for (int32_t n = 0; n < 4; n++) before[n] = state[n];
        const double sum =
            weigh(k, ends ? nothing : left + start, ends ? nothing : right + start, state, behind);
        for (int32_t n = 0; begins && n < 4; n++)
            for (int32_t lane = 2; lane < 4; lane++) state[n][lane] = before[n][lane];
        if (begins) continue;
        add_squares(of, behind, sum, factor, &next_hop);
        *powers++ = (float)(factor * sum / SPAN);
    }
    for (int32_t n = 0; n < 4; n++)
        for (int32_t lane = 0; lane < 4; lane++)
            of->states[n][lane] = lane < 2 ? before[n][lane] : state[n][lane];
    return next_hop - hops;
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

/* How high the windows of 32 samples that start in each span can reach, over both rows: the greatest
 * absolute sample, and `weight` times the greatest second difference. A whole span follows the last. */
WIDE static void span_reaches(const float *const rows[2], int64_t spans, float weight,
                              float *restrict reaches)
{
    const float rounding = 1 + 1e-5f; /* of sums of 32 products */
    for (int64_t s = 0; s < spans; s++) {
        float top = 0;
        for (int32_t row = 0; row < 2; row++) {
            float heights[LANES] = {0}, bends[LANES] = {0};
            for (int32_t i = 0; i < SPAN + TAPS; i += LANES)
                for (int32_t k = 0; k < LANES; k++) {
                    const float *x = rows[row] + s * SPAN + i + k;
                    const float high = fabsf(x[0]), bent = fabsf((x[0] + x[2]) - (x[1] + x[1]));
                    heights[k] = high > heights[k] ? high : heights[k];
                    bends[k] = bent > bends[k] ? bent : bends[k];
                }
            const float own = greatest(heights) + weight * greatest(bends);
            top = own > top ? own : top;
        }
        reaches[s] = top * rounding;
    }
}

/* Lowers values, each `next` behind the other, until none is more than a step above the one before. */
EXPORT void limit_slope(float *values, int64_t count, int32_t next, double step)
{
    double before = INFINITY;
    for (; count; count--, values += next) {
        before = *values < before + step ? *values : before + step;
        *values = (float)before;
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

/* Measures on: one or two rows, `row_frames` apart, of whole spans. `powers` and `hops` get what is
 * behind the weighting, see `add_powers`. `reaches` says for each span, but for the one before them
 * instead of the last, how high the windows that start in it can reach; where that is more than the
 * peak so far, it is raised to what they do. Returns the number of hops. */
EXPORT int64_t measure(gauge *of, const float *from, int64_t row_frames, int32_t rows,
                       int64_t frames, float *powers, double *hops, float *reaches)
{
    if (frames == 0) return 0;
    const int64_t spans = frames / SPAN;
    const float *const both[2] = {from, from + (rows == 2 ? row_frames : 0)};
    float border[2][2 * SPAN];
    const float *const borders[2] = {border[0], border[1]};
    for (int32_t row = 0; row < 2; row++) {
        memcpy(border[row], of->last[row], sizeof of->last[row]);
        memcpy(border[row] + SPAN, both[row], sizeof of->last[row]);
        memcpy(of->last[row], both[row] + frames - SPAN, sizeof of->last[row]);
    }
    span_reaches(borders, 1, of->bend_weight, reaches);
    span_reaches(both, spans - 1, of->bend_weight, reaches + 1);
    int64_t highest = 0;
    for (int64_t n = 0; n < spans; n++)
        if (reaches[n] > reaches[highest]) highest = n;
    /* The highest first, so that few others are looked at. */
    for (int64_t n = -1; n < spans; n++) {
        const int64_t span = n < 0 ? highest : n;
        for (int32_t row = 0; reaches[span] > of->peak && row < rows; row++) {
            const float top = span_top(span ? both[row] + (span - 1) * SPAN : border[row], of->taps);
            of->peak = top > of->peak ? top : of->peak;
        }
    }
    return add_powers(of, both[0], both[1], frames, rows == 2 ? 1 : 0.5, powers, hops);
}
