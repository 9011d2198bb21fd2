/*
 * Guessing room: what the history of a candidate field costs, in C: `codelength.candidate_bits` model by model.
 *
 * The numpy code is the specification, says why, and is what runs where no compiler is. Its numbers come in as
 * definitions (`native.py`) or tables, so that each has one home. Built as C99; no allocation but one workspace a call.
 */
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define CLASSES 128
#define SCALES 128
#define LN2 0.6931471805599453

typedef struct {
    const double *weight; /* (n,) steps that each stands for */
    size_t n;
    double heavy;
    const double *shapes; /* (CLASSES, 2, SCALES) bits of a class under a shape */
    const double *given;  /* (2, SCALES) bits that "it moves" is worth under a shape */
    size_t top;           /* classes that the longest candidate of this call can have */
} Common;

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

static double shape_bits(const Common *c, const double *counts)
{
    size_t const scales = c->top + 6U < SCALES ? c->top + 6U : SCALES;
    double bits[2][SCALES], total = 0.0, whole = HUGE_VAL, apart = HUGE_VAL;
    memset(bits, 0, sizeof bits);
    for (size_t k = 1; k < c->top; k++) {
        double const count = counts[k];
        if (count != 0.0) {
            total += count;
            for (size_t bell = 0; bell < 2; bell++) {
                const double *row = c->shapes + (2U * k + bell) * SCALES;
                double *sum = bits[bell];
                for (size_t s = 0; s < scales; s++) {
                    sum[s] += count * row[s];
                }
            }
        }
    }
    if (total == 0.0 && counts[0] == 0.0) {
        return 0.0;
    }
    for (size_t bell = 0; bell < 2; bell++) {
        const double *still = c->shapes + bell * SCALES, *given = c->given + bell * SCALES;
        for (size_t s = 0; s < scales; s++) {
            whole = least(whole, bits[bell][s] + counts[0] * still[s]);
            apart = least(apart, bits[bell][s] - total * given[s]);
        }
    }
    return least(whole, two_way(counts[0], total) + apart) + SHAPE_BITS;
}

