/* The chain of the bench's reference patch as one would write it plainly: one scalar loop, libm, double
 * precision. It exists to be compared with; the instrument does not use it. */
#include <math.h>
#include <stdint.h>

#define TAU 6.283185307179586
#define DELAY 4096

typedef struct {
    double phase, step;    /* turns */
    double spin[3];        /* turns a sample */
    double angle[3];       /* turns */
    double size, scale[3], move[3], camera, level;
} Layer;

typedef struct {
    double level, swap, invert[2], gain[2], offset[2], delay[2], ac, corner, knee, limit, rate;
    double dc_in[2], dc_out[2];
    double line[2][DELAY];
    int64_t at;
} Output;

static double guard(double v, double knee, double limit) {
    double size = fabs(v);
    if (size <= knee) return v;
    double span = limit - knee, over = size - knee;
    double bent = knee + span * over / (span + over);
    return copysign(bent < limit ? bent : limit, v);
}

static double delayed(const double *line, int64_t at, double delay) {
    double first = floor(delay) - 1.0;
    if (first < 0.0) first = 0.0;
    double u = delay - first;
    int64_t k = at - (int64_t)first;
    return line[k & (DELAY - 1)] * (1 - u) * (2 - u) * (3 - u) / 6
         + line[(k - 1) & (DELAY - 1)] * u * (2 - u) * (3 - u) / 2
         - line[(k - 2) & (DELAY - 1)] * u * (1 - u) * (3 - u) / 2
         + line[(k - 3) & (DELAY - 1)] * u * (1 - u) * (2 - u) / 6;
}

void chain(Layer *layers, int64_t count, const double *path, int64_t points, Output *o, float *out,
           int64_t frames) {
    const double *px = path, *py = path + points + 1, *pz = path + 2 * (points + 1);
    double half = M_PI * o->corner / o->rate;
    double pole = (1 - half) / (1 + half);
    for (int64_t i = 0; i < frames; i++) {
        double mix[2] = {0.0, 0.0};
        for (int64_t l = 0; l < count; l++) {
            Layer *a = &layers[l];
            double along = a->phase * points;
            int64_t k = (int64_t)along;
            double f = along - k;
            double x = px[k] + f * (px[k + 1] - px[k]);
            double y = py[k] + f * (py[k + 1] - py[k]);
            double z = pz[k] + f * (pz[k + 1] - pz[k]);
            x *= a->size * a->scale[0];
            y *= a->size * a->scale[1];
            z *= a->size * a->scale[2];
            double s = sin(TAU * a->angle[0]), c = cos(TAU * a->angle[0]);
            double t = y * c - z * s;
            z = y * s + z * c;
            y = t;
            s = sin(TAU * a->angle[1]), c = cos(TAU * a->angle[1]);
            t = z * c - x * s;
            x = z * s + x * c;
            z = t;
            s = sin(TAU * a->angle[2]), c = cos(TAU * a->angle[2]);
            t = x * c - y * s;
            y = x * s + y * c;
            x = t;
            x += a->move[0];
            y += a->move[1];
            z += a->move[2];
            double eye = 1.0 / (1.0 - z / a->camera);
            mix[0] += x * eye * a->level;
            mix[1] += y * eye * a->level;
            a->phase += a->step;
            if (a->phase >= 1.0) a->phase -= 1.0;
            for (int axis = 0; axis < 3; axis++) {
                a->angle[axis] += a->spin[axis];
                if (a->angle[axis] >= 1.0) a->angle[axis] -= 1.0;
            }
        }
        double one = mix[0] * o->level, two = mix[1] * o->level;
        mix[0] = one * (1 - o->swap) + two * o->swap;
        mix[1] = two * (1 - o->swap) + one * o->swap;
        for (int ch = 0; ch < 2; ch++) {
            double v = mix[ch] * ((1 - 2 * o->invert[ch]) * o->gain[ch]) + o->offset[ch];
            o->dc_out[ch] = 0.5 * (1 + pole) * (v - o->dc_in[ch]) + pole * o->dc_out[ch];
            o->dc_in[ch] = v;
            v = v * (1 - o->ac) + o->dc_out[ch] * o->ac;
            o->line[ch][o->at] = v;
            out[2 * i + ch] = (float)guard(delayed(o->line[ch], o->at, o->delay[ch]), o->knee, o->limit);
        }
        o->at = (o->at + 1) & (DELAY - 1);
    }
}
