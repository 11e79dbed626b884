/* How a side looks across its edge: the model of cardmeasure/edges/looks.py. */

#ifndef CARDMEASURE_LOOKS_H
#define CARDMEASURE_LOOKS_H

#include "common.h"

enum { PLACE, BLUR, SHARPENING, SHADOW, WIDTH, SHADE, FACE, WALL = 9, TABLE = 12, PARAMETERS = 15 };
enum { GEOMETRY = 5, STEPS = 4, MOST_CHANNELS = 3, MOST_BINS = 512 };

/* What shades the table beside a side: edges/shading.py. sharpening_px: blur that sharpening takes off. */
typedef struct {
    double softness, height_px, fall, per_light, sharpening_px;
} Shading;

/* What follows from the parameters of one side, whatever the channel. */
typedef struct {
    float place, blur, sharpening, shadow, width, shade, softness, fall;
    float visible, reach, ends, showing;
    float lacking, shown;
} Side;

/* Steps at the edge, the foot and the shadow's rim, and the fall from the foot: values, and derivatives after distance,
   blur and sharpening. */
typedef struct {
    float value[STEPS][MOST_BINS], slope[STEPS][MOST_BINS];
    float by_blur[STEPS][MOST_BINS], by_sharpening[STEPS][MOST_BINS];
    float blur, rim;
} Steps;

Side side_of(const double *p, const Shading *shading);
void four_steps(const float *x, int n, const Side *side, double softness_px, const Shading *shading, Steps *out);

#endif
