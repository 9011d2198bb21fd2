/*
 * Proving room: `simulated_bus.py` in C, for one node under test on buses without errors: the same events in the same
 * order. The node's program stays in Python: `advance` returns whenever it is its turn.
 */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define NEVER ((int64_t)1 << 62)

enum { POLL, RECEIVED, TIMED, END, NO_MEMORY };
enum { EVENT_NS, EVENT_BUS, EVENT_ROW, TIMED_NS, UNTIL_NS, GIVEN_BUS, GIVEN_RANK, GIVEN_TOKEN, GIVEN_DURATION_NS,
       NODE_DUE_NS };

/* A frame of the node: it waits for its controller, in it, or is on the bus; `token` is what Python knows it by. */
typedef struct {
    int64_t at_ns, count, bus, rank, token, duration_ns, asked_ns;
} Frame;

typedef struct {
    Frame *frames;
    size_t first, end, room;
} Frames;

typedef struct {
    int64_t order, row;
} Waiting;

typedef struct {
    const int64_t *word, *order, *release, *start, *duration, *heard_row, *heard_ns, *next_heard, *group;
    const uint8_t *calm;
    int64_t rows, heard, intermission_ns;
    int64_t *longest;          /* by group: longest time from asking to received, of recorded frames in competition */
    Waiting *waiting;          /* a heap */
    size_t waits;
    Frames mailbox;            /* the node's controller: one frame of each identifier */
    int64_t pushed, replaced;
    int live, on_bus, own, delivered;
    int64_t i, k, free_ns, due_ns, end_ns, row, added_busy_ns;
    Frame sending;
} Bus;

typedef struct {
    size_t count;
    int powered;
    int64_t latency_ns;        /* from the program's decision to the frame in its controller */
    Frames placed;             /* what stands in a controller soon, in order */
    Frames sent;               /* what got through since Python asked last */
    int64_t *shared;
    Bus *buses;
} Buses;

static int put(Frames *list, const Frame *frame)
{
    if (list->first > 0 && (list->first == list->end || list->end == list->room)) {
        memmove(list->frames, list->frames + list->first, (list->end - list->first) * sizeof *list->frames);
        list->end -= list->first;
        list->first = 0;
    }
    if (list->end == list->room) {
        size_t const room = list->room ? 2 * list->room : 64;
        Frame *const more = realloc(list->frames, room * sizeof *more);
        if (!more) {
            return 0;
        }
        list->frames = more;
        list->room = room;
    }
    list->frames[list->end++] = *frame;
    return 1;
}

void buses_free(Buses *all)
{
    for (size_t n = 0; all && all->buses && n < all->count; n++) {
        free(all->buses[n].waiting);
        free(all->buses[n].mailbox.frames);
    }
    if (all) {
        free(all->placed.frames);
        free(all->sent.frames);
        free(all->buses);
        free(all);
    }
}

/* `shared` is what Python and this file tell each other, by the names above. */
Buses *buses_new(size_t count, int64_t *shared, int64_t latency_ns)
{
    Buses *const all = calloc(1, sizeof *all);
    if (all) {
        all->count = count;
        all->powered = 1;
        all->shared = shared;
        all->latency_ns = latency_ns;
        all->buses = calloc(count ? count : 1, sizeof *all->buses);
        if (!all->buses) {
            free(all);
            return NULL;
        }
    }
    return all;
}

/* The columns of one bus, which stay Python's. `release`, `next_heard` and `calm` have one row more, `heard_ns` too. */
int bus_columns(Buses *all, size_t number, const int64_t *const columns[9], const uint8_t *calm, int64_t *longest,
                int64_t rows, int64_t heard, int64_t intermission_ns)
{
    Bus *const bus = &all->buses[number];
    bus->word = columns[0];
    bus->order = columns[1];
    bus->release = columns[2];
    bus->start = columns[3];
    bus->duration = columns[4];
    bus->heard_row = columns[5];
    bus->heard_ns = columns[6];
    bus->next_heard = columns[7];
    bus->group = columns[8];
    bus->calm = calm;
    bus->longest = longest;
    bus->rows = rows;
    bus->heard = heard;
    bus->intermission_ns = intermission_ns;
    bus->delivered = 1;
    bus->due_ns = bus->heard_ns[0];
    bus->waiting = malloc(((size_t)rows + 1) * sizeof *bus->waiting);
    return bus->waiting != NULL;
}

static int before(Waiting a, Waiting b)
{
    return a.order != b.order ? a.order < b.order : a.row < b.row;
}

static void wait_for(Bus *bus, int64_t row)
{
    Waiting const one = {bus->order[row], row};
    size_t at = bus->waits++;
    while (at > 0 && before(one, bus->waiting[(at - 1) / 2])) {
        bus->waiting[at] = bus->waiting[(at - 1) / 2];
        at = (at - 1) / 2;
    }
    bus->waiting[at] = one;
}

