/* Place, blur and levels of crossings in patches; the words are those of reference/crossings.py. */

#include "crossings.h"

typedef struct {
    float r[MOST_PATCH], j[UNKNOWNS][MOST_PATCH];
} Rows;

/* Weighted residuals and derivatives of one patch; returns their padded length. */
WIDE static int linearised(const Patches *patches, const float *value, const double *normals, const double *p,
                           Rows *rows) {
    const int n = patches->pixels;
    const float x = (float)p[0], y = (float)p[1], blur = (float)p[2], mean = (float)p[3], half = (float)p[4];
    const float ax = (float)normals[0], ay = (float)normals[1], bx = (float)normals[2], by = (float)normals[3];
    const float per = 1.0f / blur, by_distance = -2.0f * half * per, edge = (float)patches->radius - 0.5f;
    for (int at = 0; at < n; at++) {
        float dx = patches->offsets[2 * at] - x, dy = patches->offsets[2 * at + 1] - y;
        float u = (ax * dx + ay * dy) * per, v = (bx * dx + by * dy) * per;
        float cu, gu, cv, gv;
        normal(u, &cu, &gu);
        normal(v, &cv, &gv);
        float eu = 2.0f * cu - 1.0f, ev = 2.0f * cv - 1.0f, product = eu * ev;
        float window = edge - sqrtf(dx * dx + dy * dy);
        window = window < 0.0f ? 0.0f : (window > 1.0f ? 1.0f : window);
        gu *= ev * by_distance;
        gv *= eu * by_distance;
        rows->j[0][at] = (ax * gu + bx * gv) * window;
        rows->j[1][at] = (ay * gu + by * gv) * window;
        rows->j[2][at] = (gu * u + gv * v) * window;
        rows->j[3][at] = window;
        rows->j[4][at] = product * window;
        rows->r[at] = (value[at] - mean - half * product) * window;
    }
    for (int at = n; at < padded(n); at++) {
        rows->r[at] = 0.0f;
        for (int k = 0; k < UNKNOWNS; k++) rows->j[k][at] = 0.0f;
    }
    return padded(n);
}

/* Least squares for the unknowns from `first` on; a patch without any contrast has nothing to say. */
WIDE static void solved(const Rows *rows, int n, int first, double *step) {
    double a[UNKNOWNS][UNKNOWNS], b[UNKNOWNS], trace = 0.0;
    for (int i = first; i < UNKNOWNS; i++) {
        b[i] = dot(rows->j[i], rows->r, n);
        for (int k = first; k <= i; k++) a[i][k] = a[k][i] = dot(rows->j[i], rows->j[k], n);
        trace += a[i][i];
    }
    for (int i = first; i < UNKNOWNS; i++) a[i][i] += 1e-9 * trace + 1e-9;
    for (int i = first; i < UNKNOWNS; i++)
        for (int k = i + 1; k < UNKNOWNS; k++) {
            double share = a[k][i] / a[i][i];
            for (int m = i; m < UNKNOWNS; m++) a[k][m] -= share * a[i][m];
            b[k] -= share * b[i];
        }
    for (int i = UNKNOWNS - 1; i >= first; i--) {
        step[i] = b[i];
        for (int m = i + 1; m < UNKNOWNS; m++) step[i] -= a[i][m] * step[m];
        step[i] /= a[i][i];
    }
}

void fit_crossings(const Patches *patches, double *p) {
    Rows rows;
    for (int turn = 0; turn < patches->rounds; turn++) {
        double longest = 0.0;
        for (int i = 0; i < patches->count; i++) {
            double *mine = p + UNKNOWNS * i, step[UNKNOWNS] = {0};
            const float *value = patches->values + (int64_t)patches->pixels * i;
            int n = linearised(patches, value, patches->normals + 4 * i, mine, &rows);
            solved(&rows, n, turn == 0 ? 3 : 0, step); /* levels first, as contrast's sign is not known yet */
            for (int k = 0; k < 2; k++) step[k] = clipped(step[k], -0.7, 0.7);
            step[2] = clipped(step[2], -0.4, 0.4);
            for (int k = 0; k < UNKNOWNS; k++) mine[k] += step[k];
            if (turn > 0) mine[2] = clipped(mine[2], 0.3, patches->radius / 1.5);
            for (int k = 0; k < 2; k++) longest = fabs(step[k]) > longest ? fabs(step[k]) : longest;
        }
        if (turn > 0 && longest < patches->settled_px) break;
    }
}
