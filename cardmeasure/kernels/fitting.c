/* Damped least squares of one side, robust, with priors: the words are those of edges/fitting.py.

   The levels of face, wall and table enter through each channel's mix of colours only, so a channel's normal matrix is
   built from ten curves (five of geometry, shade, three shares, and the room that the wall hides) and then mapped to
   the fifteen parameters. */

#include "fitting.h"

enum { OF_SHADE = GEOMETRY, OF_FACE, OF_WALL, OF_TABLE, OF_ROOM, CURVES };

/* The profile without empty bins, padded; residuals in scatters; and, weighted, the curves of each channel. */
typedef struct {
    int n, padded;
    float x[MOST_BINS], light[MOST_CHANNELS][MOST_BINS], sharpness[MOST_CHANNELS][MOST_BINS];
    float z[MOST_CHANNELS][MOST_BINS], curves[MOST_CHANNELS][CURVES][MOST_BINS];
    Steps steps;
} Work;

static void without_empty_bins(const Profile *p, Work *w) {
    int n = 0;
    for (int i = 0; i < p->bins && n < MOST_BINS - LANES; i++) {
        if (!(p->sharpness[i] > 0.0f)) continue;
        w->x[n] = p->x[i];
        for (int c = 0; c < p->channels; c++) {
            w->light[c][n] = p->light[c * p->bins + i];
            w->sharpness[c][n] = p->sharpness[c * p->bins + i];
        }
        n++;
    }
    w->n = n, w->padded = padded(n);
    for (int i = n; i < w->padded; i++) {
        w->x[i] = 0.0f;
        for (int c = 0; c < p->channels; c++) w->light[c][i] = w->sharpness[c][i] = 0.0f;
    }
}

INLINE double level_of(const double *mix, const double *p, int at) {
    return mix[0] * p[at] + mix[1] * p[at + 1] + mix[2] * p[at + 2];
}

INLINE double strain(const Profile *profile, const double *p) {
    double sum = 0.0, off[PARAMETERS];
    for (int i = 0; i < PARAMETERS; i++) off[i] = p[i] - profile->mean[i];
    for (int i = 0; i < PARAMETERS; i++) {
        double row = 0.0;
        for (int k = 0; k < PARAMETERS; k++) row += profile->precision[i * PARAMETERS + k] * off[k];
        sum += off[i] * row;
    }
    return sum;
}

/* The cost at p; with `derived` the curves as well. */
WIDE static double evaluated(const Profile *profile, const FitRules *rules, const double *p, Work *w, int derived) {
    const float robust_at = (float)rules->robust_at;
    const int n = w->padded;
    Side side = side_of(p, &profile->shading);
    Steps *s = &w->steps;
    double cost = 0.0;
    for (int c = 0; c < profile->channels; c++) {
        const double *mix = profile->mix + 3 * c;
        if (c == 0 || (c == 1 && profile->softness_px != 0.0))
            four_steps(w->x, n, &side, c ? profile->softness_px : 0.0, &profile->shading, s);
        float face = (float)level_of(mix, p, FACE), wall = (float)level_of(mix, p, WALL);
        float table = (float)level_of(mix, p, TABLE), shade = side.shade, lacking = side.lacking * table;
        float change[STEPS] = {wall - face, shade * table - wall, (1.0f - shade) * table, -lacking};
        const float *light = w->light[c], *sharpness = w->sharpness[c];
        float *z = w->z[c], part[LANES] = {0};
        for (int i = 0; i < n; i += LANES)
            for (int k = 0; k < LANES; k++) {
                int at = i + k;
                float model = face + change[0] * s->value[0][at] + change[1] * s->value[1][at] +
                              change[2] * s->value[2][at] + change[3] * s->value[3][at];
                float r = (light[at] - model) * sharpness[at], size = fabsf(r);
                float inner = size < robust_at ? size : robust_at;
                z[at] = r;
                part[k] += inner * (2.0f * size - inner);
            }
        for (int k = 0; k < LANES; k++) cost += part[k];
        if (!derived) continue;
        float of_blur = side.blur / s->blur, rim_blur = s->blur / s->rim;
        float rim_shadow = side.softness * side.softness * side.shadow / s->rim;
        float moves = side.ends > 0.0f ? 1.0f : side.showing;
        float hides = side.width < 0.0f ? side.fall * side.lacking * table : 0.0f;
        float of_room = side.shown * table;
        float (*b)[MOST_BINS] = w->curves[c];
        for (int i = 0; i < n; i++) {
            float s0 = change[0] * s->slope[0][i], s1 = change[1] * s->slope[1][i];
            float s2 = change[2] * s->slope[2][i], s3 = change[3] * s->slope[3][i];
            float edge = s->value[0][i], foot = s->value[1][i], rim = s->value[2][i], near = s->value[3][i];
            float size = fabsf(z[i]), root = size > robust_at ? sqrtf(robust_at / size) : 1.0f;
            float weight = sharpness[i] * root, shadow = foot - rim, room = of_room * near;
            b[PLACE][i] = -(s0 + s1 + s2 + s3) * weight;
            b[BLUR][i] = (change[0] * s->by_blur[0][i] + change[1] * s->by_blur[1][i] +
                          change[2] * s->by_blur[2][i] * rim_blur + change[3] * s->by_blur[3][i]) * of_blur * weight;
            b[SHARPENING][i] = (change[0] * s->by_sharpening[0][i] + change[1] * s->by_sharpening[1][i] +
                                change[2] * s->by_sharpening[2][i] + change[3] * s->by_sharpening[3][i]) * weight;
            b[SHADOW][i] = (change[2] * s->by_blur[2][i] * rim_shadow - s2 * side.ends) * weight;
            b[WIDTH][i] = (-side.showing * (s1 + s3) - s2 * moves - hides * near) * weight;
            b[OF_SHADE][i] = (table * shadow - 0.5f * room) * weight;
            b[OF_FACE][i] = (1.0f - edge) * weight;
            b[OF_WALL][i] = (edge - foot) * weight;
            b[OF_TABLE][i] = (shade * shadow + rim - side.lacking * near) * weight;
            b[OF_ROOM][i] = room * weight;
            z[i] *= root;
        }
    }
    return cost + strain(profile, p);
}

