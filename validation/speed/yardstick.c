/* The strip kernel's arithmetic in plain C: what the compiled Python is measured against.
 *
 * One question only: two hinged segments with plunge, sweep, heave and twist, thin plate with static
 * stall, suction and turbulent friction, slope induction, an indicial wake of one exponential,
 * apparent mass. It takes the numbers as the kernel takes them (the last axis counts the designs;
 * the rows are handed over by name, see by_c.py) and returns stroke means.
 *
 * Designs are worked on LANES at a time. A row is one number of each of them, and every loop marked
 * LANES_AT_ONCE runs over a row; the pragma tells the compiler that its rounds do not depend on each
 * other, so that it makes vector instructions of them and calls the vector mathematics library for
 * sine, cosine, exponential and power. Formulas and signs are those of flapsim/blade_element.
 */

#include <math.h>
#include <stdint.h>
#include <stdlib.h>

#define LANES 8
#define LANES_AT_ONCE _Pragma("omp simd") for (int l = 0; l < LANES; l++)
#define EVERY_STEP for (int n = 0; n < steps; n++)

typedef double row[LANES] __attribute__((aligned(64)));

static const double PI = 3.141592653589793;

/* Numbers of a design, in the order in which by_c.py hands them over. */
enum {
    DENSITY, VISCOSITY, AIRSPEED, AIR_ANGLE, TILT, FREQUENCY, INNER_LENGTH, ASPECT_RATIO,
    TWIST_AXIS, LAG_AMPLITUDE, LAG_RATE, CONSTANTS
};
/* Numbers of a strip. */
enum {
    DISTANCE, FRACTION, WIDTH, CHORD, CAMBER, SUCTION, ONSET, INVERSE_RANGE, PLATE_DRAG,
    ROUGHNESS, PARAMETERS
};
/* Schedules, each with value, rate and acceleration. */
enum {
    PLUNGE_INNER, PLUNGE_OUTER, SWEEP, INNER_ROOT, INNER_TIP, OUTER_ROOT, OUTER_TIP, HEAVE,
    SCHEDULES
};
/* Sines and cosines of the hinges: inner plunge, both plunges, outer plunge, sweep. */
enum { S1, C1, SP, CP, S2, C2, SQ, CQ, HINGES };
/* Means that are returned. */
enum {
    LIFT, THRUST, POWER, WAKE, PROFILE, TORQUE_INNER, TORQUE_OUTER, TORQUE_INNER_ROOT,
    TORQUE_INNER_TIP, TORQUE_OUTER_ROOT, TORQUE_OUTER_TIP, MEANS
};

/* One instant of a segment: air velocity a + b r along chord (x) and normal (z) with their rates,
 * twist a + b eta with rates and accelerations, the hinges' share of the rotation. */
typedef struct {
    row x0, x1, z0, z1, x0_rate, x1_rate, z0_rate, z1_rate;
    row root, spread, root_rate, spread_rate, root_accel, spread_accel, spin, spin_rate;
} motion;

/* One instant of a strip. */
typedef struct {
    row u, w, q, q_rate, semichords, spin, spin_rate, middle_rate, sine, cosine;
    row lagged, circulation, attached, state, product;
} flow;

/* Sums over the strips of a segment at one instant. */
typedef struct {
    row fx, fn, rfx, rfn, m, eta_m, loss, wake, profile, stalled;
} sums;

/* Instants with a deficit, of whatever lane: solved side by side. */
typedef struct {
    row q, lagged, u, shift, gain, drag, onset, inverse, attached, deficit, slope, last;
} group;

typedef struct {
    int steps;
    row constant[CONSTANTS], sin_air, cos_air, sin_tilt, cos_tilt;
    row (*schedule)[3];   /* [step * SCHEDULES + which][value, rate, acceleration] */
    row (*hinge)[HINGES]; /* [step][...] */
    motion *motion;       /* [segment * steps + step] */
    flow *flow;           /* [step] */
    sums *sums;           /* [segment * steps + step] */
    group *queue;         /* [step] at most */
    int *place;           /* [step * LANES]: step and lane of what is queued */
    row mean[MEANS];
} block;

