/* All stackings, as stackings.py, pairs.py and ceiling.py make them. */
#ifndef BAGRELAY_SEARCH
#define BAGRELAY_SEARCH

#include "types.h"

static double adjacent(double p1, double c1, double p2, double c2) {
    double tall = c1 >= c2 ? p1 : p2;
    return (p1 + p2 + c1 + c2 + tall + slant(p1 + p2 - tall, c1 - c2)) / 2;
}

static double behind(double q1, double c1, double q2, double c2) {
    double wide = most(q1, q2), narrow = least(q1, q2);
    double under = q1 >= q2 ? c1 : c2, over = most(most(c1, c2) - under, 0);
    return over > 0 ? (wide + narrow) / 2 + under + slant((wide - narrow) / 2, over) : wide + under;
}

static double stacked(double w1, double c1, double w2, double c2) {
    double wide = most(w1, w2), narrow = least(w1, w2);
    double under = w1 >= w2 ? c1 : c2, over = w1 >= w2 ? c2 : c1;
    return (wide + narrow) / 2 + under + slant((wide - narrow) / 2, over);
}

static void needs(const Env *one, const Env *two, int way, int was_turned, double *along, double *across) {
    double joined, other;
    int swap = was_turned;
    if (way < 4) {
        int crossed = way % 2 == 1, straight = crossed == (way >= 2);
        double p1 = crossed ? one->high : one->low, q1 = crossed ? one->low : one->high;
        double p2 = straight ? two->low : two->high, q2 = straight ? two->high : two->low;
        joined = adjacent(p1, one->up, p2, two->up);
        other = behind(q1, one->up, q2, two->up);
        swap ^= crossed;
    } else {
        joined = stacked(one->low, one->up, two->low, two->up);
        other = stacked(one->high, one->up, two->high, two->up);
    }
    *along = swap ? other : joined;
    *across = swap ? joined : other;
}

/* ---- the ceiling ---- */

static int ceiling_over(Ceiling *on, const Step *stair, int count, double goods, double need, double reach) {
    on->large = malloc((size_t)(3 * count + 3) * sizeof(double));
    if (!on->large) return 0;
    on->small = on->large + count + 1;
    on->best = on->small + count + 1;
    on->goods = goods * (1 - 1e-9);
    on->roomiest = 0;
    on->corners = 0;
    for (int i = 0; i <= count; i++) {
        double x = i < count ? stair[i].large * (1 + 1e-9) : most(reach, stair[count - 1].large * (1 + 1e-9));
        double y = i == 0 ? stair[0].large * (1 + 1e-9) : stair[i - 1].small * (1 + 1e-9);
        double best = (x + y - sqrt(x * x - x * y + y * y)) / 3;
        double room = (x - best) * (y - best) * best;
        on->roomiest = most(on->roomiest, room);
        if (room >= goods && y >= need) {
            on->large[on->corners] = x;
            on->small[on->corners] = y;
            on->best[on->corners++] = best;
        }
    }
    return 1;
}

static int may_come_below(const Ceiling *on, const Env *env, double within) {
    double volume = on->goods - within + env->low * env->high * env->up;
    if (!(volume <= on->roomiest)) return 0;
    for (int i = 0; i < on->corners; i++) {
        double under = on->small[i] - env->low;
        if (!(under >= env->up)) return 0; /* small falls from corner to corner */
        double tallest = least(on->large[i] - env->high, under);
        if (!(tallest >= env->up)) continue;
        double height = least(most(on->best[i], env->up), tallest);
        double room = on->large[i] - height;
        room *= on->small[i] - height;
        room *= height;
        if (room >= volume) return 1;
    }
    return 0;
}

static int near_it(const Step *stair, int count, double large, double small) {
    int low = 0, high = count;
    while (low < high) {
        int middle = (low + high) / 2;
        if (stair[middle].large * LENIENCE <= large) low = middle + 1;
        else high = middle;
    }
    return low == 0 || small < stair[low - 1].small * LENIENCE;
}

/* ---- joins ---- */

static int may_lie_on(const Group *one, const Group *other) {
    return other->bears == INFINITY || (0 <= one->mass && one->mass <= other->bears);
}

static void join(const Env *one, const Env *two, int way, Env *made, int *turned) {
    double along, across;
    switch (way) {
    case 0: along = one->low + two->low; across = most(one->high, two->high); break;
    case 1: along = most(one->low, two->low); across = one->high + two->high; break;
    case 2: along = one->low + two->high; across = most(one->high, two->low); break;
    case 3: along = most(one->low, two->high); across = one->high + two->low; break;
    default: along = most(one->low, two->low); across = most(one->high, two->high);
    }
    made->low = least(along, across);
    made->high = most(along, across);
    made->up = way < 4 ? most(one->up, two->up) : one->up + two->up;
    *turned = along > across;
}

