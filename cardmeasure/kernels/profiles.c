/* See `_lines` and `_read` of edges/profiles.py, whose words these are. */

#include "profiles.h"

INLINE int64_t least(int64_t a, int64_t b) { return a < b ? a : b; }
INLINE int64_t most(int64_t a, int64_t b) { return a > b ? a : b; }

void read_side(const Picture *picture, const Course *course, const Reading *reading, float *light, float *number,
               double *ahead) {
    const int64_t minor = course->minor, major = 1 - minor, last = reading->nodes - 1, window = reading->window;
    const int64_t size[2] = {picture->width, picture->height};
    const double *curve = course->curve;
    const int forward = curve[2 * last + major] > curve[major];
#define NODE(k, axis) curve[2 * (forward ? (k) : last - (k)) + (axis)]
    int64_t low = most(0, (int64_t)ceil(NODE(0, major)));
    int64_t high = least(size[major] - 1, (int64_t)floor(NODE(last, major)));
    if (high - low < course->count || window > size[minor]) return;
    int64_t every = most(1, least(reading->every, (high - low) / (reading->fewest_lines * course->count)));
    int64_t along = minor == 0 ? 1 : size[0], across = minor == 0 ? size[0] : 1, node = 0;
    for (int64_t line = low; line <= high; line += every) {
        while (node < last - 1 && (double)line >= NODE(node + 1, major)) node++;
        double from = NODE(node, major), to = NODE(node + 1, major);
        double part = to > from ? clipped(((double)line - from) / (to - from), 0.0, 1.0) : 0.0;
        double at = NODE(node, minor) + part * (NODE(node + 1, minor) - NODE(node, minor));
        double share = ((double)node + part) / (double)last, whole = rint(at);
        if (!forward) share = 1.0 - share;
        if (!(fabs(at) < 1e9)) continue; /* no camera sees it there */
        int64_t first = least(most((int64_t)whole - course->before, 0), size[minor] - window);
        int64_t stretch = most(0, least((int64_t)(share * (double)course->count), course->count - 1));
        int64_t phase = most(0, least((int64_t)((at - whole + 0.5) * (double)reading->phases), reading->phases - 1));
        int64_t group = stretch * reading->phases + phase, start = 3 * (first * along + line * across);
        float *sum = light + 3 * window * group;
        const float *response = picture->response;
        if (picture->bytes == 1) {
            const uint8_t *code = (const uint8_t *)picture->pixels + start;
            for (int64_t i = 0; i < window; i++, code += 3 * along, sum += 3)
                for (int k = 0; k < 3; k++) sum[k] += response[code[k]];
        } else {
            const uint16_t *code = (const uint16_t *)picture->pixels + start;
            for (int64_t i = 0; i < window; i++, code += 3 * along, sum += 3)
                for (int k = 0; k < 3; k++) sum[k] += response[code[k]];
        }
        number[group] += 1.0f;
        ahead[group] += (double)first - at;
    }
#undef NODE
}