static int64_t first_waiting(Bus *bus)
{
    int64_t const row = bus->waiting[0].row;
    Waiting const last = bus->waiting[--bus->waits];
    size_t at = 0;
    for (;;) {
        size_t child = 2 * at + 1;
        if (child >= bus->waits) {
            break;
        }
        if (child + 1 < bus->waits && before(bus->waiting[child + 1], bus->waiting[child])) {
            child++;
        }
        if (!before(bus->waiting[child], last)) {
            break;
        }
        bus->waiting[at] = bus->waiting[child];
        at = child;
    }
    bus->waiting[at] = last;
    return row;
}

static int is_quiet(const Bus *bus, int64_t until_ns)
{
    return !bus->waits && bus->release[bus->i] > until_ns && bus->mailbox.end == 0;
}

static void leave_alone(Bus *bus)
{
    bus->live = bus->on_bus = 0;
    bus->k = bus->next_heard[bus->i];
    bus->due_ns = bus->heard_ns[bus->k];
}

static void go_live(Bus *bus, int64_t t)
{
    int64_t low = 0, high = bus->rows + 1;
    while (low < high) {
        int64_t const middle = (low + high) / 2;
        if (bus->release[middle] < t) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    bus->live = 1;
    bus->i = low;
    bus->on_bus = 0;
    bus->delivered = 1;
    bus->waits = 0;
    if (t < bus->free_ns) {
        bus->due_ns = bus->free_ns;
        return;
    }
    int64_t a = low - 1, free_ns = 0;
    while (a > 0 && !bus->calm[a]) {
        a--;
    }
    for (int64_t row = a > 0 ? a : 0; row < low; row++) {
        if (bus->start[row] >= t) {
            wait_for(bus, row);
            continue;
        }
        int64_t const end = bus->start[row] + bus->duration[row];
        free_ns = end > free_ns ? end : free_ns;
        if (end > t) {
            bus->on_bus = 1;
            bus->own = 0;
            bus->end_ns = end;
            bus->row = row;
            bus->delivered = !(bus->k < bus->heard && bus->heard_row[bus->k] == row);
        }
    }
    bus->free_ns = free_ns;
    if (bus->on_bus && !bus->delivered) {
        bus->due_ns = free_ns - bus->intermission_ns;
    } else {
        bus->due_ns = free_ns > t ? free_ns : t;
    }
}

static void start_frame(Bus *bus, int64_t t, int64_t duration_ns, int own)
{
    if (own) {
        bus->added_busy_ns += duration_ns;
    }
    bus->free_ns = bus->end_ns = t + duration_ns;
    bus->own = own;
    bus->on_bus = 1;
    bus->delivered = 0;
    bus->due_ns = bus->free_ns - bus->intermission_ns;
}

static Frame *competing(Bus *bus)
{
    Frame *best = NULL;
    for (size_t n = 0; n < bus->mailbox.end; n++) {
        Frame *const one = &bus->mailbox.frames[n];
        if (!best || one->rank < best->rank || (one->rank == best->rank && one->count < best->count)) {
            best = one;
        }
    }
    return best;
}

static void arbitrate(Bus *bus, int64_t t)
{
    while (bus->release[bus->i] <= t) {
        wait_for(bus, bus->i++);
    }
    Frame *const mine = competing(bus);
    if (mine && (!bus->waits || mine->rank < bus->waiting[0].order)) {
        bus->sending = *mine;
        *mine = bus->mailbox.frames[--bus->mailbox.end];
        start_frame(bus, t, bus->sending.duration_ns, 1);
    } else if (bus->waits) {
        bus->row = first_waiting(bus);
        start_frame(bus, t, bus->duration[bus->row], 0);
    } else if (bus->calm[bus->i]) {
        leave_alone(bus);
    } else {
        bus->due_ns = bus->release[bus->i];
    }
}

/* The frame on the bus is through; whether the node receives it. */
static int complete(Buses *all, Bus *bus, int64_t t)
{
    int heard = 0;
    bus->delivered = 1;
    bus->due_ns = bus->end_ns;
    if (bus->own) {
        bus->sending.at_ns = t;
        if (!put(&all->sent, &bus->sending)) {
            return -1;
        }
    } else {
        int64_t *const longest = &bus->longest[bus->group[bus->row]];
        int64_t const took = bus->end_ns - bus->release[bus->row];
        *longest = took > *longest ? took : *longest;
        heard = bus->word[bus->row] >= 0;
    }
    if (bus->calm[bus->i] && is_quiet(bus, bus->end_ns)) {
        leave_alone(bus);
    }
    return heard;
}

/* A frame of the node stands in its controller from now on; `alone` if nobody else can ask at this very moment. */
static int stand(Bus *bus, Frame *frame, int64_t t, int alone)
{
    frame->asked_ns = t;
    if (!bus->live) {
        go_live(bus, t);
    }
    if (alone && !bus->on_bus && bus->free_ns <= t && is_quiet(bus, t)) {
        bus->sending = *frame;
        start_frame(bus, t, frame->duration_ns, 1);
        return 1;
    }
    Frames *const box = &bus->mailbox;
    size_t n = 0;
    while (n < box->end && box->frames[n].rank != frame->rank) {
        n++;
    }
    if (n < box->end) {  /* a newer one takes its place, and its turn */
        frame->count = box->frames[n].count;
        box->frames[n] = *frame;
        bus->replaced++;
    } else {
        frame->count = ++bus->pushed;
        if (!put(box, frame)) {
            return 0;
        }
    }
    if (!bus->on_bus) {
        bus->due_ns = t > bus->free_ns ? t : bus->free_ns;
    }
    return 1;
}

/* A node without power has nothing in its controllers, and gives nothing to them. */
void power(Buses *all, int powered)
{
    all->powered = powered;
    for (size_t n = 0; !powered && n < all->count; n++) {
        all->buses[n].mailbox.end = 0;
    }
}

/* What got through since this was asked last: rows of moment, token, moment of asking. */
size_t take_sent(Buses *all, int64_t *rows)
{
    size_t const count = all->sent.end;
    for (size_t n = 0; rows && n < count; n++) {
        const Frame *const one = &all->sent.frames[n];
        int64_t const row[3] = {one->at_ns, one->token, one->asked_ns};
        memcpy(rows + 3 * n, row, sizeof row);
    }
    all->sent.end = rows ? 0 : count;
    return count;
}

/* Busy time of the node's frames, and frames that a newer one replaced. */
void bus_figures(const Buses *all, size_t number, int64_t figures[2])
{
    figures[0] = all->buses[number].added_busy_ns;
    figures[1] = all->buses[number].replaced;
}

/*
 * Let time pass until the node's program, or something else in Python, has its turn. A frame that the program gave at
 * its last turn reaches its controller later than all that it gave before, and after what is timed for that moment.
 */
int advance(Buses *all)
{
    int64_t *const shared = all->shared;
    if (shared[GIVEN_TOKEN]) {
        int64_t const at = shared[EVENT_NS] + all->latency_ns;
        Frame const one = {at, 0, shared[GIVEN_BUS], shared[GIVEN_RANK], shared[GIVEN_TOKEN],
                           shared[GIVEN_DURATION_NS], at};
        shared[GIVEN_TOKEN] = 0;
        if (!put(&all->placed, &one)) {
            return NO_MEMORY;
        }
    }
    int64_t const node_due_ns = shared[NODE_DUE_NS];
    for (;;) {
        int64_t t = NEVER;
        Bus *first = NULL;
        int const polls = node_due_ns < NEVER;
        if (polls) {
            t = node_due_ns;
        }
        for (size_t n = 0; n < all->count; n++) {
            if (all->buses[n].due_ns < t) {
                first = &all->buses[n];
                t = first->due_ns;
            }
        }
        Frames *const placed = &all->placed;
        Frame *const next = placed->first < placed->end ? &placed->frames[placed->first] : NULL;
        int64_t const timed_ns = shared[TIMED_NS];
        int const mine = next && next->at_ns < timed_ns;
        int64_t const soonest = mine ? next->at_ns : timed_ns;
        if (soonest <= t) {
            if (soonest > shared[UNTIL_NS]) {
                return END;
            }
            shared[EVENT_NS] = soonest;
            if (!mine) {
                return TIMED;
            }
            Frame one = *next;
            placed->first++;
            int64_t const after = placed->first < placed->end ? placed->frames[placed->first].at_ns : INT64_MAX;
            int const alone = after > soonest && timed_ns > soonest;
            if (all->powered && !stand(&all->buses[one.bus], &one, soonest, alone)) {
                return NO_MEMORY;
            }
            continue;
        }
        if (t > shared[UNTIL_NS] || (!polls && !first)) {
            return END;
        }
        shared[EVENT_NS] = t;
        if (!first) {
            return POLL;
        }
        if (!first->live) {
            int64_t const k = first->k++;
            first->due_ns = first->heard_ns[k + 1];
            shared[EVENT_BUS] = first - all->buses;
            shared[EVENT_ROW] = first->heard_row[k];
            return RECEIVED;
        }
        if (first->on_bus && !first->delivered) {
            int64_t const row = first->row;
            int const heard = complete(all, first, t);
            if (heard < 0) {
                return NO_MEMORY;
            }
            if (heard) {
                shared[EVENT_BUS] = first - all->buses;
                shared[EVENT_ROW] = row;
                return RECEIVED;
            }
        } else {
            first->on_bus = 0;
            arbitrate(first, t);
        }
    }
}
