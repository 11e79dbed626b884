/* Points on cards, whose parameters are those of cardmeasure/quads.py. */

#ifndef CARDMEASURE_CARDS_H
#define CARDMEASURE_CARDS_H

#include "camera.h"

enum { QUAD_PARAMETERS = 14 };

/* Points at places (2, n), -1..1, on quadrilaterals, 14 numbers each, whose numbers are `card` (n): where they are
   seen along directions (2, n), px (n), and the derivatives of that: by_camera (14, n) and by_quad (14, n). */
void rows_on_cards(const double *camera, const double *quads, const int64_t *card, const double *places,
                   const double *directions, int64_t n, double *px, double *by_camera, double *by_quad);

#endif
