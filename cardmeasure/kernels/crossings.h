/* Blurred crossings of two edges: `fit_crossings` of reference/crossings.py. */

#ifndef CARDMEASURE_CROSSINGS_H
#define CARDMEASURE_CROSSINGS_H

#include "common.h"

enum { UNKNOWNS = 5, MOST_RADIUS = 24, MOST_PATCH = (2 * MOST_RADIUS + 1) * (2 * MOST_RADIUS + 1) + LANES };

/* Patches (n, (2 radius + 1)^2) in code values, row by row; unit normals (n, 2, 2) of the edges. */
typedef struct {
    const float *values;
    const double *normals;
    int count, radius, rounds;
    double settled_px;
} Patches;

/* Fits p (n, 5): x, y from the patch's middle, blur, mean, half contrast. */
void fit_crossings(const Patches *patches, double *p);

#endif
