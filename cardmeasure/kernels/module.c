/* The kernels as a Python module. Arrays come as contiguous buffers; cardmeasure/kernels/__init__.py makes them so. */

#include "bindings.h"
#include "crossings.h"
#include "fitting.h"
#include "ground.h"
#include "margin.h"
#include "profiles.h"
#include "stretches.h"

/* Raised when arguments or results change, so that an older build is left alone: see cardmeasure/kernels. */
#define INTERFACE 11

static int is_possible(int bins, int channels) {
    if (bins >= 0 && bins <= MOST_BINS - LANES && channels >= 1 && channels <= MOST_CHANNELS) return 1;
    PyErr_SetString(PyExc_ValueError, "more bins or channels than the kernels have room for.");
    return 0;
}

static PyObject *fit_looks(PyObject *self, PyObject *arguments) {
    int n, bins, channels;
    double softness_px, per_light, sharpening_px;
    FitRules rules;
    PyObject *a[13];
    if (!PyArg_ParseTuple(arguments, "(iii)(ddd)(dddi)OOOOOOOOOOOOO", &n, &bins, &channels, &softness_px, &per_light,
                          &sharpening_px, &rules.settled, &rules.robust_at, &rules.rounding, &rules.rounds, &a[0],
                          &a[1], &a[2], &a[3], &a[4], &a[5], &a[6], &a[7], &a[8], &a[9], &a[10], &a[11], &a[12]))
        return NULL;
    if (!is_possible(bins, channels)) return NULL;
    const int64_t c = channels, square = PARAMETERS * PARAMETERS;
    Buffers buffers = {.count = 0};
    TAKE(x, const float, a[0], (int64_t)n * bins, 0)
    TAKE(light, const float, a[1], n * c * bins, 0)
    TAKE(sharpness, const float, a[2], n * c * bins, 0)
    TAKE(mean, const double, a[3], (int64_t)n * PARAMETERS, 0)
    TAKE(precision, const double, a[4], n * square, 0)
    TAKE(low, const double, a[5], (int64_t)n * PARAMETERS, 0)
    TAKE(high, const double, a[6], (int64_t)n * PARAMETERS, 0)
    TAKE(longest, const double, a[7], PARAMETERS, 0)
    TAKE(mix, const double, a[8], n * c * 3, 0)
    TAKE(shading, const double, a[9], (int64_t)n * 3, 0)
    TAKE(p, double, a[10], (int64_t)n * PARAMETERS, 1)
    TAKE(normal, double, a[11], n * square, 1)
    TAKE(cost, double, a[12], n, 1)
    rules.longest = longest;
    for (int64_t i = 0; i < n; i++) {
        Profile one = {
            .x = x + i * bins, .light = light + i * c * bins, .sharpness = sharpness + i * c * bins,
            .mean = mean + i * PARAMETERS, .precision = precision + i * square, .low = low + i * PARAMETERS,
            .high = high + i * PARAMETERS, .mix = mix + i * c * 3, .bins = bins, .channels = channels,
            .softness_px = softness_px,
            .shading = {shading[3 * i], shading[3 * i + 1], shading[3 * i + 2], per_light, sharpening_px},
        };
        cost[i] = fit_side(&one, &rules, p + i * PARAMETERS, normal + i * square);
    }
    released(&buffers);
    Py_RETURN_NONE;
}

static PyObject *edge_offsets(PyObject *self, PyObject *arguments) {
    int n, bins, channels;
    double softness_px, per_light, sharpening_px;
    OffsetRules rules;
    PyObject *a[9];
    if (!PyArg_ParseTuple(arguments, "(iii)(ddd)(dddi)OOOOOOOOO", &n, &bins, &channels, &softness_px, &per_light,
                          &sharpening_px, &rules.robust_at, &rules.freedom, &rules.longest_px, &rules.rounds, &a[0],
                          &a[1], &a[2], &a[3], &a[4], &a[5], &a[6], &a[7], &a[8]))
        return NULL;
    if (!is_possible(bins, channels)) return NULL;
    const int64_t c = channels;
    Buffers buffers = {.count = 0};
    TAKE(x, const float, a[0], (int64_t)n * bins, 0)
    TAKE(light, const float, a[1], n * c * bins, 0)
    TAKE(weight, const float, a[2], (int64_t)n * bins, 0)
    TAKE(scatter, const double, a[3], n * c, 0)
    TAKE(looks, const double, a[4], (int64_t)n * PARAMETERS, 0)
    TAKE(mix, const double, a[5], n * c * 3, 0)
    TAKE(shading, const double, a[6], (int64_t)n * 3, 0)
    TAKE(place, double, a[7], n, 1)
    TAKE(u, double, a[8], n, 1)
    for (int64_t i = 0; i < n; i++) {
        Stretch one = {
            .x = x + i * bins, .weight = weight + i * bins, .light = light + i * c * bins, .scatter = scatter + i * c,
            .looks = looks + i * PARAMETERS, .mix = mix + i * c * 3, .bins = bins, .channels = channels,
            .softness_px = softness_px,
            .shading = {shading[3 * i], shading[3 * i + 1], shading[3 * i + 2], per_light, sharpening_px},
        };
        offset_of(&one, &rules, place + i, u + i);
    }
    released(&buffers);
    Py_RETURN_NONE;
}

