/* Normal equations of a photo, by parts: what all have in common from the Schur complement, then each card by itself. */

#include <stdlib.h>

#include "steps.h"

INLINE double inner(const double *a, const double *b, int64_t n) {
    double sum[LANES] = {0}, rest = 0.0;
    int64_t i = 0;
    for (; i + LANES <= n; i += LANES)
        for (int k = 0; k < LANES; k++) sum[k] += a[i + k] * b[i + k];
    for (; i < n; i++) rest += a[i] * b[i];
    return ((sum[0] + sum[4]) + (sum[1] + sum[5])) + ((sum[2] + sum[6]) + (sum[3] + sum[7])) + rest;
}

/* Lower half (count + 1)^2 of the weighted products of rows with each other and, last, with what they leave. */
WIDE static void products(const double *rows, int64_t apart, int64_t count, const double *left, const double *weight,
                          int64_t n, double *weighted, double *out) {
    for (int64_t i = 0; i <= count; i++) {
        const double *row = i < count ? rows + i * apart : left;
        for (int64_t k = 0; k < n; k++) weighted[k] = weight[k] * row[k];
        for (int64_t k = 0; k <= i && k < count; k++) out[i * (count + 1) + k] = inner(weighted, rows + k * apart, n);
    }
}

/* Cholesky's decomposition of the lower half of a matrix (n, n), in its place; 0 where there is none. */
static int decomposed(double *a, int64_t n) {
    for (int64_t i = 0; i < n; i++)
        for (int64_t k = 0; k <= i; k++) {
            double sum = a[i * n + k];
            for (int64_t m = 0; m < k; m++) sum -= a[i * n + m] * a[k * n + m];
            if (i == k) {
                if (!(sum > 0.0)) return 0;
                a[i * n + i] = sqrt(sum);
            } else
                a[i * n + k] = sum / a[k * n + k];
        }
    return 1;
}

/* Solutions of `many` right sides (n, many), in their place. */
WIDE static void solved(const double *l, int64_t n, double *b, int64_t many) {
    for (int64_t i = 0; i < n; i++) {
        for (int64_t m = 0; m < i; m++)
            for (int64_t k = 0; k < many; k++) b[i * many + k] -= l[i * n + m] * b[m * many + k];
        for (int64_t k = 0; k < many; k++) b[i * many + k] /= l[i * n + i];
    }
    for (int64_t i = n - 1; i >= 0; i--) {
        for (int64_t m = i + 1; m < n; m++)
            for (int64_t k = 0; k < many; k++) b[i * many + k] -= l[m * n + i] * b[m * many + k];
        for (int64_t k = 0; k < many; k++) b[i * many + k] /= l[i * n + i];
    }
}

/* The parts of memory that a step needs. */
typedef struct {
    double *weighted, *product, *common, *right, *schur, *own, *gain, *right_own, *diagonal;
} Room;

/* Adds what the printed points say to the common unknowns. */
static void add_points(const Rows *r, Room *m) {
    int64_t n = r->q - 1;
    products(r->by_points, r->printed, n, r->points, r->points_weight, r->printed, m->weighted, m->product);
    for (int64_t i = 0; i < n; i++) {
        for (int64_t k = 0; k <= i; k++) m->common[i * r->q + k] += m->product[i * (n + 1) + k];
        m->right[i] += m->product[n * (n + 1) + i];
    }
}

