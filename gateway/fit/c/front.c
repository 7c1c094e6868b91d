/* The exact search for few pieces, compiled: the same steps in the same order as stackings.py,
 * pairs.py, ceiling.py, layout.py, girth.py and parts.py, so that both give the same answer to the
 * last bit. What each step is for is told there. Nothing is kept between calls.
 *
 * Compile without contraction of floating-point expressions (-ffp-contract=off).
 */
#include "girths.h"
#include "places.h"
#include "search.h"
#include "types.h"

/* ---- one state: its own front ---- */

static void begin(Search *in, const Task *task, const int *counts) {
    memset(in, 0, sizeof *in);
    in->task = task;
    in->max_up = task->max_up + 1e-6;
    for (int u = 0; u < task->units; u++)
        if (counts[u]) {
            in->unit[in->digits] = u;
            in->top[in->digits++] = counts[u];
            in->fragile |= task->bears[u] < INFINITY;
        }
    in->states = 1;
    for (int d = in->digits - 1; d >= 0; d--) {
        in->strides[d] = in->states;
        in->states *= in->top[d] + 1;
    }
    for (int state = 0; state < in->states; state++)
        for (int d = 0; d < in->digits; d++) {
            in->digits_of[state][d] = state / in->strides[d] % (in->top[d] + 1);
            in->size_of[state] += in->digits_of[state][d];
        }
    for (int d = 0; d < in->digits && !in->failed; d++) {
        int u = in->unit[d], start = in->count;
        for (int b = task->blocks_from[u]; b < task->blocks_from[u + 1]; b++) {
            const Block *block = &task->blocks[b];
            Env env = {ceil(block->along * GRID) / GRID, ceil(block->across * GRID) / GRID, ceil(block->up * GRID) / GRID};
            if (!(env.up <= in->max_up)) continue;
            if (!room_for_one(in)) return;
            in->env[in->count] = env;
            in->made[in->count] = (Made){-1, 0, b, 0, 0};
            in->group_of[in->count++] = in->group_count;
        }
        in->known[in->strides[d]] = group_add(in, (Group){start, in->count, task->volume[u], task->mass[u], task->bears[u]});
    }
}

static Group solved(Search *in, int pieces) {
    if (pieces < 4) return pass(in, pieces, 0, NULL);
    Group first = pass(in, pieces, FIRST_PASS, NULL);
    if (in->failed || !in->stair_count) return first;
    double goods = 0, need = 0, longest = 0, tallest = 0;
    for (int d = 0; d < in->digits; d++) {
        const Group *group = &in->groups[in->known[in->strides[d]]];
        double slim = INFINITY, reach = 0, lowest = INFINITY;
        for (int i = group->start; i < group->end; i++) {
            const Env *env = &in->env[i];
            slim = least(slim, env->low + env->up);
            reach = most(reach, most(env->high, env->up));
            lowest = least(lowest, env->up);
        }
        goods += group->volume * in->top[d];
        need = most(need, slim);
        longest += in->top[d] * reach;
        tallest = most(tallest, lowest);
    }
    Ceiling on;
    if (!ceiling_over(&on, in->stair, in->stair_count, goods, need, longest + tallest)) {
        in->failed = 1;
        return first;
    }
    Group whole = pass(in, pieces, 0, &on);
    free(on.large);
    return whole;
}

static int point_order(const Point *a, const Point *b) {
    return a->width != b->width ? a->width < b->width : a->length < b->length;
}

