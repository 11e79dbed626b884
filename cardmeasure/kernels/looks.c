/* The blurred, sharpened steps across an edge; see edges/looks.py, whose words these are. */

#include "looks.h"

Side side_of(const double *p, const Shading *shading) {
    Side s;
    s.place = (float)p[PLACE], s.blur = (float)p[BLUR], s.sharpening = (float)p[SHARPENING];
    s.shadow = (float)p[SHADOW], s.width = (float)p[WIDTH], s.shade = (float)p[SHADE];
    s.softness = (float)shading->softness, s.fall = (float)shading->fall;
    s.showing = s.width > 0.0f ? 1.0f : 0.0f;
    s.visible = s.width > 0.0f ? s.width : 0.0f;
    s.ends = (s.width < 0.0f ? s.width : 0.0f) + s.shadow > 0.0f ? 1.0f : 0.0f;
    s.reach = s.ends > 0.0f ? s.width + s.shadow : s.visible;
    double shown = shading->height_px > 0.0 ? exp(shading->fall * (p[WIDTH] < 0.0 ? p[WIDTH] : 0.0)) : 0.0;
    double wall = (p[WALL] + p[WALL + 1] + p[WALL + 2]) / 3.0;
    s.shown = (float)shown;
    s.lacking = (float)((p[SHADE] - wall * shading->per_light) / 2.0 * shown);
    return s;
}

INLINE void step(const float *x, int n, float at, float blur, float sharpening, float sharpening_px, float *value,
                 float *slope, float *by_blur, float *by_sharpening) {
    float wide = sqrtf(blur * blur + sharpening_px * sharpening_px);
    float per_blur = 1.0f / blur, per_wide = 1.0f / wide, more = 1.0f + sharpening;
    float of_g = more / blur, of_gw = sharpening / wide, ratio = blur / wide;
    for (int i = 0; i < n; i++) {
        float d = x[i] - at, z = d * per_blur, zw = d * per_wide, c, g, cw, gw;
        normal(z, &c, &g);
        normal(zw, &cw, &gw);
        g *= of_g;
        gw *= of_gw;
        value[i] = more * c - sharpening * cw;
        slope[i] = g - gw;
        by_blur[i] = gw * zw * ratio - g * z;
        by_sharpening[i] = c - cw;
    }
}

/* exp(-fall d) at d > 0, none at d < 0, blurred; see `fall_off` of edges/shading.py. */
INLINE void fall_off(float d, float blur, float per_blur, float fall, float *value, float *slope, float *by_blur) {
    float c, g, exponent = fall * (fall * blur * blur / 2.0f - d);
    normal(d * per_blur - fall * blur, &c, &g);
    float e = exp_of(exponent > 60.0f ? 60.0f : exponent);
    *value = e * c;
    g = e * g * per_blur;
    *slope = g - fall * *value;
    *by_blur = -blur * fall * *slope - d * per_blur * g;
}

INLINE void blurred_fall(const float *x, int n, float at, float blur, float sharpening, float sharpening_px, float fall,
                         float *value, float *slope, float *by_blur, float *by_sharpening) {
    float wide = sqrtf(blur * blur + sharpening_px * sharpening_px);
    float per_blur = 1.0f / blur, per_wide = 1.0f / wide, more = 1.0f + sharpening, ratio = blur / wide;
    for (int i = 0; i < n; i++) {
        float v, s, b, vw, sw, bw;
        fall_off(x[i] - at, blur, per_blur, fall, &v, &s, &b);
        fall_off(x[i] - at, wide, per_wide, fall, &vw, &sw, &bw);
        value[i] = more * v - sharpening * vw;
        slope[i] = more * s - sharpening * sw;
        by_blur[i] = more * b - sharpening * bw * ratio;
        by_sharpening[i] = v - vw;
    }
}

/* softness_px: blur of the channel beyond that of brightness. */
WIDE void four_steps(const float *x, int n, const Side *side, double softness_px, const Shading *shading, Steps *out) {
    float blur = softness_px == 0.0 ? side->blur : (float)hypot(side->blur, softness_px);
    float s = side->sharpening, px = (float)shading->sharpening_px;
    float at[STEPS] = {side->place, side->place + side->visible, side->place + side->reach,
                       side->place + side->visible};
    out->blur = blur;
    out->rim = (float)hypot(blur, side->softness * side->shadow);
    for (int k = 0; k < 3; k++)
        step(x, n, at[k], k == 2 ? out->rim : blur, s, px, out->value[k], out->slope[k], out->by_blur[k],
             out->by_sharpening[k]);
    if (shading->height_px > 0.0) {
        blurred_fall(x, n, at[3], blur, s, px, side->fall, out->value[3], out->slope[3], out->by_blur[3],
                     out->by_sharpening[3]);
        return;
    }
    memset(out->value[3], 0, sizeof(float) * n);
    memset(out->slope[3], 0, sizeof(float) * n);
    memset(out->by_blur[3], 0, sizeof(float) * n);
    memset(out->by_sharpening[3], 0, sizeof(float) * n);
}
