/*
 * Guessing room: what the history of every candidate field costs, in C: `codelength.candidate_bits` model by model.
 *
 * The numpy code is the specification, says why, and is what runs where no compiler is. Its numbers come in as
 * definitions (`codelength_kernel.py`) or tables, so that each has one home. Built as C99; one workspace a call.
 *
 * Steps are counted in whole numbers, apart by what they stand for (few sizes, since a sample keeps some steps and thins
 * the rest): a sum of weights would have to wait for the one before.
 */
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define CLASSES 128
#define SCALES 128
#define LN2 0.6931471805599453
#define KINDS 4U
#define SIGNED 256U
#define BLOCK 16U
#define BLOCKS (SCALES / BLOCK)
#define HAIR 1e-6 /* bits by which a bound must be beaten: far more than sums of doubles differ by */

typedef struct {
    const uint8_t *kind;   /* (n,) which of the weights a step has */
    double weight[KINDS];  /* steps that one of each kind stands for */
    size_t kinds;
    size_t n;
    double total; /* steps that all stand for */
    double heavy;
    const double *shapes; /* (CLASSES, 2, SCALES) bits of a class under a shape */
    const double *given;  /* (2, SCALES) bits that "it moves" is worth under a shape */
    const double *least_shapes; /* (CLASSES, 2, BLOCKS) the least of `shapes` in each block of scales */
    const double *most_given;   /* (2, BLOCKS) and the most of `given` */
    size_t top;                 /* classes that the longest candidate of this run can have */
} Common;

/* What counts of each kind stand for: entry `k` of tables that lie `stride` after one another. */
static double stands_for(const Common *c, const uint32_t *count, size_t stride, size_t k)
{
    double sum = 0.0;
    for (size_t i = 0; i < c->kinds; i++) {
        sum += (double)count[i * stride + k] * c->weight[i];
    }
    return sum;
}

typedef struct {
    int16_t *first, *before, *other; /* (n,) signed size classes */
    int8_t *came;                    /* (n,) from where each value was reached */
    int16_t *rank;                   /* (65536,) number of a state, 0 while unseen */
    uint64_t *words;                 /* (5, n) steps: present, last, second ones, those from a level and from a pace */
    uint32_t *low;                   /* (4, n) their lower halves */
} Space;

static double least(double a, double b)
{
    return b < a ? b : a;
}

/* Steps modulo 2**length, as signed numbers. */
static int64_t wrapped(uint64_t step, unsigned length)
{
    uint64_t const high = step << (64U - length);
    uint64_t const top = (uint64_t)1 << 63;
    /* shifting a negative number right is the compiler's affair in C99, so the sign is put back by hand */
    uint64_t const low = high >> (64U - length);
    if ((high & top) == 0 || length == 64U) {
        int64_t out;
        memcpy(&out, &low, sizeof out);
        return out;
    }
    return -(int64_t)(((~low) & (((uint64_t)1 << length) - 1U)) + 1U);
}

/* 0 for no step, 1 for a step of 1, then two classes an octave; negative downwards. */
static int16_t size_class(int64_t step)
{
    uint64_t const size = step < 0 ? (uint64_t)0 - (uint64_t)step : (uint64_t)step;
    double const as_double = (double)size;
    uint64_t bits;
    int16_t out;
    memcpy(&bits, &as_double, sizeof bits);
    out = size < 2U ? (int16_t)size : (int16_t)((int64_t)(bits >> 51) - 2046);
    return step < 0 ? (int16_t)-out : out;
}

/* Size classes of steps modulo 2**length. Up to 24 bits are exact in single precision, several at once. */
static void classes(const uint64_t *step, const uint32_t *low, size_t n, unsigned length, int16_t *restrict out)
{
    if (length > 24U) {
        for (size_t u = 0; u < n; u++) {
            out[u] = size_class(wrapped(step[u], length));
        }
        return;
    }
    int32_t const mask = (int32_t)(((uint32_t)1 << length) - 1U), half = (int32_t)((uint32_t)1 << (length - 1U));
    for (size_t u = 0; u < n; u++) {
        int32_t const wide = (int32_t)low[u] & mask;
        int32_t const down = -(int32_t)(wide >= half);
        int32_t const size = (wide ^ down) - down + ((mask + 1) & down);
        float const as_float = (float)size;
        int32_t bits, class;
        memcpy(&bits, &as_float, sizeof bits);
        class = (((bits >> 22) - 254) & -(int32_t)(size > 0)) + (int32_t)(size == 1);
        out[u] = (int16_t)((class ^ down) - down);
    }
}

