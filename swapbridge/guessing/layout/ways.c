/*
 * Guessing room: ways through the graph of cuts, in C: `ways.py` function by function, in the same order of additions.
 *
 * Edges stand by the node that they leave (`starts` says where each node's begin) and go to later nodes only.
 */
#include <math.h>
#include <stddef.h>
#include <stdint.h>

/* Cheapest way to every node from the first, and the edge by which one came (-1 where none did). */
void cheapest_to(const int64_t *starts, const int64_t *reach, const double *cost, size_t nodes, double *best,
                 int64_t *came)
{
    for (size_t a = 0; a < nodes; a++) {
        best[a] = a ? HUGE_VAL : 0.0;
        came[a] = -1;
    }
    for (size_t a = 0; a < nodes; a++) {
        if (best[a] == HUGE_VAL) {
            continue;
        }
        for (int64_t e = starts[a]; e < starts[a + 1]; e++) {
            double const bits = best[a] + cost[e];
            if (bits < best[reach[e]]) {
                best[reach[e]] = bits;
                came[reach[e]] = e;
            }
        }
    }
}

/* Cheapest way from every node to the goal. */
void cheapest_from(const int64_t *starts, const int64_t *reach, const double *cost, size_t nodes, size_t goal,
                   double *best)
{
    for (size_t a = 0; a < nodes; a++) {
        best[a] = a == goal ? 0.0 : HUGE_VAL;
    }
    for (size_t a = nodes; a-- > 0;) {
        for (int64_t e = starts[a]; e < starts[a + 1]; e++) {
            double const bits = cost[e] + best[reach[e]];
            best[a] = bits < best[a] ? bits : best[a];
        }
    }
}

/* log(exp(a) + exp(b)) */
static double both(double a, double b)
{
    double const high = a < b ? b : a, low = a < b ? a : b;
    return low == -HUGE_VAL ? high : high + log1p(exp(low - high));
}

/* Logarithm of the weight of all ways to every node, and of all from there to the goal. */
void sums(const int64_t *starts, const int64_t *reach, const double *cost, size_t nodes, size_t goal, double temper,
          double *forward, double *backward)
{
    for (size_t a = 0; a < nodes; a++) {
        forward[a] = a ? -HUGE_VAL : 0.0;
        backward[a] = a == goal ? 0.0 : -HUGE_VAL;
    }
    for (size_t a = 0; a < nodes; a++) {
        if (forward[a] == -HUGE_VAL) {
            continue;
        }
        for (int64_t e = starts[a]; e < starts[a + 1]; e++) {
            forward[reach[e]] = both(forward[reach[e]], forward[a] - temper * cost[e]);
        }
    }
    for (size_t a = nodes; a-- > 0;) {
        for (int64_t e = starts[a]; e < starts[a + 1]; e++) {
            backward[a] = both(backward[a], backward[reach[e]] - temper * cost[e]);
        }
    }
}
