/* Where the edge lies on one stretch of a side: `edge_offsets` of edges/stretches.py. */

#ifndef CARDMEASURE_STRETCHES_H
#define CARDMEASURE_STRETCHES_H

#include "looks.h"

/* One stretch: distances x, weights (b), light (c, b), scatter (c); looks of its side (15), mix (c, 3). */
typedef struct {
    const float *x, *weight, *light;
    const double *scatter, *looks, *mix;
    int bins, channels;
    double softness_px;
    Shading shading;
} Stretch;

typedef struct {
    double robust_at, freedom, longest_px;
    int rounds;
} OffsetRules;

void offset_of(const Stretch *stretch, const OffsetRules *rules, double *place_px, double *u_px);

#endif