static double adaptive_bits(const double *counts, size_t n, double size, double alpha, double scale)
{
    double total = 0.0, inside = 0.0;
    size_t seen = 0;
    for (size_t k = 0; k < n; k++) {
        if (counts[k] != 0.0) {
            double const count = counts[k] / scale;
            total += count;
            inside += lgamma(count + alpha);
            seen++;
        }
    }
    if (seen == 0) {
        return 0.0;
    }
    return (lgamma(total + alpha * size) - lgamma(alpha * size) - inside + (double)seen * lgamma(alpha)) / LN2;
}

static double two_way(double a, double b)
{
    double const counts[2] = {a, b};
    return adaptive_bits(counts, 2, 2.0, 0.5, 1.0);
}

static double choose_bits(double n, double k)
{
    if (k <= 0.0 || n <= k) {
        return 0.0;
    }
    return (lgamma(n + 1.0) - lgamma(k + 1.0) - lgamma(n - k + 1.0)) / LN2;
}

/*
 * Bits of class counts under the best single shape, where that is less than `limit`; `limit` or more otherwise.
 *
 * No scale of a block costs less than the sum of each class's least in it, so most blocks need not be looked into.
 */
static double shape_bits(const Common *c, const double *counts, double limit)
{
    size_t const scales = c->top + 6U < SCALES ? c->top + 6U : SCALES;
    size_t seen[CLASSES], many = 0;
    double bound[2 * BLOCKS] = {0.0}, total = 0.0, stays, best = limit;
    for (size_t k = 1; k < c->top; k++) {
        if (counts[k] != 0.0) {
            const double *row = c->least_shapes + 2U * k * BLOCKS;
            total += counts[k];
            seen[many++] = k;
            for (size_t b = 0; b < 2U * BLOCKS; b++) {
                bound[b] += counts[k] * row[b];
            }
        }
    }
    if (total == 0.0 && counts[0] == 0.0) {
        return 0.0;
    }
    stays = two_way(counts[0], total);
    for (size_t b = 0; b < 2U * BLOCKS; b++) {
        bound[b] += least(counts[0] * c->least_shapes[b], stays - total * c->most_given[b]) + SHAPE_BITS - HAIR;
    }
    for (;;) {
        double sum[BLOCK] = {0.0}, whole = HUGE_VAL, apart = HUGE_VAL;
        size_t at = 0, bell, first;
        for (size_t b = 1; b < 2U * BLOCKS; b++) {
            at = bound[b] < bound[at] ? b : at;
        }
        if (bound[at] >= best) {
            return best;
        }
        bound[at] = HUGE_VAL;
        bell = at / BLOCKS;
        first = at % BLOCKS * BLOCK;
        for (size_t i = 0; i < many; i++) {
            const double *row = c->shapes + (2U * seen[i] + bell) * SCALES + first;
            double const count = counts[seen[i]];
            for (size_t s = 0; s < BLOCK; s++) {
                sum[s] += count * row[s];
            }
        }
        for (size_t s = 0; s < BLOCK && first + s < scales; s++) {
            whole = least(whole, sum[s] + counts[0] * c->shapes[bell * SCALES + first + s]);
            apart = least(apart, sum[s] - total * c->given[bell * SCALES + first + s]);
        }
        best = least(best, least(whole, stays + apart) + SHAPE_BITS);
    }
}

/* How often each signed class comes, of each kind of step; two tables, since one count waits for the one before. */
static void count_classes(const Common *c, const int16_t *signed_class, uint32_t *count)
{
    uint32_t other[KINDS * SIGNED];
    size_t const size = c->kinds * SIGNED;
    memset(count, 0, size * sizeof *count);
    memset(other, 0, size * sizeof *other);
    for (size_t u = 0; u + 1 < c->n; u += 2) {
        count[c->kind[u] * SIGNED + (uint8_t)signed_class[u]]++;
        other[c->kind[u + 1] * SIGNED + (uint8_t)signed_class[u + 1]]++;
    }
    if (c->n & 1U) {
        count[c->kind[c->n - 1] * SIGNED + (uint8_t)signed_class[c->n - 1]]++;
    }
    for (size_t k = 0; k < size; k++) {
        count[k] += other[k];
    }
}

