/* Copyright 2026 The leg_kinematics authors
 * SPDX-License-Identifier: Apache-2.0
 *
 * Both knee branches of many legs as one loop without a call or a branch: what the machine can do
 * at best on one core. Feet inside of the reach only; arrays are planar, one a coordinate. */

#include <math.h>
#include <stddef.h>

#define PI 3.14159265358979323846

/* Of num/den with 0 <= num <= den. Rational approximation of Cephes (S. Moshier, atan.c), from
 * memory; the benchmark compares the angles before it measures. */
static inline double atan_first_octant(double num, double den)
{
    int upper = num > 0.41421356237309504880 * den;
    double t = (upper ? num - den : num) / (upper ? num + den : den);
    double z = t * t;
    double p = (((-8.750608600031904122785e-1 * z - 1.615753718733365076637e1) * z
                 - 7.500855792314704667340e1) * z - 1.228866684490136173410e2) * z
               - 6.485021904942025371773e1;
    double q = ((((z + 2.485846490142306297962e1) * z + 1.650270098316988542046e2) * z
                 + 4.328810604912902668951e2) * z + 4.853903996359136964868e2) * z
               + 1.945506571482613964425e2;
    return (upper ? PI / 4 : 0.0) + t + t * z * p / q;
}

static inline double arctan2(double y, double x)
{
    double ax = fabs(x), ay = fabs(y);
    int steep = ay > ax;
    double a = atan_first_octant(steep ? ax : ay, steep ? ay : ax);
    a = steep ? PI / 2 - a : a;
    a = x < 0.0 ? PI - a : a;
    return copysign(a, y);
}

void invert(size_t n, double c, double f, double t, const double *restrict x,
            const double *restrict y, const double *restrict z, double *restrict q1,
            double *restrict up2, double *restrict up3, double *restrict down2,
            double *restrict down3)
{
    double total = f + t, difference = f - t;
    for (size_t i = 0; i < n; i++) {
        double r = sqrt(x[i] * x[i] + y[i] * y[i]) - c;
        double square = r * r + z[i] * z[i];
        double a = sqrt(total * total - square);
        double b = sqrt(square - difference * difference);
        double s = a * b, k = square + difference * total;
        double q3 = 2.0 * arctan2(a, b);
        q1[i] = arctan2(y[i], x[i]);
        up2[i] = arctan2(z[i] * k + r * s, r * k - z[i] * s);
        down2[i] = arctan2(z[i] * k - r * s, r * k + z[i] * s);
        up3[i] = -q3;
        down3[i] = q3;
    }
}