/* Room for one more envelope in the three arrays, which grow together; whether it is there. */
static int room_for_one(Search *in) {
    int room = in->room;
    in->env = grown(in->env, &room, in->count + 1, sizeof(Env), &in->failed);
    room = in->room;
    in->made = grown(in->made, &room, in->count + 1, sizeof(Made), &in->failed);
    in->group_of = grown(in->group_of, &in->room, in->count + 1, sizeof(int), &in->failed);
    return !in->failed;
}

static void keep(Search *in, int row, int group) {
    int way = row / in->pair_count;
    Pair pair = in->pairs[row % in->pair_count];
    if (!room_for_one(in)) return;
    Env made;
    int turned;
    join(&in->env[pair.left], &in->env[pair.right], way, &made, &turned);
    in->env[in->count] = made;
    in->made[in->count] = (Made){way == 4 ? 2 : way % 2, pair.left, pair.right, way == 2 || way == 3, turned};
    in->group_of[in->count++] = group;
}

static int undominated(Search *in, int *rows, int count) {
    for (int i = 0; i < count; i++) {
        const Env *env = &in->cand[i];
        in->keys[i] = (Key){env->low + env->high + env->up, i};
    }
    sorted(in->keys, in->spare, count);
    int kept = 0, *row = malloc((size_t)(count + 1) * sizeof(int));
    Env *best = malloc((size_t)(count + 1) * sizeof(Env));
    if (!best || !row) { free(best); free(row); in->failed = 1; return 0; }
    memcpy(row, rows, (size_t)count * sizeof(int));
    for (int i = 0; i < count; i++) {
        const Env *env = &in->cand[in->keys[i].row];
        int covered = 0;
        for (int j = 0; j < kept && !covered; j++)
            covered = best[j].low <= env->low && best[j].high <= env->high && best[j].up <= env->up;
        if (!covered) { best[kept] = *env; rows[kept++] = row[in->keys[i].row]; }
    }
    free(best);
    free(row);
    return kept;
}

static int by_number(const void *a, const void *b) { return *(const int *)a - *(const int *)b; }

static int few_best(Search *in, int *rows, int count, int wanted) {
    double worth[2][FIRST_PASS];
    int row[2][FIRST_PASS], have[2] = {0, 0}, limit[2] = {wanted, wanted / 2};
    for (int i = 0; i < count; i++) {
        const Env *env = &in->cand[i];
        double slim = env->low + env->up, both[2] = {slim * (env->high + env->up), slim};
        for (int of = 0; of < 2; of++) {
            int at = have[of], known = 0;
            while (at > 0 && worth[of][at - 1] >= both[of]) known |= worth[of][--at] == both[of];
            if (known || at >= limit[of]) continue;
            if (have[of] < limit[of]) have[of]++;
            for (int j = have[of] - 1; j > at; j--) { worth[of][j] = worth[of][j - 1]; row[of][j] = row[of][j - 1]; }
            worth[of][at] = both[of];
            row[of][at] = rows[i];
        }
    }
    int kept = 0;
    for (int of = 0; of < 2; of++)
        for (int i = 0; i < have[of]; i++) {
            int known = 0;
            for (int j = 0; j < kept; j++) known |= rows[j] == row[of][i];
            if (!known) rows[kept++] = row[of][i];
        }
    qsort(rows, (size_t)kept, sizeof(int), by_number);
    return kept;
}

static int roots_of(Search *in, int *rows, int count, int pieces) {
    int left = 0;
    for (int i = 0; i < count; i++) {
        const Env *env = &in->cand[i];
        if (near_it(in->stair, in->stair_count, env->high + env->up, env->low + env->up)) rows[left++] = rows[i];
    }
    for (int i = 0; i < left; i++) {
        int way = rows[i] / in->pair_count, turned;
        Pair pair = in->pairs[rows[i] % in->pair_count];
        Env made;
        double along, across;
        join(&in->env[pair.left], &in->env[pair.right], way, &made, &turned);
        needs(&in->env[pair.left], &in->env[pair.right], way, turned, &along, &across);
        in->steps[i] = (Step){most(along, across), least(along, across), rows[i]};
    }
    int wanted = pieces < 3 ? 1 : ROOTS, kept = 0;
    while (left && wanted > 0) {
        Step *stair = in->steps + left;
        int layer = stair_of(in->steps, left, stair), rest = 0;
        for (int i = 0; i < layer; i++) rows[kept++] = stair[i].row;
        wanted -= layer;
        if (wanted <= 0) break;
        for (int i = 0; i < left; i++) {
            int chosen = 0;
            for (int j = 0; j < layer && !chosen; j++) chosen = stair[j].row == in->steps[i].row;
            if (!chosen) in->steps[rest++] = in->steps[i];
        }
        left = rest;
    }
    return kept;
}