static double walk_bits(const Common *c, const uint32_t *count, const int16_t *signed_class, const int16_t *before,
                        const int8_t *came, unsigned length)
{
    double per_class[CLASSES], rises = 0.0, moves = 0.0, below = 0.0;
    double const name = log2(2.0 * length);
    size_t const top = c->top;
    size_t used = top;
    double best, sign;
    per_class[0] = stands_for(c, count, SIGNED, 0);
    for (size_t k = 1; k < top; k++) {
        double const up = stands_for(c, count, SIGNED, k);
        rises += up;
        per_class[k] = up + stands_for(c, count, SIGNED, SIGNED - k);
    }
    while (used > 1 && per_class[used - 1] == 0.0) {
        used--;
    }
    best = c->heavy * adaptive_bits(per_class, used, (double)used, 0.5, c->heavy) + name;
    best = shape_bits(c, per_class, best);
    if (before != NULL) {
        uint32_t joint[KINDS * CONTEXTS * CLASSES];
        size_t const stride = CONTEXTS * used;
        double told = name;
        memset(joint, 0, c->kinds * stride * sizeof joint[0]);
        for (size_t u = 0; u < c->n; u++) {
            size_t octave = ((size_t)(before[u] < 0 ? -before[u] : before[u]) + 1U) >> 1;
            octave = octave < CONTEXTS - 1U ? octave : CONTEXTS - 1U;
            joint[c->kind[u] * stride + octave * used + (size_t)(signed_class[u] < 0 ? -signed_class[u]
                                                                                     : signed_class[u])]++;
        }
        for (size_t k = 0; k < CONTEXTS && told < best; k++) {
            double counts[CLASSES] = {0.0};
            for (size_t i = 0; i < used; i++) {
                counts[i] = stands_for(c, joint, stride, k * used + i);
            }
            told += shape_bits(c, counts, c->heavy * adaptive_bits(counts, used, (double)used, 0.5, c->heavy));
        }
        best = least(best, told);
    }
    for (size_t k = 1; k < top; k++) {
        moves += per_class[k];
        below += per_class[k] * (k < 4U ? 0.0 : (double)(k / 2U - 1U));
    }
    if (length == 1U) {
        return best + below;
    }
    sign = two_way(rises, moves - rises);
    if (came != NULL && length >= TURNS_BITS) {
        uint32_t way[KINDS * 18] = {0};
        double told = 1.0;
        for (size_t u = 0; u < c->n; u++) {
            int const step = signed_class[u];
            int const kind = 2 * (came[u] + 1) + (step > 1 || step < -1);
            way[c->kind[u] * 18U + (size_t)(3 * kind + (step > 0) - (step < 0) + 1)]++;
        }
        for (size_t kind = 0; kind < 6; kind++) {
            told += two_way(stands_for(c, way, 18, 3 * kind), stands_for(c, way, 18, 3 * kind + 2));
        }
        sign = least(sign, told);
    }
    return best + sign + below;
}

static void last_turns(const uint64_t *old, const uint64_t *new, size_t n, unsigned length, int8_t *came)
{
    int8_t turn = 0;
    for (size_t u = 0; u < n; u++) {
        int64_t way = u > 0 ? wrapped(old[u] - new[u - 1], length) : 0;
        if (way != 0) {
            turn = way > 0 ? 1 : -1;
        }
        came[u] = u > 0 ? turn : 0;
        way = wrapped(new[u] - old[u], length);
        if (way != 0) {
            turn = way > 0 ? 1 : -1;
        }
    }
}

static double noise_bits(const Common *c, const uint64_t *new, unsigned length)
{
    unsigned head = length < HEAD_BITS ? length : HEAD_BITS;
    unsigned const tail = length - head;
    uint64_t const mask = ((uint64_t)1 << head) - 1U;
    uint32_t count[KINDS << HEAD_BITS] = {0}, other[KINDS << HEAD_BITS] = {0};
    double counts[1U << HEAD_BITS], best = HUGE_VAL;
    for (size_t u = 0; u + 1 < c->n; u += 2) {
        count[((size_t)c->kind[u] << HEAD_BITS) + ((new[u] >> tail) & mask)]++;
        other[((size_t)c->kind[u + 1] << HEAD_BITS) + ((new[u + 1] >> tail) & mask)]++;
    }
    if (c->n & 1U) {
        count[((size_t)c->kind[c->n - 1] << HEAD_BITS) + ((new[c->n - 1] >> tail) & mask)]++;
    }
    for (size_t k = 0; k < c->kinds << HEAD_BITS; k++) {
        count[k] += other[k];
    }
    for (size_t k = 0; k < 1U << HEAD_BITS; k++) {
        counts[k] = stands_for(c, count, 1U << HEAD_BITS, k);
    }
    for (; head > 0U; head--) { /* one bit of the head less each time */
        size_t const values = (size_t)1 << head;
        best = least(best, c->heavy * adaptive_bits(counts, values, (double)values, 0.5, c->heavy) +
                               (length - head) * c->total);
        for (size_t k = 0; k < values / 2U; k++) {
            counts[k] = counts[2U * k] + counts[2U * k + 1U];
        }
    }
    return best + log2(HEAD_BITS);
}