/* Adds what one card's edge points say, and takes from the Schur complement what the card's own unknowns take up. */
static int add_card(const Rows *r, Room *m, int64_t card, double damping) {
    const int64_t p = r->knows, count = p + OWN, first = r->bounds[card], n = r->bounds[card + 1] - first, q = r->q;
    double *gain = m->gain + card * OWN * (p + 1), *right = m->right_own + card * OWN;
    products(r->by_edges + first, r->edges, count, r->edge + first, r->edges_weight + first, n, m->weighted, m->product);
#define PRODUCT(i, k) m->product[(i) * (count + 1) + (k)]
    for (int64_t i = 0; i < p; i++) {
        for (int64_t k = 0; k <= i; k++) {
            int64_t a = r->known[i], b = r->known[k];
            m->common[(a > b ? a : b) * q + (a > b ? b : a)] += PRODUCT(i, k);
        }
        m->right[r->known[i]] += PRODUCT(count, i);
    }
    for (int64_t i = 0; i < OWN; i++) {
        for (int64_t k = 0; k <= i; k++) m->own[i * OWN + k] = PRODUCT(p + i, p + k);
        double *diagonal = m->diagonal + card * OWN + i;
        *diagonal = m->own[i * OWN + i] + r->own[card * OWN + i];
        m->own[i * OWN + i] = *diagonal * (1.0 + damping);
        right[i] = PRODUCT(count, p + i) + r->right_own[card * OWN + i];
        for (int64_t k = 0; k < p; k++) gain[i * (p + 1) + k] = PRODUCT(p + i, k);
        gain[i * (p + 1) + p] = right[i];
    }
    if (!decomposed(m->own, OWN)) return 0;
    solved(m->own, OWN, gain, p + 1);
    for (int64_t j = 0; j < OWN; j++)
        for (int64_t i = 0; i < p; i++) {
            double mixed = PRODUCT(p + j, i), *row = m->schur + r->known[i] * (q + 1);
            for (int64_t k = 0; k < p; k++) row[r->known[k]] -= mixed * gain[j * (p + 1) + k];
            row[q] -= mixed * gain[j * (p + 1) + p];
        }
#undef PRODUCT
    return 1;
}

/* Solves for the common unknowns, then for each card's; the length of the step. */
static double steps(const Rows *r, Room *m, double damping, double *of_common, double *of_own) {
    const int64_t q = r->q, p = r->knows;
    double square = 0.0;
    for (int64_t i = 0; i < q; i++) {
        double here = m->common[i * q + i];
        for (int64_t k = 0; k <= i; k++) m->common[i * q + k] += m->schur[i * (q + 1) + k];
        m->common[i * q + i] += damping * here;
        of_common[i] = m->right[i] + m->schur[i * (q + 1) + q];
        m->schur[i * (q + 1)] = here; /* no longer needed */
    }
    if (!decomposed(m->common, q)) return -1.0;
    solved(m->common, q, of_common, 1);
    for (int64_t i = 0; i < q; i++)
        square += of_common[i] * (m->right[i] - damping * m->schur[i * (q + 1)] * of_common[i]);
    for (int64_t at = 0; at < OWN * r->cards; at++) {
        const double *gain = m->gain + at * (p + 1);
        double own = gain[p];
        for (int64_t k = 0; k < p; k++) own -= gain[k] * of_common[r->known[k]];
        of_own[at] = own;
        square += own * (m->right_own[at] - damping * m->diagonal[at] * own);
    }
    return square > 0.0 ? sqrt(square) : 0.0;
}

double damped_step(const Rows *r, double damping, double *of_common, double *of_own) {
    const int64_t q = r->q, own = OWN * r->cards, count = (r->knows + OWN > q ? r->knows + OWN : q) + 1;
    const int64_t longest = r->printed > r->edges ? r->printed : r->edges;
    const int64_t parts[] = {longest, count * count, q * q, q, q * (q + 1), OWN * OWN, own * (r->knows + 1), own, own};
    int64_t all = 0;
    for (int i = 0; i < 9; i++) all += parts[i];
    double *memory = malloc((size_t)all * sizeof(double)), *next = memory;
    if (memory == NULL) return -1.0;
    Room m;
    double **names[] = {&m.weighted, &m.product, &m.common, &m.right, &m.schur, &m.own, &m.gain, &m.right_own,
                        &m.diagonal};
    for (int i = 0; i < 9; i++) *names[i] = next, next += parts[i];
    memcpy(m.common, r->common, (size_t)(q * q) * sizeof(double));
    memcpy(m.right, r->right_common, (size_t)q * sizeof(double));
    memset(m.schur, 0, (size_t)(q * (q + 1)) * sizeof(double));
    add_points(r, &m);
    int fine = 1;
    for (int64_t card = 0; fine && card < r->cards; card++) fine = add_card(r, &m, card, damping);
    double length = fine ? steps(r, &m, damping, of_common, of_own) : -1.0;
    free(memory);
    return length;
}
