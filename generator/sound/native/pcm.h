/* From floats to what is written and kept. */

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

static inline uint32_t bits_of(float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

/* The nearest number of 16 bits: it is left in the last bits of what is added to 1.5 * 2^23. The bits
 * of such floats are in order, and numbers are held between others faster than floats. */
static inline int16_t rounded(float value)
{
    const int32_t none = 0x4b400000, sum = (int32_t)bits_of(value + 0x1.8p23f);
    const int32_t high = sum < none + 32767 ? sum : none + 32767;
    return (int16_t)(high > none - 32768 ? high : none - 32768);
}

/* Rows, `row_frames` apart, times a factor, as 16-bit samples. */
WIDE EXPORT void quantised(const float *restrict from, int32_t rows, int64_t row_frames,
                           int64_t frames, float factor, int16_t *restrict to)
{
    for (int32_t row = 0; row < rows; row++)
        for (int64_t i = 0; i < frames; i++)
            to[row * frames + i] = rounded(from[row * row_frames + i] * factor);
}

/* Numbers from 0 on in half precision (IEEE 754): the nearest, of two the even one, or those that are
 * not below. */
WIDE EXPORT void halves(const float *restrict from, int64_t count, int32_t up,
                        uint16_t *restrict to)
{
    for (int64_t i = 0; i < count; i++) {
        const uint32_t bits = bits_of(from[i]);
        const uint32_t half = (bits - (112u << 23) + (up ? 0x1fff : 0xfff + (bits >> 13 & 1))) >> 13;
        /* Below the normal numbers there are even steps, as there are above a half. */
        const float high = from[i] + 0.5f;
        const uint32_t below = bits_of(high - 0.5f) < bits;
        const uint32_t step = bits_of(high) - bits_of(0.5f) + (up ? below : 0);
        const uint32_t finite = half < 0x7c00 ? half : 0x7c00;
        to[i] = (uint16_t)(bits < bits_of(0x1p-14f) ? step : finite);
    }
}

static inline int16_t dithered(float sample, uint32_t place)
{
    const uint32_t drawn = scattered(place);
    /* Two evenly spread numbers of 16 bits add up to a triangle two steps wide. */
    const float noise = (float)(int32_t)((drawn & 0xffff) + (drawn >> 16)) - 65535.0f;
    return rounded(sample * 32767.0f + noise * (1.0f / 65536.0f));
}

/* Samples, from number `start` of the track on, as they are or along a straight line. */
#define DEFINE_DITHERED(name, line)                                                                \
    WIDE static void name(const float *restrict left, const float *restrict right, int32_t frames, \
                          float gain, float level, float step, uint32_t start,                     \
                          int16_t *restrict pcm)                                                   \
    {                                                                                              \
        for (int32_t i = 0; i < frames; i++) {                                                     \
            const uint32_t place = 2 * (start + (uint32_t)i);                                      \
            const float height = line ? level + step * (float)i : 1;                               \
            pcm[2 * i] = dithered(left[i] * gain * height, place);                                 \
            pcm[2 * i + 1] = dithered(right[i] * gain * height, place + 1);                        \
        }                                                                                          \
    }
DEFINE_DITHERED(dithered_plain, 0)
DEFINE_DITHERED(dithered_line, 1)

/* Two rows, times gain, to interleaved 16-bit samples with triangular dither, which depends only
 * on the place in the track: `start` is that of the first sample. They follow a curve of straight
 * lines between `corners`, one at each border of the spans of 64; null for none. */
EXPORT void to_pcm16(const float *rows, int64_t row_frames, int64_t frames, float gain,
                     int64_t start, const float *corners, int16_t *pcm)
{
    for (int64_t at = 0, next = 0; at < frames; at = next) {
        float level = 1, step = 0;
        if (corners && (corners[at / SPAN] != 1 || corners[at / SPAN + 1] != 1)) {
            level = corners[at / SPAN];
            step = (corners[at / SPAN + 1] - level) / SPAN;
            next = at + SPAN;
        } else { /* as long as there is no curve, as mostly there is not */
            while (next < frames && (!corners || corners[next / SPAN + 1] == 1)) next += SPAN;
        }
        if (next > frames) next = frames;
        (level == 1 && step == 0 ? dithered_plain : dithered_line)(
            rows + at, rows + row_frames + at, (int32_t)(next - at), gain, level, step,
            (uint32_t)(start + at), pcm + 2 * at);
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