static double seldom_bits(double stay, double moves)
{
    double const total = stay + moves;
    if (total <= 0.0 || moves <= 0.0) {
        return 0.0;
    }
    return (lgamma(total + 1.0) - lgamma(moves + 1.0) - lgamma(stay + 1.0)) / LN2 +
           log2((moves + 1.0) * (1.0 + log(total + 1.0)));
}

static double list_bits(const uint32_t *values, size_t states, unsigned length)
{
    double const top = (double)((uint64_t)1 << length);
    double const anywhere = length + choose_bits(top, (double)states);
    double gap = top - (double)values[states - 1] + (double)values[0], stretch;
    for (size_t k = 1; k < states; k++) {
        double const next = (double)(values[k] - values[k - 1]);
        gap = next > gap ? next : gap;
    }
    stretch = top - gap + 1.0;
    return least(anywhere, 1.5 * length + 1.0 +
                               choose_bits(stretch > 2.0 ? stretch - 2.0 : 0.0, (double)states - 2.0));
}

static int by_value(const void *a, const void *b)
{
    uint32_t const x = *(const uint32_t *)a, y = *(const uint32_t *)b;
    return (x > y) - (x < y);
}

/* The value that would stand at `k` if they were sorted; they are moved about. */
static uint64_t ranked(uint64_t *value, size_t n, size_t k)
{
    size_t first = 0, last = n - 1U;
    while (first < last) {
        uint64_t const middle = value[first + (last - first) / 2U];
        size_t low = first, high = last;
        for (;;) {
            while (value[low] < middle) {
                low++;
            }
            while (value[high] > middle) {
                high--;
            }
            if (low >= high) {
                break;
            }
            uint64_t const kept = value[low];
            value[low++] = value[high];
            value[high--] = kept;
        }
        if (k <= high) {
            last = high;
        } else {
            first = high + 1U;
        }
    }
    return value[k];
}

/* Bits of a field of at most 16 bits as a list of states; HUGE_VAL where it has too many. */
static double states_bits(const Common *c, const uint64_t *before, const uint64_t *old, const uint64_t *new,
                          unsigned length, int16_t *rank)
{
    uint64_t const mask = ((uint64_t)1 << length) - 1U;
    uint32_t values[MOST_STATES + 1];
    uint32_t count[KINDS * MOST_STATES * MOST_STATES], kept[KINDS * 4] = {0};
    double joint[MOST_STATES * MOST_STATES], told[4] = {0.0, 0.0, 0.0, 0.0}, into[MOST_STATES], ends[MOST_STATES];
    double stay = 0.0, moved = 0.0, when, where = 0.0, level;
    size_t states = 0;
    for (size_t u = 0; u < 2U * c->n && states <= MOST_STATES; u++) {
        size_t const value = (size_t)((u < c->n ? old[u] : new[u - c->n]) & mask);
        if (rank[value] == 0) {
            rank[value] = 1;
            values[states++] = (uint32_t)value;
        }
    }
    if (states < 2U || states > MOST_STATES) {
        for (size_t k = 0; k < states; k++) {
            rank[values[k]] = 0;
        }
        return states < 2U ? 0.0 : HUGE_VAL;
    }
    qsort(values, states, sizeof values[0], by_value);
    for (size_t k = 0; k < states; k++) {
        rank[values[k]] = (int16_t)k;
    }
    size_t const many = states * states;
    memset(count, 0, c->kinds * many * sizeof count[0]);
    for (size_t u = 0; u < c->n; u++) {
        uint64_t const a = old[u] & mask, b = new[u] & mask;
        count[c->kind[u] * many + (size_t)rank[a] * states + (size_t)rank[b]]++;
        if (before != NULL) {
            kept[c->kind[u] * 4U + 2U * ((before[u] & mask) != a) + (a != b)]++;
        }
    }
    for (size_t k = 0; k < many; k++) {
        joint[k] = stands_for(c, count, many, k);
    }
    for (size_t k = 0; k < 4; k++) {
        told[k] = stands_for(c, kept, 4, k);
    }
    for (size_t k = 0; k < states; k++) {
        rank[values[k]] = 0;
        into[k] = ends[k] = 0.0;
    }
    for (size_t from = 0; from < states; from++) {
        for (size_t to = 0; to < states; to++) {
            double const count = joint[from * states + to];
            ends[to] += count;
            if (from == to) {
                stay += count;
            } else {
                moved += count;
                into[to] += count;
            }
        }
    }
    when = least(two_way(stay, moved), seldom_bits(stay, moved));
    if (before != NULL) {
        when = least(when, two_way(told[0], told[1]) + two_way(told[2], told[3]) + 1.0);
    }
    if (states > 2U) {
        double learned = 0.0;
        for (size_t from = 0; from < states; from++) {
            joint[from * states + from] = 0.0;
            learned += adaptive_bits(joint + from * states, states, (double)states - 1.0, 1.0, c->heavy);
        }
        where = least(moved * log2((double)states - 1.0), c->heavy * learned + LEARNED_BITS);
        where = least(where, c->heavy * adaptive_bits(into, states, (double)states, 1.0, c->heavy) + LEARNED_BITS);
    }
    level = c->heavy * adaptive_bits(ends, states, (double)states, 0.5, c->heavy) + LEARNED_BITS;
    return least(when + where, level) + list_bits(values, states, length);
}