static PyObject *read_profiles(PyObject *self, PyObject *arguments) {
    long long width, height, levels, sides, total;
    int bytes;
    Reading reading;
    long long nodes, window, phases, every, fewest;
    PyObject *a[7];
    if (!PyArg_ParseTuple(arguments, "(LLiL)(LL)LLLLLOOOOOOO", &width, &height, &bytes, &levels, &sides, &total,
                          &nodes, &window, &phases, &every, &fewest, &a[0], &a[1], &a[2], &a[3], &a[4], &a[5], &a[6]))
        return NULL;
    reading = (Reading){nodes, window, phases, every, fewest};
    if (nodes < 2 || window < 1 || phases < 1 || fewest < 1 || (bytes != 1 && bytes != 2) ||
        levels != (bytes == 1 ? 256 : 65536)) {
        PyErr_SetString(PyExc_ValueError, "a picture or a way to read it that the kernels do not know.");
        return NULL;
    }
    Buffers buffers = {.count = 0};
    TAKE(pixels, const uint8_t, a[0], width * height * 3 * bytes, 0)
    TAKE(response, const float, a[1], levels, 0)
    TAKE(curves, const double, a[2], sides * nodes * 2, 0)
    TAKE(courses, const int64_t, a[3], sides * 3, 0)
    TAKE(light, float, a[4], total * phases * window * 3, 1)
    TAKE(number, float, a[5], total * phases, 1)
    TAKE(ahead, double, a[6], total * phases, 1)
    Picture picture = {pixels, response, width, height, bytes};
    int64_t group = 0;
    for (int64_t i = 0; i < sides; i++) {
        Course course = {curves + i * nodes * 2, courses[3 * i], courses[3 * i + 1], courses[3 * i + 2]};
        if (course.count < 1 || (course.minor != 0 && course.minor != 1) || group + course.count * phases > total * phases) {
            PyErr_SetString(PyExc_ValueError, "sides with more stretches than there is room for.");
            released(&buffers);
            return NULL;
        }
        read_side(&picture, &course, &reading, light + group * window * 3, number + group, ahead + group);
        group += course.count * phases;
    }
    released(&buffers);
    Py_RETURN_NONE;
}

static PyObject *crossings(PyObject *self, PyObject *arguments) {
    Patches patches;
    PyObject *a[4];
    if (!PyArg_ParseTuple(arguments, "iiiidOOOO", &patches.count, &patches.pixels, &patches.radius, &patches.rounds,
                          &patches.settled_px, &a[0], &a[1], &a[2], &a[3]))
        return NULL;
    if (patches.pixels < 1 || padded(patches.pixels) > MOST_PATCH) {
        PyErr_SetString(PyExc_ValueError, "patches larger than the kernels have room for.");
        return NULL;
    }
    const int64_t n = patches.count, pixels = patches.pixels;
    Buffers buffers = {.count = 0};
    TAKE(values, const float, a[0], n * pixels, 0)
    TAKE(offsets, const float, a[1], 2 * pixels, 0)
    TAKE(normals, const double, a[2], n * 4, 0)
    TAKE(p, double, a[3], n * UNKNOWNS, 1)
    patches.values = values, patches.offsets = offsets, patches.normals = normals;
    fit_crossings(&patches, p);
    released(&buffers);
    Py_RETURN_NONE;
}