/* The normal matrix and right side of the step at p, where the curves have been evaluated. */
WIDE static void normal_of(const Profile *profile, const FitRules *rules, const double *p, Work *w, double *normal,
                           double *right) {
    double room_light = profile->shading.per_light / 6.0;
    for (int i = 0; i < PARAMETERS; i++) {
        double sum = 0.0;
        for (int k = 0; k < PARAMETERS; k++) {
            double here = profile->precision[i * PARAMETERS + k];
            normal[i * PARAMETERS + k] = here;
            sum += here * (profile->mean[k] - p[k]);
        }
        right[i] = sum;
    }
    for (int c = 0; c < profile->channels; c++) {
        const double *mix = profile->mix + 3 * c;
        double gram[CURVES][CURVES], by[CURVES], half[PARAMETERS][CURVES];
        for (int i = 0; i < CURVES; i++) {
            by[i] = dot(w->curves[c][i], w->z[c], w->padded);
            for (int k = 0; k <= i; k++) gram[i][k] = gram[k][i] = dot(w->curves[c][i], w->curves[c][k], w->padded);
        }
        for (int k = 0; k < CURVES; k++) {
            for (int i = 0; i <= OF_SHADE; i++) half[i][k] = gram[i][k];
            for (int colour = 0; colour < 3; colour++) {
                half[FACE + colour][k] = mix[colour] * gram[OF_FACE][k];
                half[WALL + colour][k] = mix[colour] * gram[OF_WALL][k] + room_light * gram[OF_ROOM][k];
                half[TABLE + colour][k] = mix[colour] * gram[OF_TABLE][k];
            }
        }
        for (int i = 0; i <= OF_SHADE; i++) right[i] += by[i];
        for (int colour = 0; colour < 3; colour++) {
            right[FACE + colour] += mix[colour] * by[OF_FACE];
            right[WALL + colour] += mix[colour] * by[OF_WALL] + room_light * by[OF_ROOM];
            right[TABLE + colour] += mix[colour] * by[OF_TABLE];
        }
        for (int i = 0; i < PARAMETERS; i++) {
            double *row = normal + i * PARAMETERS;
            for (int k = 0; k <= OF_SHADE; k++) row[k] += half[i][k];
            for (int colour = 0; colour < 3; colour++) {
                row[FACE + colour] += mix[colour] * half[i][OF_FACE];
                row[WALL + colour] += mix[colour] * half[i][OF_WALL] + room_light * half[i][OF_ROOM];
                row[TABLE + colour] += mix[colour] * half[i][OF_TABLE];
            }
        }
    }
    for (int i = 0; i < PARAMETERS; i++) normal[i * PARAMETERS + i] *= 1.0 + rules->rounding;
}

/* Solves by Cholesky's decomposition; the diagonal is larger by a share `damping`. */
static void damped_step(const double *normal, const double *right, double damping, double *step) {
    double l[PARAMETERS][PARAMETERS], y[PARAMETERS];
    for (int i = 0; i < PARAMETERS; i++) {
        for (int k = 0; k <= i; k++) {
            double sum = normal[i * PARAMETERS + k] * (i == k ? 1.0 + damping : 1.0);
            for (int m = 0; m < k; m++) sum -= l[i][m] * l[k][m];
            if (i == k)
                l[i][i] = sqrt(sum);
            else
                l[i][k] = sum / l[k][k];
        }
        double sum = right[i];
        for (int m = 0; m < i; m++) sum -= l[i][m] * y[m];
        y[i] = sum / l[i][i];
    }
    for (int i = PARAMETERS - 1; i >= 0; i--) {
        double sum = y[i];
        for (int m = i + 1; m < PARAMETERS; m++) sum -= l[m][i] * step[m];
        step[i] = sum / l[i][i];
    }
}

double fit_side(const Profile *profile, const FitRules *rules, double *p, double *normal) {
    Work w;
    double right[PARAMETERS], step[PARAMETERS], trial[PARAMETERS], damping = 1e-3;
    without_empty_bins(profile, &w);
    double cost = evaluated(profile, rules, p, &w, 1);
    int moved = 1;
    for (int left_over = rules->rounds - 1; left_over >= 0; left_over--) {
        if (moved) normal_of(profile, rules, p, &w, normal, right);
        damped_step(normal, right, damping, step);
        for (int i = 0; i < PARAMETERS; i++) {
            double bounded = clipped(step[i], -rules->longest[i], rules->longest[i]);
            trial[i] = clipped(p[i] + bounded, profile->low[i], profile->high[i]);
        }
        double trial_cost = evaluated(profile, rules, trial, &w, left_over > 0), gain = cost - trial_cost;
        moved = gain >= 0.0;
        if (moved) {
            memcpy(p, trial, sizeof trial);
            cost = trial_cost;
        }
        damping *= moved ? 0.2 : 10.0;
        double enough = rules->settled * cost;
        if (fabs(gain) < (enough > 1.0 ? enough : 1.0) && (moved || damping > 1e3)) break;
    }
    return cost;
}