static void *room(size_t bytes)
{
    return aligned_alloc(64, (bytes + 63) / 64 * 64);
}

/* Two loops, for the compiler makes one call of the sine and the cosine of a number, and of that call
 * there is no vector version. */
static inline void sines(const row angle, row sine, row cosine)
{
    LANES_AT_ONCE sine[l] = sin(angle[l]);
    LANES_AT_ONCE cosine[l] = cos(angle[l]);
}

/* Angles, rates and accelerations of the schedules, and the hinges' sines and cosines. */
static void evaluate_schedules(
    block *b, const row *coefficients, int count, const int *harmonics, const double *phases)
{
    const int steps = b->steps, half = (count - 1) / 2;
    const double *frequency = b->constant[FREQUENCY];
    for (int which = 0; which < SCHEDULES; which++) {
        const row *a = coefficients + which * count;
        EVERY_STEP {
            row *out = b->schedule[n * SCHEDULES + which];
            LANES_AT_ONCE { out[0][l] = a[0][l]; out[1][l] = 0.0; out[2][l] = 0.0; }
            for (int h = 1; h <= harmonics[which]; h++) {
                const double c = phases[2 * (h * n % steps)], s = phases[2 * (h * n % steps) + 1];
                LANES_AT_ONCE {
                    const double omega = h * 2.0 * PI * frequency[l];
                    const double x = a[h][l], y = a[half + h][l], swing = x * c + y * s;
                    out[0][l] += swing;
                    out[1][l] += omega * (y * c - x * s);
                    out[2][l] -= omega * omega * swing;
                }
            }
        }
    }
    EVERY_STEP {
        row (*angle)[3] = b->schedule + n * SCHEDULES, *t = b->hinge[n];
        sines(angle[PLUNGE_INNER][0], t[S1], t[C1]);
        sines(angle[PLUNGE_OUTER][0], t[S2], t[C2]);
        sines(angle[SWEEP][0], t[SQ], t[CQ]);
        LANES_AT_ONCE {
            t[SP][l] = t[S1][l] * t[C2][l] + t[C1][l] * t[S2][l];
            t[CP][l] = t[C1][l] * t[C2][l] - t[S1][l] * t[S2][l];
        }
    }
}

/* What all strips of a segment share. The inner segment has no arm before it and no sweep. */
static void segment_motion(block *b, int segment)
{
    const int steps = b->steps, root = segment ? OUTER_ROOT : INNER_ROOT;
    const double outer = segment;
    EVERY_STEP {
        row (*angle)[3] = b->schedule + n * SCHEDULES;
        const row *t = b->hinge[n];
        const row *sp = segment ? &t[SP] : &t[S1], *cp = segment ? &t[CP] : &t[C1];
        motion *m = b->motion + segment * steps + n;
        LANES_AT_ONCE {
            const double s2 = outer * t[S2][l], c2 = outer * t[C2][l] + 1.0 - outer;
            const double sq = outer * t[SQ][l], cq = outer * t[CQ][l] + 1.0 - outer;
            const double s = (*sp)[l], c = (*cp)[l];
            const double speed = b->constant[AIRSPEED][l], arm = outer * b->constant[INNER_LENGTH][l];
            const double sin_tilt = b->sin_tilt[l], cos_tilt = b->cos_tilt[l];
            const double heave = angle[HEAVE][1][l], heave_rate = angle[HEAVE][2][l];
            const double hx_rate = -heave_rate * sin_tilt, hz_rate = heave_rate * cos_tilt;
            const double ax = speed * b->cos_air[l] + heave * sin_tilt;
            const double az = speed * b->sin_air[l] - heave * cos_tilt;
            const double a = arm * angle[PLUNGE_INNER][1][l];
            const double a_rate = arm * angle[PLUNGE_INNER][2][l];
            const double relative = outer * angle[PLUNGE_OUTER][1][l];
            const double p = angle[PLUNGE_INNER][1][l] + relative;
            const double p_rate = angle[PLUNGE_INNER][2][l] + outer * angle[PLUNGE_OUTER][2][l];
            const double q = outer * angle[SWEEP][1][l], q_rate = outer * angle[SWEEP][2][l];
            const double spq_rate = c * p * sq + s * cq * q;
            const double s2q_rate = c2 * relative * sq + s2 * cq * q;
            m->x0[l] = ax * cq - az * s * sq + a * s2 * sq;
            m->x1[l] = -q;
            m->z0[l] = az * c - a * c2;
            m->z1[l] = -p * cq;
            m->x0_rate[l] = -hx_rate * cq - ax * sq * q + hz_rate * s * sq - az * spq_rate
                            + a_rate * s2 * sq + a * s2q_rate;
            m->x1_rate[l] = -q_rate;
            m->z0_rate[l] = -hz_rate * c - az * s * p - a_rate * c2 + a * s2 * relative;
            m->z1_rate[l] = -p_rate * cq + p * sq * q;
            m->spin[l] = p * sq;
            m->spin_rate[l] = p_rate * sq + p * cq * q;
            m->root[l] = angle[root][0][l] - b->constant[TILT][l];
            m->spread[l] = angle[root + 1][0][l] - angle[root][0][l];
            m->root_rate[l] = angle[root][1][l];
            m->spread_rate[l] = angle[root + 1][1][l] - angle[root][1][l];
            m->root_accel[l] = angle[root][2][l];
            m->spread_accel[l] = angle[root + 1][2][l] - angle[root][2][l];
        }
    }
}

