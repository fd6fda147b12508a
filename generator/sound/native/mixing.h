/* Mixing: recordings on buses, buses on the desk. */

/* Samples that are mixed at a time: few enough for a bus to stay near the processor. */
enum { PIECE = 32 * SPAN };

/* A row of a bus: a span to spare, the samples of a piece, another span to spare. */
typedef float row[SPAN + PIECE + SPAN];

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
 * them read in turn, a little of each, foresees none. Not as near as can be, where the bus lies. */
static inline void expect(const int16_t *span)
{
    enum { READ, NEAR = 2 };
    __builtin_prefetch(span + PIECE, READ, NEAR);
    __builtin_prefetch(span + PIECE + SPAN / 2, READ, NEAR);
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
    else
        for (int32_t i = 0; i < frames; i++)
            to[i] += from[i] * (gain + step * (float)(first + i));
}

/* Adds whole spans of both sides, as most are, from a corner of a curve on: its slopes are worked out
 * for the two together. */
static inline void add_spans(const int16_t *restrict left, const int16_t *restrict right, float gain,
                             const float *restrict curve, int64_t spans, float *restrict to_left,
                             float *restrict to_right)
{
    for (int64_t i = 0; i < spans * SPAN; i += SPAN, curve++) {
        const float level = gain * curve[0];
        const float step = (gain * curve[1] - level) * (1.0f / SPAN);
        expect(left + i);
        expect(right + i);
        for (int32_t k = 0; k < SPAN; k++) {
            const float own = level + step * (float)k;
            to_left[i + k] += left[i + k] * own;
            to_right[i + k] += right[i + k] * own;
        }
    }
}

/* Adds samples `i` to `end` of a note, where its curve or its fade holds, to one row or both. What
 * lies before and behind them up to a corner of the curve may be added too: there is room for it. */
WIDE static void add_shaped(const sounding *note, int64_t i, int64_t end, int32_t rows, float *left,
                            float *right)
{
    const int64_t fade_from = note->fade && note->fade_from < end ? note->fade_from : end;
    while (i < end) {
        int64_t next = i < fade_from ? fade_from : end;
        int32_t first = 0;
        float gain = note->gain, step = 0;
        if (note->curve && i < note->curve_from) {
            if (note->curve_from < next) next = note->curve_from;
        } else if (note->curve) {
            const int64_t corner = (i - note->curve_from) / SPAN;
            const float *curve = note->curve + corner;
            first = (int32_t)(i - note->curve_from - SPAN * corner);
            int64_t spans = (fade_from - i + first) / SPAN;
            if (fade_from == end && i - first + SPAN * (spans + 1) <= note->frames) spans++;
            if (rows == 2 && spans > 0) {
                left -= first, right -= first, i -= first;
                add_spans(note->left + i, note->right + i, gain, curve, spans, left, right);
                left += SPAN * spans, right += SPAN * spans, i += SPAN * spans;
                continue;
            }
            gain = note->gain * curve[0];
            step = (note->gain * curve[1] - gain) * (1.0f / SPAN);
            if (i - first + SPAN < next) next = i - first + SPAN;
        }
        const float *fade = i < fade_from ? 0 : note->fade + (i - note->fade_from);
        const int32_t frames = (int32_t)(next - i);
        add_sloped(note->left + i, gain, step, first, frames, fade, left);
        if (rows == 2) add_sloped(note->right + i, gain, step, first, frames, fade, right);
        left += frames, right += frames, i = next;
    }
}

/* Adds samples `i` to `end` of a note to one row or both. */
static void add(const sounding *note, int64_t i, int64_t end, int32_t rows, float *left, float *right)
{
    int64_t plain = end;
    if (note->curve && note->curve_from < plain) plain = note->curve_from;
    if (note->fade && note->fade_from < plain) plain = note->fade_from;
    if (plain < i) plain = i;
    add_scaled(note->left + i, note->gain, plain - i, left);
    if (rows == 2) add_scaled(note->right + i, note->gain, plain - i, right);
    add_shaped(note, plain, end, rows, left + (plain - i), right + (plain - i));
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
        const int64_t first = time[0] > at ? time[0] : at;
        const int64_t next = last || time[1] > end ? end : time[1];
        if (first >= next) continue;
        const float step = last ? 0 : (height[1] - height[0]) / (time[1] - time[0]);
        if (height[0] == 1 && step == 0) continue;
        /* Counted from the corner: rounded alike wherever blocks begin. */
        for (int32_t row = 0; row < rows; row++)
            multiply_by_line(piece + row * row_frames + (first - at), next - first, height[0], step,
                             first - time[0]);
    }
}