static int takes_turns(const uint64_t *new, size_t n, unsigned length)
{
    uint64_t const mask = ((uint64_t)1 << length) - 1U, one = new[0] & mask;
    uint64_t other = one;
    for (size_t u = 0; u < n; u++) {
        uint64_t const value = new[u] & mask;
        if (value != one) {
            if (other != one && value != other) {
                return 0;
            }
            other = value;
        }
    }
    return 1;
}

/* The grid that the lowest bits keep to: how many there are of them (0 where none is worth it), and their ranks. */
static unsigned grid(const Common *c, const uint64_t *old, const uint64_t *new, uint64_t *rank, unsigned *count)
{
    static const unsigned lows[] = {COARSE_BITS};
    double moves = 0.0, best = 0.0;
    unsigned chosen = 0;
    for (size_t u = 0; u < c->n; u++) {
        if (old[u] != new[u]) {
            moves += c->weight[c->kind[u]];
        }
    }
    for (size_t i = 0; i < sizeof lows / sizeof lows[0]; i++) {
        unsigned const size = 1U << lows[i];
        unsigned char used[256] = {0};
        unsigned states = 0;
        double saved;
        for (size_t u = 0; u < c->n; u++) {
            used[old[u] & (size - 1U)] = used[new[u] & (size - 1U)] = 1;
        }
        for (unsigned k = 0; k < size; k++) {
            states += used[k];
        }
        saved = moves * (lows[i] - log2((double)states)) - choose_bits((double)size, (double)states) - lows[i];
        if (states > 1U && saved > best) {
            best = saved;
            chosen = lows[i];
            *count = states;
            for (unsigned k = 0, next = 0; k < size; k++) {
                next += used[k];
                rank[k] = (uint64_t)next - 1U;
            }
        }
    }
    return chosen;
}

static int64_t between(uint64_t a, uint64_t b)
{
    return wrapped(b - a, 64U);
}

/* Which share of the parts a whole byte off the bytes `first` to `last` moves in each step; 0 where too few ever do. */
static int shares(const uint8_t *parts, const uint8_t *alive, size_t width, size_t n, size_t first, size_t last,
                  double *share)
{
    uint8_t allowed[2 * LONGEST];
    size_t lively = 0;
    for (size_t r = 0; r < width; r++) {
        allowed[r] = (r >> 1) + 1U < first || (r >> 1) > last + 1U;
        lively += allowed[r] & alive[r];
    }
    if (lively < FEWEST_OTHERS) {
        return 0;
    }
    for (size_t u = 0; u < n; u++) {
        unsigned moving = 0;
        for (size_t r = 0; r < width; r++) {
            moving += allowed[r] & parts[u * width + r];
        }
        share[u] = (double)moving / (double)lively;
    }
    return 1;
}

