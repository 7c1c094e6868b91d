/* What the search works on, and sorting. */
#ifndef BAGRELAY_TYPES
#define BAGRELAY_TYPES

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST_PIECES 40
#define MOST_STATES 128
#define MOST_UNITS 8
#define CORNERS 48
#define GRID 67108864.0
#define HAIR 1e-9
#define FIRST_PASS 4
#define ROOTS 12
#define LENIENCE 1.06
#define MUCH 2.0

enum { RECTANGLE, ROUND, STADIUM };

typedef struct { double low, high, up; } Env;
typedef struct { int axis, left, right, right_turned, turned; } Made;
typedef struct { int start, end; double volume, mass, bears; } Group;
typedef struct { double along, across, up; int end, side; } Block;
typedef struct { double worth; int row; } Key;
typedef struct { double large, small; int row; } Step;
typedef struct { int left, right; } Pair;
typedef struct { int block, turned; double x, y, z; } Laid;
typedef struct { double width, length, size[3]; int turned, layout; } Point;
typedef struct { Point *points; int count; } Front;
typedef struct { int env, turned; } Part;

typedef struct {
    int units, pieces, fragile;
    double max_up;
    const double *circle;
    int counts[MOST_PIECES], blocks_from[MOST_PIECES + 1];
    double volume[MOST_PIECES], mass[MOST_PIECES], bears[MOST_PIECES];
    Block *blocks;
} Task;

typedef struct {
    double *large, *small, *best;
    int corners;
    double goods, roomiest;
} Ceiling;

typedef struct {
    const Task *task;
    Env *env; Made *made; int *group_of; int count, room;
    Group *groups; int group_count, group_room;
    Pair *pairs; int pair_count, pair_room;
    Env *cand; int cand_room;
    Key *keys, *spare; int key_room;
    Step *steps, *stair; int step_room, stair_count;
    int states, strides[MOST_PIECES], unit[MOST_PIECES], digits, top[MOST_PIECES];
    int known[MOST_STATES], size_of[MOST_STATES], digits_of[MOST_STATES][MOST_UNITS];
    int fragile, failed;
    double max_up;
} Search;

static void *grown(void *old, int *room, int wanted, size_t each, int *failed) {
    if (wanted <= *room) return old;
    int more = *room ? *room : 64;
    while (more < wanted) more *= 2;
    void *fresh = realloc(old, (size_t)more * each);
    if (!fresh) { *failed = 1; return old; }
    *room = more;
    return fresh;
}

static double least(double a, double b) { return a < b ? a : b; }
static double most(double a, double b) { return a > b ? a : b; }
static double slant(double flat, double rise) { return sqrt(flat * flat + rise * rise); }


static void sorted(Key *keys, Key *spare, int count) {
    for (int at = 0; at < count; at += 8) {
        int end = at + 8 < count ? at + 8 : count;
        for (int i = at + 1; i < end; i++) {
            Key one = keys[i];
            int j = i;
            for (; j > at && one.worth < keys[j - 1].worth; j--) keys[j] = keys[j - 1];
            keys[j] = one;
        }
    }
    Key *from = keys, *to = spare;
    for (int width = 8; width < count; width *= 2) {
        for (int at = 0; at < count; at += 2 * width) {
            int i = at, middle = at + width < count ? at + width : count;
            int j = middle, end = at + 2 * width < count ? at + 2 * width : count;
            for (int k = at; k < end; k++)
                to[k] = j >= end || (i < middle && from[i].worth <= from[j].worth) ? from[i++] : from[j++];
        }
        Key *swap = from; from = to; to = swap;
    }
    if (from != keys) memcpy(keys, from, (size_t)count * sizeof(Key));
}

/* A stair: the steps that no other is within, by rising `large`; of equals the first. */
static void stair_add(Step *stair, int *have, Step one) {
    int low = 0, high = *have;
    while (low < high) {
        int middle = (low + high) / 2;
        if (stair[middle].large <= one.large) low = middle + 1;
        else high = middle;
    }
    if (low > 0 && stair[low - 1].small <= one.small) return;
    int from = low > 0 && stair[low - 1].large == one.large ? low - 1 : low, to = low;
    while (to < *have && stair[to].small >= one.small) to++;
    memmove(&stair[from + 1], &stair[to], (size_t)(*have - to) * sizeof(Step));
    stair[from] = one;
    *have += 1 - (to - from);
}

static int stair_of(const Step *all, int count, Step *stair) {
    int have = 0;
    for (int i = 0; i < count; i++) stair_add(stair, &have, all[i]);
    return have;
}

#endif
