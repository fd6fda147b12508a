/* The inner loops of the sound room: what is done for every sample.
 *
 * Arrays are float32, planar, contiguous; counts are in samples unless the name says otherwise.
 * Nothing here allocates or keeps state: `__init__.py` in this folder checks and owns the memory.
 * Sums have one order and are never fused (-ffp-contract=off), so that the samples are the same
 * bits on every machine, however wide its vectors are.
 * One library, one file for each kind of work, which build on one another in this order.
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

enum { SPAN = 64, TAPS = 32, PHASES = 3, LINES = 8, DIFFUSERS = 3, DELAYS = LINES + 1 + DIFFUSERS };

typedef double four __attribute__((vector_size(32)));
typedef float eight __attribute__((vector_size(32), aligned(4)));

#include "mixing.h"
#include "metering.h"
#include "desk.h"
#include "pcm.h"
#include "recording.h"