static double company_saving(const Common *c, const int16_t *first, const int16_t *before, const double *share)
{
    static const double at_least[] = {OTHERS_MOVE};
    double saved = 0.0;
    for (size_t i = 0; i < sizeof at_least / sizeof at_least[0]; i++) {
        uint32_t count[KINDS * 8] = {0};
        double eight[8], plain = 0.0, told = 0.0, events = 0.0;
        for (size_t u = 0; u < c->n; u++) {
            count[c->kind[u] * 8U + 4U * (before[u] != 0) + 2U * (share[u] >= at_least[i]) + (first[u] != 0)]++;
        }
        for (size_t k = 0; k < 8; k++) {
            eight[k] = stands_for(c, count, 8, k);
            events += k & 2U ? eight[k] : 0.0;
        }
        if (events > RARE * c->total) { /* what is common tells of copies, not of events */
            continue;
        }
        for (size_t k = 0; k < 2; k++) {
            double const *four = eight + 4 * k;
            told += two_way(four[0] / c->heavy, four[1] / c->heavy) + two_way(four[2] / c->heavy, four[3] / c->heavy);
            plain += two_way((four[0] + four[2]) / c->heavy, (four[1] + four[3]) / c->heavy);
        }
        saved = c->heavy * (plain - told) > saved ? c->heavy * (plain - told) : saved;
    }
    saved -= 1.0 + log2((double)(sizeof at_least / sizeof at_least[0]));
    return saved > 0.0 ? saved : 0.0;
}

static void steps_of(const Space *space, size_t kind, size_t n, const uint64_t *from, const uint64_t *to)
{
    for (size_t u = 0; u < n; u++) {
        uint64_t const step = to[u] - from[u];
        space->words[kind * n + u] = step;
        space->low[kind * n + u] = (uint32_t)step;
    }
}

static void classes_of(const Space *space, size_t kind, size_t n, unsigned length, int16_t *out)
{
    classes(space->words + kind * n, space->low + kind * n, n, length, out);
}

/* Steps from the middle one, as signed numbers of so many bits. */
static void from_pace(const Space *space, size_t n, unsigned length)
{
    unsigned const shift = 64U - length;
    uint64_t const sign = (uint64_t)1 << 63;
    uint64_t *paced = space->words + 4U * n;
    for (size_t u = 0; u < n; u++) {
        paced[u] = (space->words[u] << shift) ^ sign;
    }
    uint64_t const pace = (ranked(paced, n, n / 2U) ^ sign) >> shift;
    for (size_t u = 0; u < n; u++) {
        paced[u] = space->words[u] - pace;
        space->low[4U * n + u] = (uint32_t)paced[u];
    }
}

static size_t moving_steps(const Common *c, const uint32_t *count)
{
    size_t still = 0;
    for (size_t i = 0; i < c->kinds; i++) {
        still += count[i * SIGNED];
    }
    return c->n - still;
}

typedef struct {
    const uint8_t *moves; /* (n, width) whether each nibble of the payload moves, or NULL */
    const uint8_t *alive; /* (width,) which of them ever do */
    size_t width;
    double *share; /* (n,) room for the share of them that moves */
} Parts;

