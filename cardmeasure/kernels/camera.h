/* The camera of cardmeasure/camera.py, whose words these are. */

#ifndef CARDMEASURE_CAMERA_H
#define CARDMEASURE_CAMERA_H

#include "common.h"

enum { CAMERA = 20, CAMERA_PARAMETERS = 14 };

/* camera: rotation (9), translation (3), focal length, principal point (2), distortion (5). Points as in camera.py. */
void projected(const double *camera, const double *points, int64_t n, double *px);
/* Where one point is seen along a direction (2), and the derivatives of that: j (14) and by_world (3). */
double row_along(const double *camera, const double *point, const double *direction, double *j, double *by_world);
void rows_along(const double *camera, const double *points, const double *directions, int64_t n, double *px,
                double *by_camera, double *by_world);
void undistorted(const double *camera, const double *px, int64_t n, int rounds, double enough, double *xy);

#endif
