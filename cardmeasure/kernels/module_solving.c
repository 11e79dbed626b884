/* The kernels of the camera and the adjustment, for the module. */

#include "bindings.h"
#include "camera.h"
#include "cards.h"
#include "steps.h"

PyObject *project(PyObject *self, PyObject *arguments) {
    long long n;
    PyObject *a[3];
    if (!PyArg_ParseTuple(arguments, "LOOO", &n, &a[0], &a[1], &a[2])) return NULL;
    Buffers buffers = {.count = 0};
    TAKE(camera, const double, a[0], CAMERA, 0)
    TAKE(points, const double, a[1], 3 * n, 0)
    TAKE(px, double, a[2], 2 * n, 1)
    projected(camera, points, n, px);
    released(&buffers);
    Py_RETURN_NONE;
}

PyObject *seen_along(PyObject *self, PyObject *arguments) {
    long long n;
    PyObject *a[6];
    if (!PyArg_ParseTuple(arguments, "LOOOOOO", &n, &a[0], &a[1], &a[2], &a[3], &a[4], &a[5])) return NULL;
    Buffers buffers = {.count = 0};
    TAKE(camera, const double, a[0], CAMERA, 0)
    TAKE(points, const double, a[1], 3 * n, 0)
    TAKE(directions, const double, a[2], 2 * n, 0)
    TAKE(px, double, a[3], n, 1)
    TAKE(by_camera, double, a[4], CAMERA_PARAMETERS * n, 1)
    TAKE(by_world, double, a[5], 3 * n, 1)
    rows_along(camera, points, directions, n, px, by_camera, by_world);
    released(&buffers);
    Py_RETURN_NONE;
}

PyObject *cards_along(PyObject *self, PyObject *arguments) {
    long long n, cards;
    PyObject *a[8];
    if (!PyArg_ParseTuple(arguments, "LLOOOOOOOO", &n, &cards, &a[0], &a[1], &a[2], &a[3], &a[4], &a[5], &a[6], &a[7]))
        return NULL;
    Buffers buffers = {.count = 0};
    TAKE(camera, const double, a[0], CAMERA, 0)
    TAKE(quads, const double, a[1], QUAD_PARAMETERS * cards, 0)
    TAKE(card, const int64_t, a[2], n, 0)
    TAKE(places, const double, a[3], 2 * n, 0)
    TAKE(directions, const double, a[4], 2 * n, 0)
    TAKE(px, double, a[5], n, 1)
    TAKE(by_camera, double, a[6], CAMERA_PARAMETERS * n, 1)
    TAKE(by_quad, double, a[7], QUAD_PARAMETERS * n, 1)
    for (int64_t i = 0; i < n; i++)
        if (card[i] < 0 || card[i] >= cards) {
            PyErr_SetString(PyExc_ValueError, "points of cards that are not there.");
            released(&buffers);
            return NULL;
        }
    rows_on_cards(camera, quads, card, places, directions, n, px, by_camera, by_quad);
    released(&buffers);
    Py_RETURN_NONE;
}

static int are_rising(const int64_t *bounds, int64_t n, int64_t last) {
    if (bounds[0] != 0 || bounds[n] != last) return 0;
    for (int64_t i = 0; i < n; i++)
        if (bounds[i] > bounds[i + 1]) return 0;
    return 1;
}

PyObject *normal_step(PyObject *self, PyObject *arguments) {
    long long q, knows, cards, printed, edges;
    double damping;
    PyObject *a[14];
    if (!PyArg_ParseTuple(arguments, "(LLLLL)dOOOOOOOOOOOOOO", &q, &knows, &cards, &printed, &edges, &damping, &a[0],
                          &a[1], &a[2], &a[3], &a[4], &a[5], &a[6], &a[7], &a[8], &a[9], &a[10], &a[11], &a[12],
                          &a[13]))
        return NULL;
    Buffers buffers = {.count = 0};
    TAKE(by_points, const double, a[0], (q - 1) * printed, 0)
    TAKE(points, const double, a[1], printed, 0)
    TAKE(points_weight, const double, a[2], printed, 0)
    TAKE(by_edges, const double, a[3], (knows + OWN) * edges, 0)
    TAKE(edge, const double, a[4], edges, 0)
    TAKE(edges_weight, const double, a[5], edges, 0)
    TAKE(bounds, const int64_t, a[6], cards + 1, 0)
    TAKE(known, const int64_t, a[7], knows, 0)
    TAKE(common, const double, a[8], q * q, 0)
    TAKE(right_common, const double, a[9], q, 0)
    TAKE(own, const double, a[10], OWN * cards, 0)
    TAKE(right_own, const double, a[11], OWN * cards, 0)
    TAKE(of_common, double, a[12], q, 1)
    TAKE(of_own, double, a[13], OWN * cards, 1)
    int fits = q > 0 && are_rising(bounds, cards, edges);
    for (int64_t i = 0; fits && i < knows; i++) fits = known[i] >= 0 && known[i] < q;
    if (!fits) {
        PyErr_SetString(PyExc_ValueError, "bounds or unknowns that are not there.");
        released(&buffers);
        return NULL;
    }
    Rows rows = {
        .q = q, .knows = knows, .cards = cards, .printed = printed, .edges = edges, .by_points = by_points,
        .points = points, .points_weight = points_weight, .by_edges = by_edges, .edge = edge,
        .edges_weight = edges_weight, .bounds = bounds, .known = known, .common = common,
        .right_common = right_common, .own = own, .right_own = right_own,
    };
    double length = damped_step(&rows, damping, of_common, of_own);
    released(&buffers);
    return PyFloat_FromDouble(length);
}

PyObject *undistort(PyObject *self, PyObject *arguments) {
    long long n;
    int rounds;
    double enough;
    PyObject *a[3];
    if (!PyArg_ParseTuple(arguments, "LidOOO", &n, &rounds, &enough, &a[0], &a[1], &a[2])) return NULL;
    Buffers buffers = {.count = 0};
    TAKE(camera, const double, a[0], CAMERA, 0)
    TAKE(px, const double, a[1], 2 * n, 0)
    TAKE(xy, double, a[2], 2 * n, 1)
    undistorted(camera, px, n, rounds, enough, xy);
    released(&buffers);
    Py_RETURN_NONE;
}
