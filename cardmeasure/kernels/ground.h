/* How much pixels differ from the table: `_levels` of outlines/ground.py. */

#ifndef CARDMEASURE_GROUND_H
#define CARDMEASURE_GROUND_H

#include "common.h"

/* mix (3, 3) whitens colours; of_y (rows, 4), of_x (4, 3, width): the whitened background as a product; shade (3): the
   direction of brightness. */
typedef struct {
    const float *mix, *of_x, *shade;
    float deepest, likely, sure, great, shadow_colour;
    int64_t width;
} Ground;

/* Levels (width) of one row of means (width, 3); room (6, width) for the work. */
void levels_of_row(const Ground *ground, const float *mean, const float *of_y, float *room, uint8_t *levels);

/* Means (width / 2, 3) of a table's entries over 2 x 2 pixels of two rows of codes (width, 3), in 8 bits. */
void halved_row(const uint8_t *upper, const uint8_t *lower, int64_t width, const float *table, float *out);

#endif
