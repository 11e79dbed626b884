/* Damped least squares of one side: `fit_looks` of edges/fitting.py. */

#ifndef CARDMEASURE_FITTING_H
#define CARDMEASURE_FITTING_H

#include "looks.h"

/* One side: its profile x (b), light and inverse scatter (c, b); prior mean (15), precision (15, 15); bounds (15). */
typedef struct {
    const float *x, *light, *sharpness;
    const double *mean, *precision, *low, *high, *mix;
    int bins, channels;
    double softness_px;
    Shading shading;
} Profile;

typedef struct {
    const double *longest;
    double settled, robust_at, rounding;
    int rounds;
} FitRules;

/* Fits p (15) in place; returns the cost and the last normal matrix (15, 15). */
double fit_side(const Profile *profile, const FitRules *rules, double *p, double *normal);

#endif