/* The front of these counts; layouts go to *layouts where it is wanted. */
static int own_front(const Task *task, const int *counts, int pieces, Front *front, Laid **layouts) {
    Search in;
    begin(&in, task, counts);
    Group whole = {0, 0, 0, 0, 0};
    if (!in.failed) whole = solved(&in, pieces);
    int roots = in.failed ? 0 : whole.end - whole.start;
    Point *points = malloc((size_t)(2 * roots + 1) * sizeof(Point));
    Laid *laid = malloc((size_t)(roots * pieces + 1) * sizeof(Laid));
    int good = !in.failed && points && laid;
    for (int i = 0; good && i < roots; i++) {
        Builder of = {&in, laid + i * pieces, 0, 0};
        place(&of, (Part){whole.start + i, 0}, 0, 0, 0);
        if (of.sinks) let_down(task, of.laid, pieces);
        good = measured(task, of.laid, pieces, &points[i]);
        points[i].layout = i;
        Point turn = points[i];
        turn.width = points[i].length;
        turn.length = points[i].width;
        turn.size[0] = points[i].size[1];
        turn.size[1] = points[i].size[0];
        turn.turned = 1;
        points[roots + i] = turn;
    }
    for (int i = 1; good && i < 2 * roots; i++) {
        Point one = points[i];
        int j = i;
        for (; j > 0 && point_order(&one, &points[j - 1]); j--) points[j] = points[j - 1];
        points[j] = one;
    }
    front->count = 0;
    for (int i = 0; good && i < 2 * roots; i++)
        if (!front->count || points[i].length < points[front->count - 1].length - HAIR)
            points[front->count++] = points[i];
    free(in.env); free(in.made); free(in.group_of); free(in.groups);
    free(in.pairs); free(in.cand); free(in.keys); free(in.spare); free(in.steps); free(in.stair);
    if (!good) { free(points); points = NULL; }
    if (good && layouts) *layouts = laid;
    else free(laid);
    front->points = points;
    return good;
}

/* ---- an order needs no less than its parts ---- */

static int by_width(const void *a, const void *b) {
    double p = *(const double *)a, q = *(const double *)b;
    return p < q ? -1 : p > q;
}

static int lifted(Front *own, Front *const *parts, int count) {
    int total = own->count, have = 0, kept = 0;
    for (int k = 0; k < count; k++) {
        total += parts[k]->count;
        if (!parts[k]->count) own->count = 0;
    }
    if (!own->count) return 1;
    double *widths = malloc((size_t)total * sizeof(double));
    Point *cut = malloc((size_t)total * sizeof(Point));
    if (!widths || !cut) { free(widths); free(cut); return 0; }
    for (int i = 0; i < own->count; i++) widths[have++] = own->points[i].width;
    for (int k = 0; k < count; k++)
        for (int i = 0; i < parts[k]->count; i++) widths[have++] = parts[k]->points[i].width;
    qsort(widths, (size_t)have, sizeof(double), by_width);
    for (int w = 0; w < have; w++) {
        int at = own->count - 1;
        while (at >= 0 && own->points[at].width > widths[w]) at--;
        if (at < 0) continue;
        double length = own->points[at].length;
        int holds = 1;
        for (int k = 0; k < count && holds; k++) {
            int i = parts[k]->count - 1;
            while (i >= 0 && parts[k]->points[i].width > widths[w]) i--;
            holds = i >= 0;
            if (holds) length = most(length, parts[k]->points[i].length);
        }
        if (!holds || (kept && !(length < cut[kept - 1].length - HAIR))) continue;
        cut[kept] = own->points[at];
        cut[kept].width = widths[w];
        cut[kept++].length = length;
    }
    free(widths);
    free(own->points);
    own->points = cut;
    own->count = kept;
    return 1;
}

static int proved(const Task *task, const int *counts, int pieces, const char *plain) {
    if (pieces == 1) return 1;
    if (pieces > 2) return 0;
    for (int u = 0; u < task->units; u++)
        if (counts[u] && !plain[u]) return 0;
    return 1;
}

static int fronts(const Task *task, const char *plain, Front *all, Laid **layouts, int *stride) {
    int states = 1;
    for (int u = task->units - 1; u >= 0; u--) {
        stride[u] = states;
        states *= task->counts[u] + 1;
    }
    for (int size = 2; size <= task->pieces; size++)
        for (int state = 1; state < states; state++) {
            int counts[MOST_PIECES], sum = 0, have = 0;
            for (int u = 0; u < task->units; u++) {
                counts[u] = state / stride[u] % (task->counts[u] + 1);
                sum += counts[u];
            }
            if (sum != size || proved(task, counts, sum, plain)) continue;
            if (!own_front(task, counts, sum, &all[state], state == states - 1 ? layouts : NULL)) return 0;
            Front *parts[MOST_PIECES];
            for (int u = 0; u < task->units; u++)
                if (counts[u] && all[state - stride[u]].points) parts[have++] = &all[state - stride[u]];
            if (have && !lifted(&all[state], parts, have)) return 0;
        }
    return states;
}