/* All candidates of one run: `wanted` says for each length above none whether it is asked for. */
static void weigh(const Common *c, const Space *space, const uint64_t *before, const uint64_t *old,
                  const uint64_t *new, const uint8_t *wanted, int thorough, const Parts *parts, size_t low_byte,
                  unsigned low_bit, int up, double *out)
{
    size_t const n = c->n;
    uint64_t rank[256];
    uint32_t count[KINDS * SIGNED], other[KINDS * SIGNED];
    unsigned grid_states = 0;
    unsigned const low = thorough ? grid(c, old, new, rank, &grid_states) : 0U;
    unsigned const longest = (unsigned)(c->top / 2U);
    size_t shared = SIZE_MAX; /* the upper byte that shares were counted for */
    int listed = 1, company = 0;
    if (longest >= 4) { /* from one typical value */
        uint64_t *level = space->words + 3U * n;
        memcpy(level, new, n * sizeof *new);
        uint64_t const middle = ranked(level, n, n / 2U);
        for (size_t u = 0; u < n; u++) {
            level[u] = new[u] - middle;
            space->low[3U * n + u] = (uint32_t)level[u];
        }
    }
    steps_of(space, 0, n, old, new);
    if (thorough) {
        steps_of(space, 1, n, before, old);
        steps_of(space, 2, n, space->words + n, space->words);
    }
    for (unsigned length = 1; length <= longest; length++) {
        uint64_t const mask = length < 64U ? ((uint64_t)1 << length) - 1U : ~(uint64_t)0;
        double bits;
        if (!wanted[length - 1U]) {
            continue;
        }
        classes_of(space, 0, n, length, space->first);
        count_classes(c, space->first, count);
        if (thorough) {
            classes_of(space, 1, n, length, space->before);
            last_turns(old, new, n, length, space->came);
        }
        bits = walk_bits(c, count, space->first, thorough ? space->before : NULL, thorough ? space->came : NULL, length);
        if (length >= 4U) {
            if (thorough) {
                classes_of(space, 2, n, length, space->other);
                count_classes(c, space->other, other);
                bits = least(bits, walk_bits(c, other, space->other, NULL, NULL, length));
            }
            classes_of(space, 3, n, length, space->other);
            count_classes(c, space->other, other);
            bits = least(bits, walk_bits(c, other, space->other, NULL, NULL, length) + length);
            if ((double)moving_steps(c, count) >= STEADY * (double)n) {
                from_pace(space, n, length);
                classes_of(space, 4, n, length, space->other);
                count_classes(c, space->other, other);
                bits = least(bits, walk_bits(c, other, space->other, NULL, NULL, length) + length);
            }
        }
        bits = least(bits, noise_bits(c, new, length));
        if (low > 0U && length > COARSEST_BITS) {
            uint64_t const below = ((uint64_t)1 << low) - 1U;
            int16_t *last = space->rank; /* free between lists of states, which leave it zero */
            double const name = choose_bits((double)(below + 1U), (double)grid_states) + (double)low;
            int16_t *first = space->other;
            for (size_t u = 0; u < n; u++) {
                uint64_t const a = ((before[u] & mask) >> low) * grid_states + rank[before[u] & below];
                uint64_t const b = ((old[u] & mask) >> low) * grid_states + rank[old[u] & below];
                uint64_t const d = ((new[u] & mask) >> low) * grid_states + rank[new[u] & below];
                first[u] = size_class(between(b, d));
                last[u] = size_class(between(a, b));
            }
            count_classes(c, first, other);
            bits = least(bits, walk_bits(c, other, first, last, space->came, length) + name);
            memset(last, 0, n * sizeof *last);
        }
        listed = listed && length <= WIDEST_STATES &&
                 (thorough || length <= QUICK_STATES_BITS || takes_turns(new, n, length));
        if (listed) {
            double const states = states_bits(c, thorough ? before : NULL, old, new, length, space->rank);
            listed = states < HUGE_VAL; /* longer ones have more states still */
            bits = least(bits, states);
        }
        if (parts->moves != NULL) {
            size_t const away = (low_bit + length - 1U) >> 3, high_byte = up ? low_byte + away : low_byte - away;
            if (high_byte != shared) {
                shared = high_byte;
                company = shares(parts->moves, parts->alive, parts->width, n, up ? low_byte : high_byte,
                                 up ? high_byte : low_byte, parts->share);
            }
            if (company) {
                bits -= least(company_saving(c, space->first, space->before, parts->share), 0.9 * bits);
            }
        }
        out[length - 1U] = bits + (length > 1U ? MODELS_BITS : 0.0);
    }
}

/* The `length` bits from bit `low_bit` of byte `low_byte` on, upwards or downwards through the bytes. */
static void read_words(const uint8_t *bytes, size_t rows, size_t width, size_t low_byte, unsigned low_bit, int up,
                       unsigned length, uint64_t *words)
{
    uint64_t const mask = length < 64U ? ((uint64_t)1 << length) - 1U : ~(uint64_t)0;
    memset(words, 0, rows * sizeof *words);
    for (size_t k = 0; 8U * k < low_bit + length && (up ? low_byte + k < width : k <= low_byte); k++) {
        const uint8_t *column = bytes + (up ? low_byte + k : low_byte - k) * rows;
        unsigned const at = (unsigned)(8U * k);
        for (size_t u = 0; u < rows; u++) {
            words[u] |= at < low_bit ? (uint64_t)column[u] >> low_bit : (uint64_t)column[u] << (at - low_bit);
        }
    }
    for (size_t u = 0; u < rows; u++) {
        words[u] &= mask;
    }
}

