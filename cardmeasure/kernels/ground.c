/* Squared distances from the background, shadows taken out, as levels; see outlines/ground.py. */

#include "ground.h"

WIDE void levels_of_row(const Ground *ground, const float *mean, const float *of_y, float *room, uint8_t *levels) {
    const int64_t w = ground->width;
    for (int64_t x = 0; x < w; x++)
        for (int k = 0; k < 3; k++) room[k * w + x] = mean[3 * x + k];
    for (int k = 0; k < 3; k++) {
        const float *m = ground->mix + 3 * k, *b = room, *g = room + w, *r = room + 2 * w;
        const float *f0 = ground->of_x + k * w, *f1 = f0 + 3 * w, *f2 = f1 + 3 * w, *f3 = f2 + 3 * w;
        float *white = room + (3 + k) * w;
        for (int64_t x = 0; x < w; x++)
            white[x] = m[0] * b[x] + m[1] * g[x] + m[2] * r[x] -
                       (of_y[0] * f0[x] + of_y[1] * f1[x] + of_y[2] * f2[x] + of_y[3] * f3[x]);
    }
    const float *p = room + 3 * w, *q = room + 4 * w, *s = room + 5 * w, *shade = ground->shade;
    const float deepest = -ground->deepest, likely = ground->likely, sure = ground->sure, great = ground->great;
    const float colour = ground->shadow_colour;
    for (int64_t x = 0; x < w; x++) {
        float squared = p[x] * p[x] + q[x] * q[x] + s[x] * s[x];
        float dimming = p[x] * shade[0] + q[x] * shade[1] + s[x] * shade[2], across = squared - dimming * dimming;
        int is_shadow = (squared < sure) & (dimming < 0.0f) & (dimming > deepest) & (across < colour);
        int level = (squared > likely) + (squared > sure) + (squared > great);
        levels[x] = (uint8_t)(is_shadow ? 0 : level);
    }
}

void halved_row(const uint8_t *upper, const uint8_t *lower, int64_t width, const float *table, float *out) {
    for (int64_t x = 0; x < width / 2; x++, upper += 6, lower += 6, out += 3)
        for (int k = 0; k < 3; k++)
            out[k] = ((table[upper[k]] + table[upper[k + 3]]) + (table[lower[k]] + table[lower[k + 3]])) * 0.25f;
}
