/* Projection, its derivatives and its inverse, one point after the other; see cardmeasure/camera.py. */

#include "camera.h"

INLINE void distorted(const double *d, double x, double y, double *out) {
    double r2 = x * x + y * y, radial = 1.0 + r2 * (d[0] + r2 * (d[1] + r2 * d[2]));
    out[0] = x * radial + 2.0 * d[3] * x * y + d[4] * (r2 + 2.0 * x * x);
    out[1] = y * radial + d[3] * (r2 + 2.0 * y * y) + 2.0 * d[4] * x * y;
}

INLINE void turned_by(const double *r, const double *p, double *out) {
    for (int k = 0; k < 3; k++) out[k] = r[3 * k] * p[0] + r[3 * k + 1] * p[1] + r[3 * k + 2] * p[2];
}

void projected(const double *camera, const double *points, int64_t n, double *px) {
    const double *t = camera + 9, focal = camera[12], *principal = camera + 13, *d = camera + 15;
    for (int64_t i = 0; i < n; i++) {
        double at[3], xy[2];
        turned_by(camera, points + 3 * i, at);
        double z = at[2] + t[2];
        distorted(d, (at[0] + t[0]) / z, (at[1] + t[1]) / z, xy);
        px[2 * i] = focal * xy[0] + principal[0];
        px[2 * i + 1] = focal * xy[1] + principal[1];
    }
}

double row_along(const double *camera, const double *point, const double *direction, double *j, double *by_world) {
    const double *r = camera, *t = camera + 9, focal = camera[12], *principal = camera + 13, *d = camera + 15;
    const double p1 = d[3], p2 = d[4];
    double at[3], local[3];
    turned_by(r, point, at);
    double iz = 1.0 / (at[2] + t[2]), x = (at[0] + t[0]) * iz, y = (at[1] + t[1]) * iz, r2 = x * x + y * y;
    double radial = 1.0 + r2 * (d[0] + r2 * (d[1] + r2 * d[2]));
    double dx = direction[0], dy = direction[1], ax = focal * dx, ay = focal * dy;
    double of_x = ax * x, of_y = ay * y, mixed = 2.0 * (ax * y + ay * x), along = of_x + of_y;
    double slope = 2.0 * (d[0] + r2 * (2.0 * d[1] + 3.0 * r2 * d[2])) * along;
    j[9] = along * r2;
    j[10] = j[9] * r2;
    j[11] = j[10] * r2;
    j[12] = ay * r2 + 2.0 * along * y;
    j[13] = ax * r2 + 2.0 * along * x;
    j[6] = along * radial + p1 * j[12] + p2 * j[13];
    j[7] = dx;
    j[8] = dy;
    local[0] = (ax * radial + slope * x + p1 * mixed + 2.0 * p2 * (3.0 * of_x + of_y)) * iz;
    local[1] = (ay * radial + slope * y + p2 * mixed + 2.0 * p1 * (of_x + 3.0 * of_y)) * iz;
    local[2] = -(local[0] * x + local[1] * y);
    for (int k = 0; k < 3; k++) {
        int one = (k + 1) % 3, other = (k + 2) % 3;
        j[k] = at[one] * local[other] - at[other] * local[one];
        j[3 + k] = local[k];
        by_world[k] = r[k] * local[0] + r[3 + k] * local[1] + r[6 + k] * local[2];
    }
    return j[6] + principal[0] * dx + principal[1] * dy;
}

void rows_along(const double *camera, const double *points, const double *directions, int64_t n, double *px,
                double *by_camera, double *by_world) {
    for (int64_t i = 0; i < n; i++) {
        const double direction[2] = {directions[i], directions[n + i]};
        double j[CAMERA_PARAMETERS], world[3];
        px[i] = row_along(camera, points + 3 * i, direction, j, world);
        for (int k = 0; k < CAMERA_PARAMETERS; k++) by_camera[k * n + i] = j[k];
        for (int k = 0; k < 3; k++) by_world[k * n + i] = world[k];
    }
}

void undistorted(const double *camera, const double *px, int64_t n, int rounds, double enough, double *xy) {
    const double focal = camera[12], *principal = camera + 13, *d = camera + 15;
    for (int64_t i = 0; i < 2 * n; i++) xy[i] = (px[i] - principal[i % 2]) / focal;
    for (int turn = 0; turn < rounds; turn++) {
        double longest = 0.0;
        for (int64_t i = 0; i < n; i++) {
            double x = xy[2 * i], y = xy[2 * i + 1], seen[2], r2 = x * x + y * y;
            distorted(d, x, y, seen);
            double error[2] = {seen[0] - (px[2 * i] - principal[0]) / focal,
                               seen[1] - (px[2 * i + 1] - principal[1]) / focal};
            double radial = 1.0 + r2 * (d[0] + r2 * (d[1] + r2 * d[2]));
            double slope = 2.0 * (d[0] + r2 * (2.0 * d[1] + 3.0 * r2 * d[2]));
            double a = radial + slope * x * x + 2.0 * d[3] * y + 6.0 * d[4] * x;
            double b = slope * x * y + 2.0 * d[3] * x + 2.0 * d[4] * y;
            double c = radial + slope * y * y + 6.0 * d[3] * y + 2.0 * d[4] * x, determinant = a * c - b * b;
            double step[2] = {(c * error[0] - b * error[1]) / determinant, (a * error[1] - b * error[0]) / determinant};
            for (int k = 0; k < 2; k++) {
                xy[2 * i + k] -= step[k];
                longest = fabs(step[k]) > longest ? fabs(step[k]) : longest;
            }
        }
        if (longest < enough) break;
    }
}