/* Air velocity at a strip's twist axis, the downwash that makes circulation, and their rates. */
static void strip_flow(block *b, const row *strip, int segment)
{
    const int steps = b->steps;
    EVERY_STEP {
        const motion *m = b->motion + segment * steps + n;
        flow *f = b->flow + n;
        row twist;
        LANES_AT_ONCE twist[l] = m->root[l] + strip[FRACTION][l] * m->spread[l];
        sines(twist, f->sine, f->cosine);
        LANES_AT_ONCE {
            const double r = strip[DISTANCE][l], eta = strip[FRACTION][l];
            const double chord = strip[CHORD][l], camber = strip[CAMBER][l];
            const double axis = b->constant[TWIST_AXIS][l], arm = (0.75 - axis) * chord;
            const double x = m->x0[l] + r * m->x1[l], z = m->z0[l] + r * m->z1[l];
            const double x_rate = m->x0_rate[l] + r * m->x1_rate[l];
            const double z_rate = m->z0_rate[l] + r * m->z1_rate[l];
            const double twist_rate = m->root_rate[l] + eta * m->spread_rate[l];
            const double spin = twist_rate + m->spin[l];
            const double spin_rate = m->root_accel[l] + eta * m->spread_accel[l] + m->spin_rate[l];
            const double sine = f->sine[l], cosine = f->cosine[l];
            const double u = x * cosine - z * sine, w = x * sine + z * cosine;
            const double u_rate = x_rate * cosine - z_rate * sine - twist_rate * w;
            const double w_rate = x_rate * sine + z_rate * cosine + twist_rate * u;
            f->u[l] = u;
            f->w[l] = w;
            f->q[l] = w + arm * spin + camber * u;
            f->q_rate[l] = w_rate + arm * spin_rate + camber * u_rate;
            f->semichords[l] = 2.0 * sqrt(u * u + w * w) / chord;
            f->spin[l] = spin;
            f->spin_rate[l] = spin_rate;
            f->middle_rate[l] = w_rate + (0.5 - axis) * chord * spin_rate;
        }
    }
}

/* Friction coefficient from the rms speed: Prandtl and Schlichting, both sides. */
static void strip_friction(block *b, const row *strip, row friction)
{
    const int steps = b->steps;
    LANES_AT_ONCE friction[l] = 0.0;
    EVERY_STEP {
        const flow *f = b->flow + n;
        LANES_AT_ONCE friction[l] += f->semichords[l] * f->semichords[l];
    }
    LANES_AT_ONCE {
        const double chord = strip[CHORD][l];
        const double speed = 0.5 * chord * sqrt(friction[l] / steps);
        const double reynolds = fmax(chord * speed / b->constant[VISCOSITY][l], 1000.0);
        friction[l] = strip[ROUGHNESS][l] * 0.91 * pow(log(reynolds) / log(10.0), -2.58);
    }
}