static PyObject *change_of_answer(PyObject *self, PyObject *arguments) {
    Field field;
    SearchRules rules;
    long long cuts, classes, own;
    int rays, count;
    PyObject *a[8];
    if (!PyArg_ParseTuple(arguments, "(LLLdd)(iiiiidddd)iiOOOOOOOO", &cuts, &classes, &own, &field.log_odd,
                          &field.least_side, &rules.within_count, &rules.round_count, &rules.finer_count,
                          &rules.kept_rays, &rules.rounds, &rules.spacing, &rules.steepest, &rules.resolution,
                          &rules.relative_resolution, &rays, &count, &a[0], &a[1], &a[2], &a[3], &a[4], &a[5], &a[6],
                          &a[7]))
        return NULL;
    if (rays < 0 || rays > MOST_RAYS || count < 1 || rules.within_count < 1 || rules.within_count > MOST_RADII ||
        rules.round_count < 1 || rules.round_count > MOST_RADII || rules.finer_count < 1 ||
        rules.kept_rays * rules.finer_count > MOST_RAYS) {
        PyErr_SetString(PyExc_ValueError, "more rays or distances than the kernels have room for.");
        return NULL;
    }
    Buffers buffers = {.count = 0};
    TAKE(measured, const double, a[0], 2, 0)
    TAKE(quadratic, const double, a[1], 6 * cuts, 0)
    TAKE(first_cuts, const int64_t, a[2], classes, 0)
    TAKE(angles, const double, a[3], rays, 0)
    TAKE(radii, const double, a[4], (int64_t)rays * count, 0)
    TAKE(within, const double, a[5], rules.within_count, 0)
    TAKE(round, const double, a[6], rules.round_count, 0)
    TAKE(finer, const double, a[7], rules.finer_count, 0)
    field.measured = measured, field.quadratic = quadratic, field.first_cuts = first_cuts;
    field.cuts = cuts, field.classes = classes, field.own = own;
    rules.within = within, rules.round = round, rules.finer = finer;
    for (int64_t k = 0; k < classes; k++)
        if (first_cuts[k] < 0 || first_cuts[k] >= cuts) {
            PyErr_SetString(PyExc_ValueError, "classes that begin beyond the cuts.");
            released(&buffers);
            return NULL;
        }
    double distance = 0.0, direction = 0.0;
    int is_found = nearest_change(&field, &rules, angles, radii, rays, count, &distance, &direction);
    released(&buffers);
    if (!is_found) Py_RETURN_NONE;
    return Py_BuildValue("(dd)", distance, direction);
}

static PyObject *ground_levels(PyObject *self, PyObject *arguments) {
    long long rows;
    long long width;
    Ground ground;
    PyObject *a[7];
    if (!PyArg_ParseTuple(arguments, "(LL)(fffff)OOOOOOO", &rows, &width, &ground.deepest, &ground.likely, &ground.sure,
                          &ground.great, &ground.shadow_colour, &a[0], &a[1], &a[2], &a[3], &a[4], &a[5], &a[6]))
        return NULL;
    Buffers buffers = {.count = 0};
    TAKE(means, const float, a[0], 3 * rows * width, 0)
    TAKE(mix, const float, a[1], 9, 0)
    TAKE(of_y, const float, a[2], 4 * rows, 0)
    TAKE(of_x, const float, a[3], 12 * width, 0)
    TAKE(shade, const float, a[4], 3, 0)
    TAKE(room, float, a[5], 6 * width, 1)
    TAKE(levels, uint8_t, a[6], rows * width, 1)
    ground.mix = mix, ground.of_x = of_x, ground.shade = shade, ground.width = width;
    for (int64_t y = 0; y < rows; y++)
        levels_of_row(&ground, means + 3 * width * y, of_y + 4 * y, room, levels + width * y);
    released(&buffers);
    Py_RETURN_NONE;
}

static PyObject *halved(PyObject *self, PyObject *arguments) {
    long long rows, width;
    PyObject *a[3];
    if (!PyArg_ParseTuple(arguments, "(LL)OOO", &rows, &width, &a[0], &a[1], &a[2])) return NULL;
    Buffers buffers = {.count = 0};
    TAKE(codes, const uint8_t, a[0], 3 * rows * width, 0)
    TAKE(table, const float, a[1], 256, 0)
    TAKE(out, float, a[2], (rows / 2) * (width / 2) * 3, 1)
    for (int64_t y = 0; y < rows / 2; y++)
        halved_row(codes + 6 * width * y, codes + 6 * width * y + 3 * width, width, table, out + 3 * (width / 2) * y);
    released(&buffers);
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"fit_looks", fit_looks, METH_VARARGS, "Fit looks to the profiles of many sides."},
    {"edge_offsets", edge_offsets, METH_VARARGS, "Find the edge on many stretches of sides."},
    {"read_profiles", read_profiles, METH_VARARGS, "Sum windows of pixels across many sides."},
    {"fit_crossings", crossings, METH_VARARGS, "Fit crossings of edges in many patches."},
    {"project", project, METH_VARARGS, "Project world points."},
    {"seen_along", seen_along, METH_VARARGS, "Project world points on directions, with derivatives."},
    {"cards_along", cards_along, METH_VARARGS, "Project points of cards on directions, with derivatives."},
    {"normal_step", normal_step, METH_VARARGS, "Solve the normal equations of a photo for a damped step."},
    {"undistort", undistort, METH_VARARGS, "Take the distortion off pixels."},
    {"nearest_change", change_of_answer, METH_VARARGS, "Find the nearest change of the most probable class."},
    {"ground_levels", ground_levels, METH_VARARGS, "Tell how much pixels differ from the table."},
    {"halved", halved, METH_VARARGS, "Halve a picture of looked-up values."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, "cardmeasure_kernels", "Inner loops of cardmeasure.", -1, methods, NULL, NULL, NULL, NULL,
};

PyMODINIT_FUNC PyInit_cardmeasure_kernels(void) {
    PyObject *module = PyModule_Create(&definition);
    if (module != NULL && PyModule_AddIntConstant(module, "INTERFACE", INTERFACE) < 0) {
        Py_DECREF(module);
        return NULL;
    }
    return module;
}
