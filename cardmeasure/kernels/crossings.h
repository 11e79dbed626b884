/* Blurred crossings of two edges: `fit_crossings` of reference/crossings.py. */

#ifndef CARDMEASURE_CROSSINGS_H
#define CARDMEASURE_CROSSINGS_H

#include "common.h"

enum { UNKNOWNS = 5, MOST_PATCH = 2048 };

/* Patches (n, m) in code values; offsets (m, 2) of their pixels from the middle; unit normals (n, 2, 2) of the edges. */
typedef struct {
    const float *values, *offsets;
    const double *normals;
    int count, pixels, radius, rounds;
    double settled_px;
} Patches;

/* Fits p (n, 5): x, y from the patch's middle, blur, mean, half contrast. */
void fit_crossings(const Patches *patches, double *p);

#endif
