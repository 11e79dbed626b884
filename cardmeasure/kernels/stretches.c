/* One place and the levels of face and table, fitted to a stretch whose looks are known; see edges/stretches.py. */

#include "stretches.h"

typedef struct {
    int n, padded;
    float x[MOST_BINS], full[MOST_BINS], robust[MOST_BINS], light[MOST_CHANNELS][MOST_BINS];
    float face[MOST_CHANNELS][MOST_BINS], table[MOST_CHANNELS][MOST_BINS];
    float r[MOST_CHANNELS][MOST_BINS], by[MOST_CHANNELS][MOST_BINS];
    float weighted[MOST_BINS], free[MOST_BINS];
    Steps steps;
} Work;

static void without_empty_bins(const Stretch *s, Work *w) {
    int n = 0;
    for (int i = 0; i < s->bins && n < MOST_BINS - LANES; i++) {
        if (!(s->weight[i] > 0.0f)) continue;
        w->x[n] = s->x[i];
        w->full[n] = w->robust[n] = s->weight[i] / (1.0f + s->weight[i]);
        for (int c = 0; c < s->channels; c++) w->light[c][n] = s->light[c * s->bins + i];
        n++;
    }
    w->n = n, w->padded = padded(n);
    for (int i = n; i < w->padded; i++) {
        w->x[i] = w->full[i] = w->robust[i] = 0.0f;
        for (int c = 0; c < s->channels; c++) w->light[c][i] = 0.0f;
    }
}

/* Least-squares levels of face and table in y. */
INLINE void levels(Work *w, int c, const float *y, float *of_face, float *of_table) {
    const float *face = w->face[c], *table = w->table[c];
    float *part = w->weighted;
    for (int i = 0; i < w->padded; i++) part[i] = w->robust[i] * face[i];
    double ff = dot(part, face, w->padded), ft = dot(part, table, w->padded), fy = dot(part, y, w->padded);
    for (int i = 0; i < w->padded; i++) part[i] = w->robust[i] * table[i];
    double tt = dot(part, table, w->padded), ty = dot(part, y, w->padded);
    double determinant = ff * tt - ft * ft;
    if (determinant < 1e-6) determinant = 1e-6;
    *of_face = (float)((tt * fy - ft * ty) / determinant);
    *of_table = (float)((ff * ty - ft * fy) / determinant);
}

/* Residuals and derivatives after the place, with the levels that fit best at the place of p. */
WIDE static void linearised(const Stretch *stretch, const double *p, Work *w) {
    Side side = side_of(p, &stretch->shading);
    Steps *s = &w->steps;
    const int n = w->padded;
    for (int c = 0; c < stretch->channels; c++) {
        const double *mix = stretch->mix + 3 * c;
        if (c == 0 || (c == 1 && stretch->softness_px != 0.0))
            four_steps(w->x, n, &side, c ? stretch->softness_px : 0.0, &stretch->shading, s);
        float wall = (float)(mix[0] * p[WALL] + mix[1] * p[WALL + 1] + mix[2] * p[WALL + 2]);
        float *face = w->face[c], *table = w->table[c], *r = w->r[c], *by = w->by[c];
        const float *light = w->light[c];
        for (int i = 0; i < n; i++) {
            float edge = s->value[0][i], foot = s->value[1][i], rim = s->value[2][i], near = s->value[3][i];
            face[i] = 1.0f - edge;
            table[i] = side.shade * (foot - rim) + rim - side.lacking * near;
            r[i] = light[i] - wall * (edge - foot);
        }
        float of_face, of_table;
        levels(w, c, r, &of_face, &of_table);
        for (int i = 0; i < n; i++) {
            float s0 = s->slope[0][i], s1 = s->slope[1][i], s2 = s->slope[2][i], s3 = s->slope[3][i];
            r[i] -= of_face * face[i] + of_table * table[i];
            by[i] = of_face * s0 + wall * (s1 - s0) + of_table * (side.shade * (s2 - s1) - s2 + side.lacking * s3);
        }
    }
}

WIDE static void reweighted(const Stretch *stretch, const OffsetRules *rules, Work *w) {
    float per[MOST_CHANNELS], robust_at = (float)rules->robust_at;
    for (int c = 0; c < stretch->channels; c++) per[c] = (float)(1.0 / stretch->scatter[c]);
    for (int i = 0; i < w->padded; i++) {
        float sum = 0.0f;
        for (int c = 0; c < stretch->channels; c++) {
            float z = w->r[c][i] * per[c];
            sum += z * z;
        }
        float size = sqrtf(sum / (float)stretch->channels);
        w->robust[i] = w->full[i] * (size > robust_at ? robust_at / size : 1.0f);
    }
}

void offset_of(const Stretch *stretch, const OffsetRules *rules, double *place_px, double *u_px) {
    Work w;
    double p[PARAMETERS], u = INFINITY;
    memcpy(p, stretch->looks, sizeof p);
    without_empty_bins(stretch, &w);
    for (int round = 0; round < rules->rounds; round++) {
        double by_channel[MOST_CHANNELS], right = 0.0, information = 0.0, of_r[MOST_CHANNELS], of_rr[MOST_CHANNELS];
        double of_ff[MOST_CHANNELS];
        linearised(stretch, p, &w);
        reweighted(stretch, rules, &w);
        for (int c = 0; c < stretch->channels; c++) {
            float of_face, of_table;
            levels(&w, c, w.by[c], &of_face, &of_table);
            for (int i = 0; i < w.padded; i++) w.free[i] = w.by[c][i] - of_face * w.face[c][i] - of_table * w.table[c][i];
            double per = 1.0 / (stretch->scatter[c] * stretch->scatter[c]);
            for (int i = 0; i < w.padded; i++) w.weighted[i] = w.robust[i] * w.free[i];
            by_channel[c] = per * dot(w.weighted, w.by[c], w.padded);
            of_r[c] = per * dot(w.weighted, w.r[c], w.padded);
            of_ff[c] = per * dot(w.weighted, w.free, w.padded);
            for (int i = 0; i < w.padded; i++) w.weighted[i] = w.robust[i] * w.r[c][i];
            of_rr[c] = per * dot(w.weighted, w.r[c], w.padded);
            if (by_channel[c] < 0.0) by_channel[c] = 0.0;
            information += by_channel[c];
            right += of_r[c];
        }
        if (information < 1e-12) information = 1e-12;
        double step = clipped(right / information, -rules->longest_px, rules->longest_px), variance = 0.0;
        p[PLACE] += step;
        double freedom = w.n - rules->freedom > 1.0 ? w.n - rules->freedom : 1.0;
        for (int c = 0; c < stretch->channels; c++) {
            double left = of_rr[c] - 2.0 * step * of_r[c] + step * step * of_ff[c], excess = left / freedom;
            variance += by_channel[c] * (excess > 0.1 ? excess : 0.1);
        }
        u = sqrt(variance) / information;
    }
    *place_px = p[PLACE];
    *u_px = u;
}
