/* One damped step of the adjustment; the words are those of linearised.py and normal_equations.py. */

#ifndef CARDMEASURE_STEPS_H
#define CARDMEASURE_STEPS_H

#include "common.h"

enum { OWN = 22 };

/* q common unknowns, the tone last, of which edges know `knows`, named by `known`; `printed` rows of points and
   `edges` rows of edge points, by cards from `bounds` (cards + 1) on. Derivatives have a row for each unknown:
   by_points (q - 1, printed), by_edges (knows + 22, edges). Of the priors: normal matrix (q, q) and right side (q) of
   the common unknowns, diagonals and right sides (cards, 22) of each card's own. */
typedef struct {
    int64_t q, knows, cards, printed, edges;
    const double *by_points, *points, *points_weight, *by_edges, *edge, *edges_weight;
    const int64_t *bounds, *known;
    const double *common, *right_common, *own, *right_own;
} Rows;

/* The step of the common unknowns (q) and of each card's own (cards, 22), and its length in the undamped metric;
   below 0 where no such step was found. */
double damped_step(const Rows *rows, double damping, double *of_common, double *of_own);

#endif
