/* What all kernels share. They do what numpy code in the package does, which is the reference and the fallback. */

#ifndef CARDMEASURE_COMMON_H
#define CARDMEASURE_COMMON_H

#include <math.h>
#include <stdint.h>
#include <string.h>

/* A second copy for wider registers, chosen when the module is loaded. Not for fused multiplication, so that results
   do not depend on the machine. */
#if defined(__x86_64__) && defined(__linux__) && defined(__GLIBC__) && defined(__GNUC__) && !defined(__clang__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

#if defined(_MSC_VER)
#define INLINE static __forceinline
#else
#define INLINE static inline __attribute__((always_inline))
#endif

#define LANES 8
/* Arrays along a profile are padded to a multiple of this. */
INLINE int padded(int n) { return (n + LANES - 1) / LANES * LANES; }

/* exp(x) to single precision, written so that compilers make vectors of it; 0 below -87. */
INLINE float exp_of(float x) {
    float clipped = x < -87.0f ? -87.0f : (x > 88.0f ? 88.0f : x);
    int32_t n = (int32_t)(clipped * 1.44269504f + 127.5f);
    float whole = (float)(n - 127);
    float f = (clipped - whole * 0.693359375f) + whole * 2.12194440e-4f;
    float p = 1.9875691500e-4f;
    p = p * f + 1.3981999507e-3f;
    p = p * f + 8.3334519073e-3f;
    p = p * f + 4.1665795894e-2f;
    p = p * f + 1.6666665459e-1f;
    p = p * f + 5.0000001201e-1f;
    p = p * f * f + f + 1.0f;
    int32_t bits = n << 23;
    float power;
    memcpy(&power, &bits, sizeof power);
    return x < -87.0f ? 0.0f : p * power;
}

/* Distribution function and density of the standard normal (Abramowitz and Stegun 26.2.17). */
INLINE void normal(float z, float *cdf, float *pdf) {
    float density = 0.3989422804f * exp_of(-0.5f * z * z);
    float t = 1.0f / (1.0f + 0.2316419f * fabsf(z));
    float tail = t * 1.330274429f;
    tail = (tail - 1.821255978f) * t;
    tail = (tail + 1.781477937f) * t;
    tail = (tail - 0.356563782f) * t;
    tail = (tail + 0.319381530f) * t;
    tail *= density;
    *cdf = z > 0.0f ? 1.0f - tail : tail;
    *pdf = density;
}

/* Sum of products over padded arrays. */
INLINE double dot(const float *a, const float *b, int n) {
    float sum[LANES] = {0};
    for (int i = 0; i < n; i += LANES)
        for (int k = 0; k < LANES; k++) sum[k] += a[i + k] * b[i + k];
    return ((double)sum[0] + sum[4]) + ((double)sum[1] + sum[5]) + ((double)sum[2] + sum[6]) +
           ((double)sum[3] + sum[7]);
}

INLINE double clipped(double value, double low, double high) {
    return value < low ? low : (value > high ? high : value);
}

#endif
