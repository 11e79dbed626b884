/* What takes buffers from Python's arrays for the kernels, and the kernels' functions as the module calls them. */

#ifndef CARDMEASURE_BINDINGS_H
#define CARDMEASURE_BINDINGS_H

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030b0000
#include <Python.h>

#include "common.h"

enum { MOST_BUFFERS = 16 };

/* Buffers of the arguments, each of which must hold so many bytes. */
typedef struct {
    Py_buffer view[MOST_BUFFERS];
    int count;
} Buffers;

INLINE void released(Buffers *b) {
    while (b->count > 0) PyBuffer_Release(&b->view[--b->count]);
}

INLINE void *taken(Buffers *b, PyObject *array, int64_t bytes, int writable) {
    Py_buffer *view = &b->view[b->count];
    if (PyObject_GetBuffer(array, view, writable ? PyBUF_WRITABLE : PyBUF_SIMPLE) < 0) return NULL;
    b->count++;
    if (view->len != bytes) {
        PyErr_Format(PyExc_ValueError, "array %d holds %zd bytes and should hold %lld.", b->count, view->len,
                     (long long)bytes);
        return NULL;
    }
    return view->buf;
}

#define TAKE(name, type, array, size, writable) \
    type *name = (type *)taken(&buffers, array, (int64_t)(size) * (int64_t)sizeof(type), writable); \
    if (name == NULL) { \
        released(&buffers); \
        return NULL; \
    }

/* Those of the camera and the adjustment. */
PyObject *project(PyObject *self, PyObject *arguments);
PyObject *seen_along(PyObject *self, PyObject *arguments);
PyObject *cards_along(PyObject *self, PyObject *arguments);
PyObject *normal_step(PyObject *self, PyObject *arguments);
PyObject *undistort(PyObject *self, PyObject *arguments);

#endif