/* Take the shed wake's lag from the downwash; the periodic state in closed form. */
static void wake_lag(block *b)
{
    const int steps = b->steps;
    row state, product;
    LANES_AT_ONCE { state[l] = 0.0; product[l] = 1.0; }
    EVERY_STEP {
        const flow *f0 = b->flow + (n + steps - 1) % steps, *f2 = b->flow + (n + 1) % steps;
        const flow *f3 = b->flow + (n + 2) % steps;
        flow *f1 = b->flow + n;
        row keep, half;
        LANES_AT_ONCE {
            const double h = 1.0 / (b->constant[FREQUENCY][l] * steps);
            const double rate = b->constant[LAG_RATE][l];
            const double s1 = f1->semichords[l], s2 = f2->semichords[l];
            const double outside = f0->semichords[l] + f3->semichords[l];
            const double whole = fmax(h * (13.0 * (s1 + s2) - outside) / 24.0, 0.0);
            const double second = fmin(fmax(0.5 * whole + 0.125 * h * (s2 - s1), 0.0), whole);
            keep[l] = exp(-rate * whole);
            half[l] = exp(-rate * second);
        }
        LANES_AT_ONCE {
            const double share = b->constant[LAG_AMPLITUDE][l]
                                 / (6.0 * b->constant[FREQUENCY][l] * steps);
            const double g1 = f1->q_rate[l], g2 = f2->q_rate[l];
            const double middle = (9.0 * (g1 + g2) - f0->q_rate[l] - f3->q_rate[l]) / 16.0;
            f1->state[l] = state[l];
            f1->product[l] = product[l];
            state[l] = keep[l] * state[l] + share * (keep[l] * g1 + 4.0 * half[l] * middle + g2);
            product[l] *= keep[l];
        }
    }
    LANES_AT_ONCE {
        const double left = 1.0 - product[l];
        state[l] = left > 1e-12 ? state[l] / left : 0.0;
    }
    EVERY_STEP {
        flow *f = b->flow + n;
        LANES_AT_ONCE f->lagged[l] = f->q[l] - f->state[l] - state[l] * f->product[l];
    }
}

/* Kirchhoff's weight of the attached flow, from 0 to 1. */
static inline double attached_weight(double f)
{
    const double root = 1.0 + sqrt(f);
    return (root * root - 1.0) / 3.0;
}

/* Deficits and attached lengths of a group of instants. */
static void deficits(group *g)
{
    LANES_AT_ONCE {
        const double u = g->u[l], q = g->q[l], w = q - g->shift[l];
        const double speed = sqrt(u * u + w * w) + 1e-300;
        const double range = (fabs(w) / speed - g->onset[l]) * g->inverse[l];
        const double rest = 1.0 - fmin(fmax(range, 0.0), 1.0);
        const double step = rest * rest * rest * (10.0 - rest * (15.0 - 6.0 * rest));
        const double f = u > 0.0 ? step : 0.0;
        const double bound = 0.5 / PI * g->drag[l] * w * fabs(u) / (0.56 * speed + 0.44 * fabs(w));
        g->attached[l] = f;
        g->deficit[l] = (1.0 - attached_weight(f)) * (q - bound);
    }
}

/* Solve for the effective downwash of all in the queue by the secant rule, its slope held between
 * that of the steepest plausible stall and that of attached flow. Groups that settled step out. */
