/* Needs of laid goods, as in girth.py and hull.py. */
#ifndef BAGRELAY_GIRTHS
#define BAGRELAY_GIRTHS

#include "types.h"
#include "places.h"

typedef struct { double a, b; } Spot;

static double chain_length(const Spot *spots, int count) {
    Spot chain[2 * MOST_PIECES + 1];
    int have = 0;
    for (int i = 0; i < count; i++) {
        while (have > 1) {
            Spot one = chain[have - 2], two = chain[have - 1];
            if ((two.b - one.b) * (spots[i].a - one.a) > (spots[i].b - one.b) * (two.a - one.a)) break;
            have--;
        }
        chain[have++] = spots[i];
    }
    double length = 0;
    for (int i = 1; i < have; i++) length += slant(chain[i].a - chain[i - 1].a, chain[i].b - chain[i - 1].b);
    return length;
}

typedef struct { double level, right, left; } Level;

static double rectangles_half_girth(const double (*seen)[4], int count) {
    Level levels[2 * MOST_PIECES];
    int have = 0, even = 1;
    double middle = seen[0][0] + seen[0][1];
    for (int i = 0; i < count; i++) {
        for (int k = 2; k < 4; k++) {
            double level = seen[i][k];
            int at = have;
            while (at > 0 && levels[at - 1].level > level) at--;
            if (at > 0 && levels[at - 1].level == level) {
                levels[at - 1].right = most(levels[at - 1].right, seen[i][1]);
                levels[at - 1].left = least(levels[at - 1].left, seen[i][0]);
                continue;
            }
            memmove(&levels[at + 1], &levels[at], (size_t)(have - at) * sizeof(Level));
            levels[at] = (Level){level, seen[i][1], seen[i][0]};
            have++;
        }
        even = even && fabs(seen[i][0] + seen[i][1] - middle) < HAIR;
    }
    const Level *floor = &levels[0], *roof = &levels[have - 1];
    double edges = floor->right - floor->left + roof->right - roof->left;
    Spot spots[2 * MOST_PIECES];
    for (int i = 0; i < have; i++) spots[i] = (Spot){levels[i].level, levels[i].right};
    double outer = chain_length(spots, have), inner = outer;
    if (!even) {
        for (int i = 0; i < have; i++) spots[i].b = -levels[i].left;
        inner = chain_length(spots, have);
    }
    return (edges + outer + inner) / 2;
}

static int spot_order(const void *one, const void *two) {
    const Spot *p = one, *q = two;
    if (p->a != q->a) return p->a < q->a ? -1 : 1;
    return p->b == q->b ? 0 : p->b < q->b ? -1 : 1;
}

static int chained(const Spot *spots, int count, int step, Spot *chain) {
    int have = 0;
    for (int i = 0; i < count; i++) {
        Spot spot = spots[i * step];
        while (have > 1) {
            Spot one = chain[have - 2], two = chain[have - 1];
            if ((two.a - one.a) * (spot.b - one.b) > (two.b - one.b) * (spot.a - one.a)) break;
            have--;
        }
        chain[have++] = spot;
    }
    return have;
}

static double half_girth(Spot *spots, int count) {
    qsort(spots, (size_t)count, sizeof(Spot), spot_order);
    int have = 0;
    for (int i = 0; i < count; i++)
        if (i == 0 || spot_order(&spots[i], &spots[have - 1])) spots[have++] = spots[i];
    Spot *ring = malloc((size_t)(2 * have + 2) * sizeof(Spot));
    if (!ring) return -1;
    int around = have;
    if (have < 3) memcpy(ring, spots, (size_t)have * sizeof(Spot));
    else {
        around = chained(spots, have, 1, ring) - 1;
        around += chained(spots + have - 1, have, -1, ring + around) - 1;
    }
    double length = 0;
    Spot previous = ring[around - 1];
    for (int i = 0; i < around; i++) {
        length += slant(ring[i].a - previous.a, ring[i].b - previous.b);
        previous = ring[i];
    }
    free(ring);
    return length / 2;
}

static int outline(Spot *to, int section, double y, double z, double dy, double dz, const double *circle) {
    if (section == RECTANGLE) {
        to[0] = (Spot){y, z};
        to[1] = (Spot){y + dy, z};
        to[2] = (Spot){y, z + dz};
        to[3] = (Spot){y + dy, z + dz};
        return 4;
    }
    double a = dy / 2, b = dz / 2, r = least(dy, dz) / 2, right = y + dy - r, top = z + dz - r;
    for (int i = 0; i < CORNERS; i++) {
        double u = circle[2 * i], v = circle[2 * i + 1];
        to[i] = section == ROUND ? (Spot){y + a + a * u, z + b + b * v}
                                 : (Spot){(u > 0 ? right : y + r) + r * u, (v > 0 ? top : z + r) + r * v};
    }
    return CORNERS;
}

static double view_half_girth(const Task *task, const Laid *laid, int count, const double (*seen)[4], int end) {
    int round = 0;
    for (int i = 0; i < count; i++) {
        const Block *block = &task->blocks[laid[i].block];
        round |= (end != laid[i].turned ? block->end : block->side) != RECTANGLE;
    }
    if (!round) return rectangles_half_girth(seen, count);
    Spot *spots = malloc((size_t)count * 4 * CORNERS * sizeof(Spot));
    if (!spots) return -1;
    int have = 0;
    for (int i = 0; i < count; i++) {
        const Block *block = &task->blocks[laid[i].block];
        int section = end != laid[i].turned ? block->end : block->side;
        double dx, dy, dz;
        sides(task, &laid[i], &dx, &dy, &dz);
        double flat = end ? dy : dx, low = seen[i][0], high = low + flat - flat;
        double under = laid[i].z, over = under + dz - dz;
        for (int k = 0; k < 4; k++) {
            if ((k & 1 && high == low) || (k & 2 && over == under)) continue;
            have += outline(spots + have, section, k & 1 ? high : low, k & 2 ? over : under, flat, dz, task->circle);
        }
    }
    double found = half_girth(spots, have);
    free(spots);
    return found;
}

static int measured(const Task *task, const Laid *laid, int count, Point *point) {
    double ends[MOST_PIECES][4], along[MOST_PIECES][4], low[2] = {INFINITY, INFINITY}, high[3] = {0, 0, 0};
    for (int i = 0; i < count; i++) {
        double dx, dy, dz;
        sides(task, &laid[i], &dx, &dy, &dz);
        double top = laid[i].z + dz;
        double end[4] = {laid[i].y, laid[i].y + dy, laid[i].z, top}, side[4] = {laid[i].x, laid[i].x + dx, laid[i].z, top};
        memcpy(ends[i], end, sizeof end);
        memcpy(along[i], side, sizeof side);
        low[0] = least(low[0], side[0]);
        low[1] = least(low[1], end[0]);
        high[0] = most(high[0], side[1]);
        high[1] = most(high[1], end[1]);
        high[2] = most(high[2], top);
    }
    point->width = view_half_girth(task, laid, count, (const double (*)[4])ends, 1);
    point->length = view_half_girth(task, laid, count, (const double (*)[4])along, 0);
    point->size[0] = high[0] - low[0];
    point->size[1] = high[1] - low[1];
    point->size[2] = high[2];
    point->turned = 0;
    return point->width >= 0 && point->length >= 0;
}

#endif
