/* Recording: FluidSynth is called from here, so that no other thread of Python waits. */

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

enum { TAIL_CHUNK = 32 * SPAN, HELD_CHUNK = 256 * SPAN, QUIET_CHUNKS = 4 };

/* A synthesiser and the functions of its library. */
typedef struct {
    void *synth;
    int (*note_on)(void *, int channel, int pitch, int velocity);
    int (*note_off)(void *, int channel, int pitch);
    int (*write)(void *, int frames, void *left, int offset, int step, void *right, int, int);
    int (*silence)(void *, int channel);
    int (*voices)(void *);
    void (*list_voices)(void *, void **to, int size, int note);
    float (*generator)(void *voice, int number);
    void (*set_generator)(void *voice, int number, float amount);
    void (*update)(void *voice, int number);
    int64_t rate_hz;
} instrument;

enum { MOST_VOICES = 256 };
enum { START_OF_SAMPLE, END_OF_SAMPLE, DELAY_OF_LEVEL = 33 };

static int64_t roll(const instrument *of, float *tape, int64_t row_frames, int64_t at,
                    int64_t frames)
{
    float *place = tape + at;
    const int status =
        of->write(of->synth, (int)frames, place, 0, 1, place + row_frames, 0, 1);
    return status == 0 ? frames : -1;
}

/* How many spans pass before the last voice that was struck is heard; up to twice that, where the
 * delay is no whole number of octaves of a second. */
static int64_t spans_of_delay(const instrument *of)
{
    void *voices[MOST_VOICES] = {0};
    of->list_voices(of->synth, voices, MOST_VOICES, -1);
    int64_t most = 0;
    for (int32_t i = 0; i < MOST_VOICES && voices[i]; i++) {
        float cents = of->generator(voices[i], DELAY_OF_LEVEL), delay_s = 1;
        cents = cents > 5000 ? 5000 : cents; /* no delay is longer (SoundFont 2.04, 8.1.3) */
        for (; cents > 0; cents -= 1200) delay_s *= 2;
        for (; cents <= -1200; cents += 1200) delay_s /= 2;
        const int64_t spans = (int64_t)(delay_s * of->rate_hz) / SPAN;
        most = spans > most ? spans : most;
    }
    return most;
}

/* Strikes a note on voices that carry no state of the note before: FluidSynth keeps some, so the
 * note (and what chokes it) is started once until it is heard and killed, which leaves its own. */
static int strike_clean(const instrument *of, int channel, int pitch, int velocity, int choke_pitch,
                        float *tape, int64_t row_frames)
{
    int refused = of->note_on(of->synth, channel, pitch, velocity);
    if (choke_pitch) refused |= of->note_on(of->synth, channel, choke_pitch, 1);
    for (int64_t spans = spans_of_delay(of); spans >= 0; spans--)
        refused |= roll(of, tape, row_frames, 0, SPAN) < 0;
    refused |= of->silence(of->synth, -1);
    refused |= roll(of, tape, row_frames, 0, SPAN) < 0;
    refused |= of->note_on(of->synth, channel, pitch, velocity);
    return refused;
}

/* Rows of amounts of some generators. */
typedef struct {
    const int32_t *generators;
    int32_t columns, count;
    const float *amounts;
} rows_of_generators;

/* Ends all voices whose generators are none of the rows. */
static void keep_only(const instrument *of, const rows_of_generators *rows)
{
    const float nowhere = -1e6f;
    void *voices[MOST_VOICES] = {0};
    of->list_voices(of->synth, voices, MOST_VOICES, -1);
    for (int32_t i = 0; i < MOST_VOICES && voices[i]; i++) {
        int32_t stays = 0;
        for (int32_t row = 0; row < rows->count; row++) {
            const float *amounts = rows->amounts + row * rows->columns;
            int32_t same = 1;
            for (int32_t n = 0; n < rows->columns; n++)
                same &= of->generator(voices[i], rows->generators[n]) == amounts[n];
            stays |= same;
        }
        /* A voice that loses its sample ends. */
        for (int32_t n = START_OF_SAMPLE; !stays && n <= END_OF_SAMPLE; n++) {
            of->set_generator(voices[i], n, nowhere);
            of->update(voices[i], n);
        }
    }
    of->voices(of->synth); /* FluidSynth hands on what was updated as another call ends */
}

/* What was heard of a note so far: its greatest sample, what is to be full scale for it, whether both
 * sides were the same, and how far it was played when full scale was settled. Full scale is its
 * greatest sample, or, for one that swells after the first chunk, the power of two above that: the
 * same for most moments to let it go. */
typedef struct {
    float peak, full_scale;
    int32_t same;
    int64_t scaled_by;
} impression;

/* Plays on and listens; returns the height of what was played, or -1. */
static float roll_and_hear(const instrument *of, float *tape, int64_t row_frames, int64_t at,
                           int64_t frames, impression *heard)
{
    int32_t same;
    if (roll(of, tape, row_frames, at, frames) < 0) return -1;
    const float height = survey(tape + at, tape + row_frames + at, frames, &same);
    heard->same &= same;
    if (height > heard->peak) {
        int exponent;
        frexpf(height, &exponent);
        const float full_scale = at ? ldexpf(1, exponent) : height;
        if (full_scale != heard->full_scale) heard->scaled_by = at + frames;
        heard->peak = height, heard->full_scale = full_scale;
    }
    return height;
}

/* Plays a note and puts it on tape, two rows, from its onset until it stays `tail_floor` below its
 * peak. It is let go after `held` samples and choked by a soft touch of `choke_pitch` after `choke`
 * ones (0 for never), all multiples of 64; with a `longest_tail` of 0 it ends where it would be let
 * go. Of its voices only those sound whose `generators`, so many `columns`, are one of the rows of
 * `kept`, if there are any. Returns its length, or -1 where FluidSynth refuses, and what it is like.
 * The tape has room for the later of the two ends, `longest_tail` and a chunk. */
EXPORT int64_t record(const instrument *of, int32_t channel, int32_t pitch, int32_t velocity,
                      int64_t held, int32_t choke_pitch, int64_t choke, float tail_floor,
                      float silent, int64_t longest_tail, const int32_t *generators,
                      int32_t columns, const float *kept, int32_t kept_rows, float *tape,
                      int64_t row_frames, impression *heard)
{
    int64_t frames = 0;
    int refused = strike_clean(of, channel, pitch, velocity, choke_pitch, tape, row_frames);
    if (kept_rows)
        keep_only(of, &(rows_of_generators){generators, columns, kept_rows, kept});
    const int choked_first = choke_pitch && choke <= held;
    const int64_t first = choked_first ? choke : held;
    *heard = (impression){0, 0, 1, 0};
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