static void settle(group *queue, int groups)
{
    int *left = malloc((groups + 1) * sizeof *left);
    for (int i = 0; i < groups; i++) left[i] = i;
    for (int trial = 0; trial <= 60 && groups > 0; trial++) {
        const double least = trial < 8 ? 0.2 : 0.02;
        int going = 0;
        for (int i = 0; i < groups; i++) {
            group *g = queue + left[i];
            deficits(g);
            int moving = 0;
            _Pragma("omp simd reduction(+:moving)") for (int l = 0; l < LANES; l++) {
                const double gain = g->gain[l], steep = 1.0 + gain, q = g->q[l];
                const double residual = steep * q - g->lagged[l] - gain * g->deficit[l];
                const double tolerance = 1e-13 * (fabs(g->lagged[l]) + fabs(g->u[l]));
                const int moves = fabs(residual) > tolerance;
                const double last = trial ? g->last[l] : 1.0;
                const double found = g->slope[l] * ((last - residual) / last);
                const double held = fmin(fmax(found, least * steep), 1.0 + 2.0 * gain);
                const double slope = trial ? held : steep;
                g->slope[l] = slope;
                g->last[l] = residual;
                g->q[l] = moves ? q - residual / slope : q;
                moving += moves;
            }
            if (moving) left[going++] = left[i];
        }
        groups = going;
    }
    free(left);
}

/* Effective downwash of a strip: where attached flow has no deficit, the answer is at hand; the
 * rest, of whatever lane and instant, queue up and are solved side by side. */
static void circulation(block *b, const row *strip)
{
    const int steps = b->steps;
    int waiting = 0;
    EVERY_STEP {
        flow *f = b->flow + n;
        int separated = 0;
        row shift, where;
        _Pragma("omp simd reduction(+:separated)") for (int l = 0; l < LANES; l++) {
            const double u = f->u[l], onset = strip[ONSET][l];
            const double q = f->lagged[l] / (1.0 + 2.0 / b->constant[ASPECT_RATIO][l]);
            shift[l] = strip[CAMBER][l] * u + 0.25 * strip[CHORD][l] * f->spin[l];
            const double w = q - shift[l];
            const int separates = (w * w > onset * onset * (u * u + w * w)) | (u <= 0.0);
            f->circulation[l] = q;
            f->attached[l] = 1.0;
            where[l] = separates;
            separated += separates;
        }
        if (!separated) continue;
        for (int l = 0; l < LANES; l++) {
            if (where[l] == 0.0) continue;
            group *g = b->queue + waiting / LANES;
            const int k = waiting % LANES;
            g->q[k] = f->circulation[l];
            g->lagged[k] = f->lagged[l];
            g->u[k] = f->u[l];
            g->shift[k] = shift[l];
            g->gain[k] = 2.0 / b->constant[ASPECT_RATIO][l];
            g->drag[k] = strip[PLATE_DRAG][l];
            g->onset[k] = strip[ONSET][l];
            g->inverse[k] = strip[INVERSE_RANGE][l];
            b->place[waiting++] = n * LANES + l;
        }
    }
    const int groups = (waiting + LANES - 1) / LANES;
    for (int i = waiting; i < groups * LANES; i++) {
        /* Fill up the last group: rest at no incidence. */
        group *g = b->queue + i / LANES;
        const int k = i % LANES;
        g->q[k] = g->lagged[k] = g->shift[k] = g->gain[k] = g->drag[k] = 0.0;
        g->u[k] = g->onset[k] = g->inverse[k] = 1.0;
    }
    settle(b->queue, groups);
    for (int i = 0; i < waiting; i++) {
        flow *f = b->flow + b->place[i] / LANES;
        f->circulation[b->place[i] % LANES] = b->queue[i / LANES].q[i % LANES];
        f->attached[b->place[i] % LANES] = b->queue[i / LANES].attached[i % LANES];
    }
}