/* Multiplies rows by a curve. */
EXPORT void follow_curve(float *block, int32_t rows, int64_t row_frames, int64_t frames,
                         const int64_t *times, const float *levels, int64_t corners)
{
    const envelope of = {times, levels, corners};
    follow(&of, block, rows, row_frames, 0, frames);
}

/* Makes what sounds of notes, in the order of their starts, from sample `start` of the track on.
 * Returns the rows that are filled: none where nothing sounds, one where all is mono. */
static int32_t place(const sounding *notes, int64_t count, int64_t start, int64_t frames,
                     row bus[2])
{
    int32_t rows = 0;
    for (const sounding *note = notes; note < notes + count; note++) {
        if (note->first >= start + frames) break;
        const int64_t i = start > note->first ? start - note->first : 0;
        const int64_t left = start + frames - note->first;
        const int64_t end = left < note->frames ? left : note->frames;
        if (i >= end) continue;
        if (rows == 0) {
            memset(bus[0], 0, sizeof(float) * (SPAN + frames + SPAN));
            rows = 1;
        }
        if (rows == 1 && note->left != note->right) {
            memcpy(bus[1], bus[0], sizeof(float) * (SPAN + frames + SPAN));
            rows = 2;
        }
        const int64_t to = SPAN + note->first + i - start;
        add(note, i, end, rows, bus[0] + to, bus[1] + to);
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

/* Both sides of what a strip plays for a while; the same row twice where it is mono. */
typedef struct {
    const strip *of;
    const float *left, *right;
} sounds;

/* Adds a strip, or two at once, to the rows of a signal; the first are put there. */
#define DEFINE_ADD(name, are_first, are_two)                                                       \
    WIDE static void name(sounds one, sounds two, int64_t frames, float *restrict middle,          \
                          float *restrict side, float *restrict send)                              \
    {                                                                                              \
        const strip first = *one.of, second = *two.of;                                             \
        for (int64_t i = 0; i < frames; i++) {                                                     \
            const float a = one.left[i] * first.left_gain, b = one.right[i] * first.right_gain;    \
            float m = (are_first ? 0 : middle[i]) + (a + b);                                       \
            float s = (are_first ? 0 : side[i]) + (a - b);                                         \
            float r = (are_first ? 0 : send[i]) + (a + b) * first.send_gain;                       \
            if (are_two) {                                                                         \
                const float c = two.left[i] * second.left_gain;                                    \
                const float d = two.right[i] * second.right_gain;                                  \
                m += c + d, s += c - d, r += (c + d) * second.send_gain;                           \
            }                                                                                      \
            middle[i] = m, side[i] = s, send[i] = r;                                               \
        }                                                                                          \
    }
DEFINE_ADD(put_strip, 1, 0)
DEFINE_ADD(put_strips, 1, 1)
DEFINE_ADD(add_strip, 0, 0)
DEFINE_ADD(add_strips, 0, 1)

/* Adds what one or two strips play to the signals that they are heard in, three rows each. Returns in
 * which signals something is heard by then, given in which it was before. */
static uint64_t add_to_signals(const sounds *some, int32_t count, uint64_t heard, int32_t signals,
                               int64_t frames, float *to, int64_t row_frames)
{
    for (int32_t n = 0; n < signals; n++) {
        float *middle = to + 3 * n * row_frames, *side = middle + row_frames, *send = side + row_frames;
        sounds in[2];
        int32_t own = 0;
        for (int32_t i = 0; i < count; i++)
            if (some[i].of->signals >> n & 1) in[own++] = some[i];
        if (own == 0) continue;
        if (heard >> n & 1)
            (own == 1 ? add_strip : add_strips)(in[0], in[own - 1], frames, middle, side, send);
        else
            (own == 1 ? put_strip : put_strips)(in[0], in[own - 1], frames, middle, side, send);
        heard |= (uint64_t)1 << n;
    }
    return heard;
}

/* Makes the samples `at` to `at + few` of what a strip plays of notes in a block that starts at sample
 * `start` of the track; returns the rows that are filled, as `place` does. */
static int32_t play_piece(const strip *of, const sounding *notes, int64_t start, int64_t at,
                          int64_t few, row bus[2])
{
    const int32_t rows = place(notes, of->notes, start + at, few, bus);
    if (rows) follow(&of->expression, bus[0] + SPAN, rows, sizeof(row) / sizeof(float), at, at + few);
    return rows;
}

/* Makes both rows of what a strip plays in such a block, before its gains. */
EXPORT void play(const strip *of, const sounding *notes, int64_t start, int64_t frames, float *to)
{
    _Alignas(64) row bus[2];
    for (int64_t at = 0; at < frames; at += PIECE) {
        const int64_t few = frames - at < PIECE ? frames - at : PIECE;
        const int32_t rows = play_piece(of, notes, start, at, few, bus);
        for (int32_t side = 0; side < 2; side++) {
            float *own = to + side * frames + at;
            if (rows)
                memcpy(own, bus[side < rows ? side : 0] + SPAN, sizeof(float) * few);
            else
                memset(own, 0, sizeof(float) * few);
        }
    }
}

/* What plays in a block of `frames` samples, which starts at sample `start` of the track. */
typedef struct {
    const strip *strips;
    int64_t count;
    const sounding *notes;
    int64_t start, frames;
} playing;

/* Mixes the samples `from` to `end` of a block: the rows of `to`, `row_frames` apart, become for each
 * signal the sums of the middles, the sides and the sends of the strips that are heard in it. */
static void mix_from(const playing *of, int64_t from, int64_t end, int32_t signals, float *to,
                     int64_t row_frames)
{
    _Alignas(64) row buses[2][2];
    for (int64_t at = from; at < end; at += PIECE, to += PIECE) {
        const int64_t few = end - at < PIECE ? end - at : PIECE;
        uint64_t heard = 0;
        const sounding *own = of->notes;
        sounds some[2];
        int32_t count = 0;
        for (const strip *one = of->strips; one < of->strips + of->count; own += one->notes, one++) {
            row *bus = buses[count];
            if (one->ready) {
                const float *left = one->ready + at;
                some[count++] = (sounds){one, left, left + of->frames};
            } else {
                const int32_t rows = play_piece(one, own, of->start, at, few, bus);
                if (rows) some[count++] = (sounds){one, bus[0] + SPAN, bus[rows - 1] + SPAN};
            }
            if (count < 2) continue;
            heard = add_to_signals(some, 2, heard, signals, few, to, row_frames);
            count = 0;
        }
        if (count) heard = add_to_signals(some, 1, heard, signals, few, to, row_frames);
        for (int32_t row = 0; row < 3 * signals; row++)
            if (!(heard >> row / 3 & 1)) memset(to + row * row_frames, 0, sizeof(float) * few);
    }
}

/* Mixes a block whole. */
EXPORT void mix(const strip *strips, int64_t count, const sounding *notes, int64_t start,
                int64_t frames, int32_t signals, float *to)
{
    const playing of = {strips, count, notes, start, frames};
    mix_from(&of, 0, frames, signals, to, frames);
}

/* How much of silence the level of a note goes each block: let go, choked, and while it is held, down
 * to `sustained`. */
typedef struct {
    double let_go, choked, decay, sustained;
} fall;

/* The gains that make a held note one that is let go, at the borders of blocks from there on, until it
 * is `inaudible` below or `longest` blocks have passed, and silence. Levels are whole steps of the
 * `depth` from full to silent; `gains` has those of all differences, from `depth` up to `depth` down.
 * The held note has been falling for `fallen` blocks; the other is choked `choked_after` blocks
 * later, below 0 for never. Returns how many there are. */
EXPORT int64_t release_gains(const fall *of, int64_t choked_after, int64_t fallen, int64_t longest,
                             int32_t depth, int32_t inaudible, const float *gains, float *to)
{
    int64_t count = 0;
    double start = 0;
    for (; count < longest; count++) {
        const int64_t lasted = count + fallen > 0 ? count + fallen : 0;
        const double falling = 1 - of->decay * (double)lasted;
        const double held = falling > of->sustained ? falling : of->sustained;
        if (count == 0) start = held;
        const int64_t before = choked_after < 0 || count < choked_after ? count : choked_after;
        const double released =
            start - of->let_go * (double)before - of->choked * (double)(count - before);
        int32_t below = depth;
        if (released > 0) /* neither is above full: that cuts off as `floor` does, at once */
            below = (int32_t)(depth * (1 - released)) - (int32_t)(depth * (1 - held));
        if (below >= inaudible) break;
        to[count] = gains[depth + below];
    }
    to[count] = gains[2 * depth];
    return count + 1;
}
