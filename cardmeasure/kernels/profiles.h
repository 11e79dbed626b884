/* Windows of pixels about predicted sides, averaged by where the side crosses them: edges/profiles.py. */

#ifndef CARDMEASURE_PROFILES_H
#define CARDMEASURE_PROFILES_H

#include "common.h"

/* A picture of 3 channels in 8 or 16 bits, and the linear light of each code. */
typedef struct {
    const void *pixels;
    const float *response;
    int64_t width, height;
    int bytes;
} Picture;

/* One side: curve (nodes, 2) in pixels; read row by row (minor 0) or column by column (1); pixels of the window before
   the crossing; how many stretches. */
typedef struct {
    const double *curve;
    int64_t minor, before, count;
} Course;

typedef struct {
    int64_t nodes, window, phases, every, fewest_lines;
} Reading;

/* Adds the lines across a side to the sums of its groups (stretches times phases): light (g, window, 3), number (g),
   ahead (g), the first pixels from the crossings. */
void read_side(const Picture *picture, const Course *course, const Reading *reading, float *light, float *number,
               double *ahead);

#endif
