/* The nearest place where another answer is the most probable: `nearest_change` of classes/margin.py. */

#ifndef CARDMEASURE_MARGIN_H
#define CARDMEASURE_MARGIN_H

#include "common.h"

enum { MOST_RAYS = 1024, MOST_RADII = 32 };

/* Likelihoods of cuts about a measured size (classes/likelihood.py): quadratic (cuts, 6), first cut of each class;
   own: the class that is the answer, -1 for odd. */
typedef struct {
    const double *measured, *quadratic;
    const int64_t *first_cuts;
    int64_t cuts, classes, own;
    double log_odd, least_side;
} Field;

/* within (w), round (r): distances of the first and of later rounds, as shares; finer (f): rays beside those kept. */
typedef struct {
    const double *within, *round, *finer;
    int within_count, round_count, finer_count, kept_rays, rounds;
    double spacing, steepest, resolution, relative_resolution;
} SearchRules;

/* From rays (m) and distances (m, r) along them to the nearest change; returns whether there is one. */
int nearest_change(const Field *field, const SearchRules *rules, const double *angles, const double *radii, int rays,
                   int count, double *distance, double *direction);

#endif