/* The front of some pieces.
 *
 * `given`: pieces, units, max_up; then for each unit its count, whether it is a plain box, volume,
 * mass (-1 unknown), what it bears (infinity for all), blocks; then for each block along, across,
 * up, and the sections seen from the end and the side. `circle`: 48 corners of the polygon round a
 * circle of radius 1. `points` takes 7 numbers for each point of the front (width, length, along,
 * across, up, turned, layout), `laid` for each point and piece block, turned, x, y, z.
 *
 * Returns the number of points; -1 where memory is out, -2 where more than `room` are found. */
int bagrelay_front(const double *given, const double *circle, double *points, double *laid, int room) {
    Task task = {0};
    char plain[MOST_PIECES];
    task.pieces = (int)given[0];
    task.units = (int)given[1];
    task.max_up = given[2];
    task.circle = circle;
    if (task.pieces > MOST_PIECES || task.units > MOST_UNITS) return -1;
    const double *next = given + 3;
    int blocks = 0, states = 1;
    for (int u = 0; u < task.units; u++, next += 6) {
        task.counts[u] = (int)next[0];
        plain[u] = next[1] != 0;
        task.volume[u] = next[2];
        task.mass[u] = next[3];
        task.bears[u] = next[4];
        task.blocks_from[u] = blocks;
        blocks += (int)next[5];
        states *= task.counts[u] + 1;
    }
    task.blocks_from[task.units] = blocks;
    if (states > MOST_STATES) return -1;
    task.blocks = malloc((size_t)blocks * sizeof(Block));
    Front *all = calloc((size_t)states, sizeof(Front));
    if (!task.blocks || !all) { free(task.blocks); free(all); return -1; }
    for (int b = 0; b < blocks; b++, next += 5)
        task.blocks[b] = (Block){next[0], next[1], next[2], (int)next[3], (int)next[4]};
    int stride[MOST_PIECES], count = -1;
    Laid *layouts = NULL;
    if (fronts(&task, plain, all, &layouts, stride)) {
        const Front *whole = &all[states - 1];
        count = whole->count <= room ? whole->count : -2;
        for (int i = 0; i < count; i++) {
            const Point *p = &whole->points[i];
            double row[7] = {p->width, p->length, p->size[0], p->size[1], p->size[2], p->turned, p->layout};
            memcpy(points + 7 * i, row, sizeof row);
            for (int k = 0; k < task.pieces; k++) {
                const Laid *one = &layouts[p->layout * task.pieces + k];
                double at[5] = {one->block, one->turned, one->x, one->y, one->z};
                memcpy(laid + 5 * (i * task.pieces + k), at, sizeof at);
            }
        }
    }
    for (int s = 0; s < states; s++) free(all[s].points);
    free(all);
    free(layouts);
    free(task.blocks);
    return count;
}

/* The floor under two boxes among others, as in bound.py: `given` says how many poses each has and
 * whether one may lie on the other, then along, across, up of each pose. Least need and product. */
static double beside(double p1, double c1, double p2, double c2) {
    double tall = c1 >= c2 ? p1 : p2, low = c1 >= c2 ? p2 : p1;
    return tall + (c1 + c2) / 2 + slant(low, (c1 - c2) / 2);
}

static double past(double q1, double c1, double q2, double c2) {
    double wide = q1 < q2 ? q2 : q1, narrow = q1 < q2 ? q1 : q2;
    double front = q1 < q2 ? c2 : c1, back = q1 < q2 ? c1 : c2;
    return back <= front ? wide + front : narrow + front + slant(wide - narrow, back - front);
}

static void lower(double *floor, double one, double two) {
    floor[0] = least(floor[0], least(one, two));
    floor[1] = least(floor[1], one * two);
}

void bagrelay_floor(const double *given, double *floor) {
    int first = (int)given[0], second = (int)given[1], over = given[2] != 0;
    const double *one = given + 3, *others = one + 3 * first;
    floor[0] = floor[1] = INFINITY;
    for (int i = 0; i < first; i++, one += 3)
        for (int j = 0; j < second; j++) {
            const double *two = others + 3 * j;
            double a1 = one[0], b1 = one[1], c1 = one[2], c2 = two[2];
            for (int turned = 0; turned < 2; turned++) {
                double a2 = two[turned], b2 = two[1 - turned];
                lower(floor, beside(a1, c1, a2, c2), past(b1, c1, b2, c2));
                lower(floor, past(a1, c1, a2, c2), beside(b1, c1, b2, c2));
            }
            if (over) lower(floor, stacked(a1, c1, two[0], c2), stacked(b1, c1, two[1], c2));
        }
}