static double walk_bits(const Common *c, const int16_t *signed_class, const int16_t *before, const int8_t *came,
                        unsigned length)
{
    double joint[CONTEXTS * CLASSES], per_class[CLASSES], way[18], rises = 0.0, moves = 0.0, below = 0.0;
    double const name = log2(2.0 * length);
    size_t const top = c->top;
    size_t used = top;
    double best, sign;
    memset(per_class, 0, sizeof per_class);
    if (before != NULL) {
        memset(joint, 0, CONTEXTS * top * sizeof joint[0]);
    }
    memset(way, 0, sizeof way);
    for (size_t u = 0; u < c->n; u++) {
        int const step = signed_class[u];
        size_t const size = (size_t)(step < 0 ? -step : step);
        double const weight = c->weight[u];
        per_class[size] += weight;
        if (step > 0) {
            rises += weight;
        }
        if (before != NULL) {
            size_t octave = ((size_t)(before[u] < 0 ? -before[u] : before[u]) + 1U) >> 1;
            octave = octave < CONTEXTS - 1U ? octave : CONTEXTS - 1U;
            joint[octave * top + size] += weight;
        }
        if (came != NULL) {
            int const kind = 2 * (came[u] + 1) + (size > 1U);
            way[3 * kind + (step > 0) - (step < 0) + 1] += weight;
        }
    }
    while (used > 1 && per_class[used - 1] == 0.0) {
        used--;
    }
    best = least(c->heavy * adaptive_bits(per_class, top, (double)used, 0.5, c->heavy) + name,
                 shape_bits(c, per_class));
    if (before != NULL) {
        double told = name;
        for (size_t k = 0; k < CONTEXTS; k++) {
            double const *counts = joint + k * top;
            told += least(c->heavy * adaptive_bits(counts, top, (double)used, 0.5, c->heavy), shape_bits(c, counts));
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
        double told = 1.0;
        for (size_t kind = 0; kind < 6; kind++) {
            told += two_way(way[3 * kind], way[3 * kind + 2]);
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
    double counts[1U << HEAD_BITS] = {0.0}, total = 0.0, best = HUGE_VAL;
    for (size_t u = 0; u < c->n; u++) {
        counts[(new[u] >> tail) & mask] += c->weight[u];
    }
    for (size_t k = 0; k < 1U << head; k++) {
        total += counts[k];
    }
    for (; head > 0U; head--) { /* one bit of the head less each time */
        size_t const values = (size_t)1 << head;
        best = least(best, c->heavy * adaptive_bits(counts, values, (double)values, 0.5, c->heavy) +
                               (length - head) * total);
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
    memset(joint, 0, states * states * sizeof joint[0]);
    for (size_t u = 0; u < c->n; u++) {
        uint64_t const a = old[u] & mask, b = new[u] & mask;
        joint[(size_t)rank[a] * states + (size_t)rank[b]] += c->weight[u];
        if (before != NULL) {
            told[2 * ((before[u] & mask) != a) + (a != b)] += c->weight[u];
        }
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
            moves += c->weight[u];
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

static double company_saving(const Common *c, const int16_t *first, const int16_t *before, const uint8_t *parts,
                             const uint8_t *allowed, const uint8_t *alive, size_t width, double *share)
{
    static const double at_least[] = {OTHERS_MOVE};
    double saved = 0.0, total = 0.0;
    size_t lively = 0;
    for (size_t r = 0; r < width; r++) {
        lively += allowed[r] & alive[r];
    }
    if (lively < FEWEST_OTHERS) {
        return 0.0;
    }
    for (size_t u = 0; u < c->n; u++) {
        size_t moving = 0;
        for (size_t r = 0; r < width; r++) {
            moving += allowed[r] & parts[u * width + r];
        }
        share[u] = (double)moving / (double)lively;
        total += c->weight[u];
    }
    for (size_t i = 0; i < sizeof at_least / sizeof at_least[0]; i++) {
        double count[8] = {0.0}, plain = 0.0, told = 0.0, events = 0.0;
        for (size_t u = 0; u < c->n; u++) {
            if (share[u] >= at_least[i]) {
                events += c->weight[u];
            }
        }
        if (events > RARE * total) { /* what is common tells of copies, not of events */
            events = 0.0;
        }
        for (size_t u = 0; u < c->n; u++) {
            int const company = events > 0.0 && share[u] >= at_least[i];
            count[4 * (before[u] != 0) + 2 * company + (first[u] != 0)] += c->weight[u];
        }
        for (size_t k = 0; k < 2; k++) {
            double const *four = count + 4 * k;
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

/* Steps from the middle one, as signed numbers of so many bits, where nearly every step moves. */
static int from_pace(const Space *space, size_t n, unsigned length)
{
    unsigned const shift = 64U - length;
    uint64_t const sign = (uint64_t)1 << 63;
    uint64_t *paced = space->words + 4U * n;
    size_t moving = 0;
    for (size_t u = 0; u < n; u++) {
        moving += space->first[u] != 0;
        paced[u] = (space->words[u] << shift) ^ sign;
    }
    if ((double)moving < STEADY * (double)n) {
        return 0;
    }
    uint64_t const pace = (ranked(paced, n, n / 2U) ^ sign) >> shift;
    for (size_t u = 0; u < n; u++) {
        paced[u] = space->words[u] - pace;
        space->low[4U * n + u] = (uint32_t)paced[u];
    }
    return 1;
}

static void weigh(const Common *c, const Space *space, const uint64_t *before, const uint64_t *old,
                  const uint64_t *new, const int64_t *lengths, size_t count, int thorough, const uint8_t *parts,
                  const uint8_t *allowed, const uint8_t *alive, size_t width, double *share, double *out)
{
    size_t const n = c->n;
    uint64_t rank[256];
    unsigned grid_states = 0;
    unsigned const low = thorough ? grid(c, old, new, rank, &grid_states) : 0U;
    int listed = 1;
    if (lengths[count - 1U] >= 4) { /* from one typical value */
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
    for (size_t i = 0; i < count; i++) {
        unsigned const length = (unsigned)lengths[i];
        uint64_t const mask = length < 64U ? ((uint64_t)1 << length) - 1U : ~(uint64_t)0;
        double bits;
        classes_of(space, 0, n, length, space->first);
        if (thorough) {
            classes_of(space, 1, n, length, space->before);
            last_turns(old, new, n, length, space->came);
        }
        bits = walk_bits(c, space->first, thorough ? space->before : NULL, thorough ? space->came : NULL, length);
        if (length >= 4U) {
            if (thorough) {
                classes_of(space, 2, n, length, space->other);
                bits = least(bits, walk_bits(c, space->other, NULL, NULL, length));
            }
            classes_of(space, 3, n, length, space->other);
            bits = least(bits, walk_bits(c, space->other, NULL, NULL, length) + length);
            if (from_pace(space, n, length)) {
                classes_of(space, 4, n, length, space->other);
                bits = least(bits, walk_bits(c, space->other, NULL, NULL, length) + length);
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
            bits = least(bits, walk_bits(c, first, last, space->came, length) + name);
            memset(last, 0, n * sizeof *last);
        }
        listed = listed && length <= WIDEST_STATES &&
                 (thorough || length <= QUICK_STATES_BITS || takes_turns(new, n, length));
        if (listed) {
            double const states = states_bits(c, thorough ? before : NULL, old, new, length, space->rank);
            listed = states < HUGE_VAL; /* longer ones have more states still */
            bits = least(bits, states);
        }
        if (parts != NULL) {
            double const saved = company_saving(c, space->first, space->before, parts, allowed + i * width, alive,
                                                width, share);
            bits -= least(saved, 0.9 * bits);
        }
        out[i] = bits + (length > 1U ? MODELS_BITS : 0.0);
    }
}

/* Costs of `count` candidates that begin at one bit into `out`; 0, or 1 where there was no memory. */
int candidate_bits(const uint64_t *before, const uint64_t *old, const uint64_t *new, const double *weight, size_t n,
                   const int64_t *lengths, size_t count, int thorough, double heavy, const double *shapes,
                   const double *given, const uint8_t *parts, const uint8_t *allowed, size_t width, double *out)
{
    Common const common = {weight, n, heavy, shapes, given, 2U * (size_t)lengths[count - 1U]};
    size_t const table = n > 65536U ? n : 65536U;
    uint8_t alive[2 * 64] = {0};
    Space space;
    double *share = malloc(n * sizeof *share);
    space.first = malloc(3U * n * sizeof *space.first);
    space.came = malloc(n * sizeof *space.came);
    space.rank = calloc(table, sizeof *space.rank);
    space.words = malloc(5U * n * sizeof *space.words);
    space.low = malloc(5U * n * sizeof *space.low);
    int const refused = !share || !space.first || !space.came || !space.rank || !space.words || !space.low ||
                        width > sizeof alive;
    if (!refused) {
        space.before = space.first + n;
        space.other = space.before + n;
        for (size_t u = 0; parts != NULL && u < n; u++) {
            for (size_t r = 0; r < width; r++) {
                alive[r] |= parts[u * width + r];
            }
        }
        weigh(&common, &space, before, old, new, lengths, count, thorough, parts, allowed, alive, width, share, out);
    }
    free(share);
    free(space.first);
    free(space.came);
    free(space.rank);
    free(space.words);
    free(space.low);
    return refused;
}
