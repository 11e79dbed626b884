/* Points on cards as the camera sees them, with derivatives; see cardmeasure/quads.py. */

#include "cards.h"

enum { X, Y, TURN, WIDTH, HEIGHT, SHEAR, WIDTH_TAPER, HEIGHT_TAPER, ELEVATION, RISE_WIDTH, RISE_HEIGHT, TWIST,
       SLOPE_WIDTH, SLOPE_HEIGHT };

INLINE double arc(double place) { return place * place - 1.0 / 3.0; }

void rows_on_cards(const double *camera, const double *quads, const int64_t *card, const double *places,
                   const double *directions, int64_t n, double *px, double *by_camera, double *by_quad) {
    int64_t turned = -1;
    double c = 1.0, s = 0.0;
    for (int64_t i = 0; i < n; i++) {
        const double *q = quads + QUAD_PARAMETERS * card[i], a = places[i], b = places[n + i];
        if (card[i] != turned) {
            turned = card[i];
            c = cos(q[TURN]), s = sin(q[TURN]);
        }
        double x = (a * (q[WIDTH] + b * q[WIDTH_TAPER]) + q[SHEAR] * b * q[HEIGHT]) / 2.0;
        double y = b * (q[HEIGHT] + a * q[HEIGHT_TAPER]) / 2.0;
        double lift = q[RISE_WIDTH] * arc(a) + q[RISE_HEIGHT] * arc(b) + q[TWIST] * a * b;
        double point[3] = {q[X] + c * x - s * y, q[Y] + s * x + c * y,
                           -q[ELEVATION] - lift - q[SLOPE_WIDTH] * a - q[SLOPE_HEIGHT] * b};
        const double direction[2] = {directions[i], directions[n + i]};
        double of_camera[CAMERA_PARAMETERS], world[3], j[QUAD_PARAMETERS];
        px[i] = row_along(camera, point, direction, of_camera, world);
        double along_x = c * world[0] + s * world[1], along_y = c * world[1] - s * world[0];
        double half_x = along_x / 2.0, half_y = along_y / 2.0;
        j[X] = world[0];
        j[Y] = world[1];
        j[TURN] = along_y * x - along_x * y;
        j[WIDTH] = half_x * a;
        j[HEIGHT] = half_x * b * q[SHEAR] + half_y * b;
        j[SHEAR] = half_x * b * q[HEIGHT];
        j[WIDTH_TAPER] = j[WIDTH] * b;
        j[HEIGHT_TAPER] = half_y * a * b;
        j[ELEVATION] = -world[2];
        j[RISE_WIDTH] = -world[2] * arc(a);
        j[RISE_HEIGHT] = -world[2] * arc(b);
        j[TWIST] = -world[2] * a * b;
        j[SLOPE_WIDTH] = -world[2] * a;
        j[SLOPE_HEIGHT] = -world[2] * b;
        for (int k = 0; k < CAMERA_PARAMETERS; k++) by_camera[k * n + i] = of_camera[k];
        for (int k = 0; k < QUAD_PARAMETERS; k++) by_quad[k * n + i] = j[k];
    }
}