/* The joins of a state that are thin enough, may bear, and may come below the ceiling; of the whole
 * those that may lie near the stair of them all, which is made on the way. */
static int *joins_of(Search *in, int state, int last, const Ceiling *on, Group *whole, int *alive) {
    const int *digits = in->digits_of[state];
    int splits = 0;
    char bears[MOST_STATES];
    int ends[MOST_STATES];
    in->pair_count = 0;
    for (int one = 1; 2 * one <= state; one++) {
        int within = 1;
        for (int d = 0; d < in->digits && within; d++)
            within = one / in->strides[d] % (in->top[d] + 1) <= digits[d];
        if (!within) continue;
        int other = state - one;
        const Group *a = &in->groups[in->known[one]], *b = &in->groups[in->known[other]];
        if (splits == 0) {
            int known = a->mass >= 0 && b->mass >= 0;
            *whole = (Group){0, 0, a->volume + b->volume, known ? a->mass + b->mass : -1.0, least(a->bears, b->bears)};
        }
        int wanted = in->pair_count + (a->end - a->start) * (b->end - b->start);
        in->pairs = grown(in->pairs, &in->pair_room, wanted, sizeof(Pair), &in->failed);
        if (in->failed) return NULL;
        for (int i = a->start; i < a->end; i++)
            for (int j = one == other ? i : b->start; j < b->end; j++)
                in->pairs[in->pair_count++] = (Pair){i, j};
        bears[splits] = !in->fragile || may_lie_on(a, b) || may_lie_on(b, a);
        ends[splits++] = in->pair_count;
    }
    int total = 5 * in->pair_count, room = in->key_room;
    in->cand = grown(in->cand, &in->cand_room, total + 1, sizeof(Env), &in->failed);
    in->keys = grown(in->keys, &room, total + 1, sizeof(Key), &in->failed);
    in->spare = grown(in->spare, &in->key_room, total + 1, sizeof(Key), &in->failed);
    room = in->step_room;
    in->steps = grown(in->steps, &room, 2 * total + 1, sizeof(Step), &in->failed);
    in->stair = grown(in->stair, &in->step_room, 2 * total + 1, sizeof(Step), &in->failed);
    int *rows = in->failed ? NULL : malloc((size_t)(total + 1) * sizeof(int));
    if (!rows) { in->failed = 1; return NULL; }
    *alive = in->stair_count = 0;
    for (int way = 0; way < 5; way++)
        for (int pair = 0, split = 0; pair < in->pair_count; pair++) {
            while (pair >= ends[split]) split++;
            if (way == 4 && !bears[split]) continue;
            int turned;
            Env *env = &in->cand[*alive];
            join(&in->env[in->pairs[pair].left], &in->env[in->pairs[pair].right], way, env, &turned);
            if (!(env->up <= in->max_up)) continue;
            if (last) {
                Step step = {env->high + env->up, env->low + env->up, 0};
                if (!near_it(in->stair, in->stair_count, step.large, step.small)) continue;
                stair_add(in->stair, &in->stair_count, step);
            } else if (on && !may_come_below(on, env, whole->volume)) continue;
            rows[(*alive)++] = way * in->pair_count + pair;
        }
    return rows;
}

static int group_add(Search *in, Group group) {
    in->groups = grown(in->groups, &in->group_room, in->group_count + 1, sizeof(Group), &in->failed);
    if (!in->failed) in->groups[in->group_count] = group;
    return in->group_count++;
}

/* One pass over all states, small ones first. The group of the whole; or with `few` nothing but the
 * stair of whole stackings, in in->stair. */
static Group pass(Search *in, int pieces, int few, const Ceiling *on) {
    Group whole = {0, 0, 0, 0, 0};
    for (int size = 2; size <= pieces; size++)
        for (int state = 1; state < in->states; state++) {
            if (in->size_of[state] != size) continue;
            int alive, kept = 0, last = size == pieces;
            int *rows = joins_of(in, state, last, on, &whole, &alive);
            if (!rows) return whole;
            if (last && few) {
                free(rows);
                return whole;
            }
            if (last) kept = roots_of(in, rows, alive, pieces);
            else if (few) kept = few_best(in, rows, alive, few);
            else kept = undominated(in, rows, alive);
            whole.start = in->count;
            int group = in->group_count;
            for (int i = 0; i < kept && !in->failed; i++) keep(in, rows[i], group);
            whole.end = in->count;
            free(rows);
            in->known[state] = group_add(in, whole);
            if (in->failed) return whole;
        }
    return whole;
}

#endif