/* Which of few weights each step has; 0 where there are more than `KINDS`. */
static int kinds_of(const double *weight, uint8_t *kind, Common *c)
{
    for (size_t u = 0; u < c->n; u++) {
        size_t k = 0;
        while (k < c->kinds && c->weight[k] != weight[u]) {
            k++;
        }
        if (k == KINDS) {
            return 0;
        }
        if (k == c->kinds) {
            c->weight[c->kinds++] = weight[u];
        }
        kind[u] = (uint8_t)k;
        c->total += weight[u];
    }
    return 1;
}

static void bounds_of(const Common *c, double *shapes, double *given)
{
    for (size_t row = 0; row < 2U * CLASSES; row++) {
        for (size_t b = 0; b < BLOCKS; b++) {
            const double *from = c->shapes + row * SCALES + b * BLOCK;
            double smallest = from[0];
            for (size_t s = 1; s < BLOCK; s++) {
                smallest = least(smallest, from[s]);
            }
            shapes[row * BLOCKS + b] = smallest;
        }
    }
    for (size_t b = 0; b < 2U * BLOCKS; b++) {
        const double *from = c->given + b * BLOCK;
        double largest = from[0];
        for (size_t s = 1; s < BLOCK; s++) {
            largest = from[s] > largest ? from[s] : largest;
        }
        given[b] = largest;
    }
}

/*
 * Costs of all candidates that are wanted; 0, 1 where there was no memory, 2 where the steps have too many weights.
 *
 * `bytes` (width, 3 n) are payloads column by column: those before, the old, the new. `wanted` and `out` (2, 8 width,
 * LONGEST) go by byte order, by the lowest bit as it is met from the least significant end on (big endian goes down
 * through the bytes), and by length.
 */
int history_costs(const uint8_t *bytes, size_t width, const double *weight, size_t n, const uint8_t *wanted,
                  int thorough, double heavy, const double *shapes, const double *given, const uint8_t *parts,
                  double *out)
{
    size_t const table = n > 65536U ? n : 65536U;
    double least_shapes[2U * CLASSES * BLOCKS], most_given[2U * BLOCKS];
    uint8_t alive[2 * LONGEST] = {0};
    uint8_t *kind = malloc(n);
    Common common = {kind, {0.0}, 0, n, 0.0, heavy, shapes, given, least_shapes, most_given, 0};
    Space space;
    double *share = malloc(n * sizeof *share);
    uint64_t *words = malloc(3U * n * sizeof *words);
    space.first = malloc(3U * n * sizeof *space.first);
    space.came = malloc(n * sizeof *space.came);
    space.rank = calloc(table, sizeof *space.rank);
    space.words = malloc(5U * n * sizeof *space.words);
    space.low = malloc(5U * n * sizeof *space.low);
    int refused = !kind || !share || !words || !space.first || !space.came || !space.rank || !space.words ||
                  !space.low || width > LONGEST;
    if (!refused && !kinds_of(weight, kind, &common)) {
        refused = 2;
    }
    if (!refused) {
        Parts const all = {parts, alive, 2U * width, share};
        space.before = space.first + n;
        space.other = space.before + n;
        bounds_of(&common, least_shapes, most_given);
        for (size_t u = 0; parts != NULL && u < n; u++) {
            for (size_t r = 0; r < 2U * width; r++) {
                alive[r] |= parts[u * 2U * width + r];
            }
        }
        for (size_t run = 0; run < 16U * width; run++) {
            int const up = run < 8U * width;
            size_t const at = up ? run : run - 8U * width;
            size_t const low_byte = up ? at >> 3 : width - 1U - (at >> 3);
            unsigned const low_bit = (unsigned)(at & 7U);
            const uint8_t *mine = wanted + run * LONGEST;
            unsigned longest = LONGEST;
            while (longest > 0 && !mine[longest - 1U]) {
                longest--;
            }
            if (longest > 0) {
                common.top = 2U * (size_t)longest;
                read_words(bytes, 3U * n, width, low_byte, low_bit, up, longest, words);
                weigh(&common, &space, words, words + n, words + 2U * n, mine, thorough, &all, low_byte, low_bit, up,
                      out + run * LONGEST);
            }
        }
    }
    free(kind);
    free(share);
    free(words);
    free(space.first);
    free(space.came);
    free(space.rank);
    free(space.words);
    free(space.low);
    return refused;
}