/* Loads of a strip through the stroke, added to the sums of its segment. */
static void strip_loads(block *b, const row *strip, const row friction, int segment)
{
    const int steps = b->steps;
    EVERY_STEP {
        const flow *f = b->flow + n;
        sums *s = b->sums + segment * steps + n;
        LANES_AT_ONCE {
            const double density = b->constant[DENSITY][l], axis = b->constant[TWIST_AXIS][l];
            const double chord = strip[CHORD][l], camber = strip[CAMBER][l];
            const double u = f->u[l], w = f->w[l], q_c = f->circulation[l], spin = f->spin[l];
            const double quarter = 0.25 * chord * spin, half_way = (0.5 - axis) * chord;
            const double w_c = q_c - camber * u, w_m = w_c - quarter;
            const double speed = sqrt(u * u + w_m * w_m) + 1e-300;
            const double sine = w_m / speed, cosine = u / speed;
            const double weight = attached_weight(f->attached[l]);
            const double k = weight * PI * density * chord;
            const double separated = (1.0 - weight) * 0.5 * density * chord * strip[PLATE_DRAG][l]
                                     * w_m * speed / (0.56 + 0.44 * fabs(sine));
            const double centre = 0.5 - 0.75 * cosine / (4.0 + PI * fabs(sine));
            const double circulatory = k * u * q_c;
            const double rub = 0.5 * density * chord * friction[l] * speed * u;
            const double suction = strip[SUCTION][l];
            const double virtual = 0.25 * PI * density * chord * chord;
            const double push = virtual * f->middle_rate[l];
            const double turn = virtual * chord * chord / 32.0 * f->spin_rate[l];
            const double bound = circulatory + separated, normal = bound + push;
            const double aft = rub - k * (suction * w_m * w_m + camber * u * w_m);
            const double moment = -circulatory * (0.25 - axis) * chord
                                  - separated * (centre - axis) * chord
                                  - 0.25 * k * chord * u * (camber * u + quarter)
                                  - push * half_way - turn;
            const double profile = k * (1.0 - suction) * u * w_m * w_m
                                   + separated * (w_c + (centre - 0.75) * chord * spin) + rub * u;
            const double wake = (f->q[l] - q_c) * bound + push * (w + half_way * spin)
                                + turn * spin;
            const double width = strip[WIDTH][l], r = strip[DISTANCE][l];
            const double fx = width * (aft * f->cosine[l] + normal * f->sine[l]);
            const double fn = width * (normal * f->cosine[l] - aft * f->sine[l]);
            s->fx[l] += fx;
            s->fn[l] += fn;
            s->rfx[l] += r * fx;
            s->rfn[l] += r * fn;
            s->m[l] += width * moment;
            s->eta_m[l] += strip[FRACTION][l] * width * moment;
            s->loss[l] += width * (normal * w + aft * u - moment * spin);
            s->wake[l] += width * wake;
            s->profile[l] += width * profile;
            s->stalled[l] += f->attached[l] < 0.5 ? width * chord : 0.0;
        }
    }
}

/* Means of the half wing's forces, powers and torques. */
static void half_wing(block *b)
{
    const int steps = b->steps;
    for (int i = 0; i < MEANS; i++) LANES_AT_ONCE b->mean[i][l] = 0.0;
    EVERY_STEP {
        const row *t = b->hinge[n];
        const sums *inner = b->sums + n, *outer = b->sums + steps + n;
        LANES_AT_ONCE {
            const double sq = t[SQ][l], cq = t[CQ][l], c2 = t[C2][l], s2 = t[S2][l];
            const double sx = outer->fx[l], sn = outer->fn[l];
            const double fx = inner->fx[l] + sx * cq;
            const double fz = inner->fn[l] * t[C1][l] - sx * sq * t[SP][l] + sn * t[CP][l];
            const double thrust = -(fx * b->cos_air[l] + fz * b->sin_air[l]);
            const double hinge = cq * outer->rfn[l] + sq * outer->m[l];
            const double arm = b->constant[INNER_LENGTH][l];
            b->mean[LIFT][l] += fz * b->cos_air[l] - fx * b->sin_air[l];
            b->mean[THRUST][l] += thrust;
            b->mean[POWER][l] += thrust * b->constant[AIRSPEED][l] + inner->loss[l]
                                 + outer->loss[l];
            b->mean[WAKE][l] += inner->wake[l] + outer->wake[l];
            b->mean[PROFILE][l] += inner->profile[l] + outer->profile[l];
            b->mean[TORQUE_INNER][l] += inner->rfn[l] + hinge + arm * (sn * c2 - sx * s2 * sq);
            b->mean[TORQUE_OUTER][l] += hinge;
            b->mean[TORQUE_INNER_ROOT][l] += inner->m[l] - inner->eta_m[l];
            b->mean[TORQUE_INNER_TIP][l] += inner->eta_m[l];
            b->mean[TORQUE_OUTER_ROOT][l] += outer->m[l] - outer->eta_m[l];
            b->mean[TORQUE_OUTER_TIP][l] += outer->eta_m[l];
        }
    }
    for (int i = 0; i < MEANS; i++) LANES_AT_ONCE b->mean[i][l] /= steps;
}

