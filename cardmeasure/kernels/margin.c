/* Rays that close in on the nearest change of the answer; the words are those of classes/margin.py. */

#include <stdlib.h>

#include "margin.h"

#define NEGLIGIBLE (-45.0)

typedef struct {
    double angle, low, high, rival;
} Bracket;

/* How many times as probable as the answer the best other answer is, so far along a ray. */
static double rival_at(const Field *field, double cosine, double sine, double radius) {
    const double *m = field->measured;
    double width = m[0] + radius * cosine, height = m[1] + radius * sine, best = 0.0, own = 1.0;
    width = width > field->least_side ? width : field->least_side;
    height = height > field->least_side ? height : field->least_side;
    double over_odd = log(width * height) - field->log_odd;
    for (int64_t k = 0; k < field->classes; k++) {
        int64_t end = k + 1 < field->classes ? field->first_cuts[k + 1] : field->cuts;
        double sum = 0.0;
        for (int64_t i = field->first_cuts[k]; i < end; i++) {
            const double *q = field->quadratic + 6 * i;
            double bend = q[0] * cosine * cosine + q[1] * cosine * sine + q[2] * sine * sine;
            double slope = q[3] * cosine + q[4] * sine, ratio = (radius * bend + slope) * radius + q[5] + over_odd;
            if (ratio > NEGLIGIBLE) sum += exp(ratio);
        }
        if (k == field->own)
            own = sum > 1e-300 ? sum : 1e-300;
        else if (sum > best)
            best = sum;
    }
    if (field->own < 0) return best;
    return (best > 1.0 ? best : 1.0) / own; /* odd is among the answer's rivals */
}

static int in_order(const void *one, const void *other) {
    const Bracket *a = one, *b = other;
    if (a->high != b->high) return a->high < b->high ? -1 : 1;
    return a->rival > b->rival ? -1 : a->rival < b->rival;
}

/* The rays that may be the shortest, the likeliest first. With `step` 0 all rays have the same distances. */
static int brackets(const Field *field, const double *angles, const double *radii, int rays, int count, int step,
                    Bracket *found) {
    int hits = 0, kept = 0;
    for (int i = 0; i < rays; i++) {
        const double *along = radii + (int64_t)step * i;
        double cosine = cos(angles[i]), sine = sin(angles[i]);
        for (int j = 0; j < count; j++) {
            double rival = rival_at(field, cosine, sine, along[j]), below = 2.0 * along[0] - along[count - 1];
            if (!(rival > 1.0)) continue;
            double low = j > 0 ? along[j - 1] : (below > 0.0 ? below : 0.0);
            found[hits++] = (Bracket){angles[i], low, along[j], rival};
            break;
        }
    }
    qsort(found, (size_t)hits, sizeof *found, in_order);
    for (int i = 0; i < hits; i++)
        if (found[i].low < found[0].high) found[kept++] = found[i];
    return kept;
}

int nearest_change(const Field *field, const SearchRules *rules, const double *angles, const double *radii, int rays,
                   int count, double *distance, double *direction) {
    static const double whole_turn = 6.283185307179586;
    Bracket found[MOST_RAYS], best;
    double ray[MOST_RAYS], along[MOST_RAYS * MOST_RADII], spacing = rules->spacing * whole_turn;
    int kept = brackets(field, angles, radii, rays, count, count, found);
    if (!kept) return 0;
    best = found[0];
    int m = kept, r = rules->within_count, step = r;
    for (int i = 0; i < m; i++) {
        ray[i] = found[i].angle;
        for (int j = 0; j < r; j++)
            along[i * r + j] = found[i].high - (found[i].high - found[i].low) * rules->within[j];
    }
    for (int round = 0; round < rules->rounds; round++) {
        kept = brackets(field, ray, along, m, r, step, found);
        if (!kept) break; /* the change at the last distance was lost to rounding */
        best = found[0];
        double gap = best.high - best.low, enough = rules->relative_resolution * best.high;
        if (gap <= (enough > rules->resolution ? enough : rules->resolution)) break;
        m = 0;
        for (int i = 0; i < kept && i < rules->kept_rays; i++)
            for (int k = 0; k < rules->finer_count; k++) ray[m++] = found[i].angle + spacing * rules->finer[k];
        double window = 2.0 * gap, aside = rules->steepest * spacing * best.high;
        window = window > aside ? window : aside;
        r = rules->round_count, step = 0;
        for (int j = 0; j < r; j++) {
            double at = best.high - window * rules->round[j];
            along[j] = at > 0.0 ? at : 0.0;
        }
        spacing /= 3.0;
    }
    *distance = best.low, *direction = best.angle;
    return 1;
}