/* Copy a block's lanes; the last design fills up the block. */
static void load(row *to, const double *from, long rows, long first, long designs)
{
    for (long i = 0; i < rows; i++)
        for (int l = 0; l < LANES; l++) {
            const long design = first + l < designs ? first + l : designs - 1;
            to[i][l] = from[i * designs + design];
        }
}

/* All designs. constant[CONSTANTS][designs], parameter[strips][PARAMETERS][designs],
 * schedule[SCHEDULES][coefficients][designs], harmonics[SCHEDULES], segment[strips] and
 * means[MEANS][designs]. */
void solve(
    const double *constant, const double *parameter, const double *schedule,
    const int32_t *harmonics, const int32_t *segment, long strips, long coefficients, long steps,
    long designs, int threads, double *means)
{
    const long blocks = (designs + LANES - 1) / LANES;
    double *phases = room(2 * steps * sizeof *phases);
    for (long n = 0; n < steps; n++) {
        phases[2 * n] = cos(2.0 * PI * n / steps);
        phases[2 * n + 1] = sin(2.0 * PI * n / steps);
    }
#pragma omp parallel num_threads(threads)
    {
        block *b = room(sizeof *b);
        row *numbers = room(strips * PARAMETERS * sizeof(row));
        row *series = room(SCHEDULES * coefficients * sizeof(row));
        b->steps = steps;
        b->schedule = room(steps * SCHEDULES * sizeof *b->schedule);
        b->hinge = room(steps * sizeof *b->hinge);
        b->motion = room(2 * steps * sizeof *b->motion);
        b->flow = room(steps * sizeof *b->flow);
        b->sums = room(2 * steps * sizeof *b->sums);
        b->queue = room(steps * sizeof *b->queue);
        b->place = room(steps * LANES * sizeof *b->place);
#pragma omp for schedule(dynamic, 4)
        for (long at = 0; at < blocks; at++) {
            const long first = at * LANES;
            load(b->constant, constant, CONSTANTS, first, designs);
            load(numbers, parameter, strips * PARAMETERS, first, designs);
            load(series, schedule, SCHEDULES * coefficients, first, designs);
            sines(b->constant[AIR_ANGLE], b->sin_air, b->cos_air);
            sines(b->constant[TILT], b->sin_tilt, b->cos_tilt);
            for (long i = 0; i < 2 * steps * (long)(sizeof(sums) / sizeof(double)); i++)
                ((double *)b->sums)[i] = 0.0;
            evaluate_schedules(b, series, coefficients, harmonics, phases);
            segment_motion(b, 0);
            segment_motion(b, 1);
            for (long j = 0; j < strips; j++) {
                const row *strip = numbers + j * PARAMETERS;
                row friction;
                strip_flow(b, strip, segment[j]);
                strip_friction(b, strip, friction);
                wake_lag(b);
                circulation(b, strip);
                strip_loads(b, strip, friction, segment[j]);
            }
            half_wing(b);
            for (int i = 0; i < MEANS; i++)
                for (int l = 0; l < LANES && first + l < designs; l++)
                    means[i * designs + first + l] = b->mean[i][l];
        }
        free(b->schedule); free(b->hinge); free(b->motion); free(b->flow); free(b->sums);
        free(b->queue); free(b->place); free(numbers); free(series); free(b);
    }
    free(phases);
}
