/* A stacking as places, as in layout.py. */
#ifndef BAGRELAY_PLACES
#define BAGRELAY_PLACES

#include "types.h"
#include "search.h"

typedef struct { Search *in; Laid *laid; int count, sinks; } Builder;

static void parts_of(const Search *in, Part whole, int *axis, Part *left, Part *right) {
    const Made *made = &in->made[whole.env];
    int turned = whole.turned != made->turned;
    *axis = turned && made->axis < 2 ? 1 - made->axis : made->axis;
    *left = (Part){made->left, turned};
    *right = (Part){made->right, turned != made->right_turned};
}

static void by_worth(Part *row, const double *worth, int count) {
    double own[MOST_PIECES];
    memcpy(own, worth, (size_t)count * sizeof(double));
    for (int i = 1; i < count; i++) {
        Part one = row[i];
        double value = own[i];
        int j = i;
        for (; j > 0 && value < own[j - 1]; j--) { row[j] = row[j - 1]; own[j] = own[j - 1]; }
        row[j] = one;
        own[j] = value;
    }
}

static void greatest_in_the_middle(Part *row, int count) {
    Part own[MOST_PIECES];
    memcpy(own, row, (size_t)count * sizeof(Part));
    int at = 0;
    for (int i = 0; i < count; i += 2) row[at++] = own[i];
    for (int i = count - 1 - count % 2; i > 0; i -= 2) row[at++] = own[i];
}

static double mass_of(const Search *in, Part part) { return in->groups[in->group_of[part.env]].mass; }
static double face_of(const Search *in, Part part) { return in->env[part.env].low * in->env[part.env].high; }

static int lighter(const Search *in, Part one, Part two) {
    double a = mass_of(in, one), b = mass_of(in, two);
    return a != b ? a < b : face_of(in, one) < face_of(in, two);
}

static void pile(Builder *of, Part *row, int count) {
    const Search *in = of->in;
    double worth[MOST_PIECES], heavy = -2, light = INFINITY;
    for (int i = 0; i < count; i++) {
        of->sinks |= in->made[row[i].env].axis >= 0;
        heavy = most(heavy, mass_of(in, row[i]));
        light = least(light, mass_of(in, row[i]));
        worth[i] = face_of(in, row[i]);
    }
    if (count > 2 && !(heavy > most(MUCH * light, 0))) {
        by_worth(row, worth, count);
        greatest_in_the_middle(row, count);
        return;
    }
    for (int i = 1; i < count; i++) {
        Part one = row[i];
        int j = i;
        for (; j > 0 && lighter(in, row[j - 1], one); j--) row[j] = row[j - 1];
        row[j] = one;
    }
}

static void two_in_a_pile(Builder *of, Part *row) {
    const Search *in = of->in;
    of->sinks |= in->made[row[0].env].axis >= 0 || in->made[row[1].env].axis >= 0;
    const Group *one = &in->groups[in->group_of[row[0].env]], *two = &in->groups[in->group_of[row[1].env]];
    int swap = !may_lie_on(two, one) || (may_lie_on(one, two) && lighter(in, row[0], row[1]));
    if (swap) { Part left = row[0]; row[0] = row[1]; row[1] = left; }
}

static int row_of(Builder *of, Part whole, int *axis, Part *row) {
    const Search *in = of->in;
    Part waiting[MOST_PIECES + 1], left, right;
    parts_of(in, whole, axis, &left, &right);
    if (*axis == 2 && in->fragile) {
        row[0] = left;
        row[1] = right;
        two_in_a_pile(of, row);
        return 2;
    }
    int count = 0, queue = 2;
    waiting[0] = left;
    waiting[1] = right;
    while (queue) {
        Part one = waiting[--queue];
        if (in->made[one.env].axis >= 0) {
            int inner;
            parts_of(in, one, &inner, &left, &right);
            if (inner == *axis) { waiting[queue++] = left; waiting[queue++] = right; continue; }
        }
        row[count++] = one;
    }
    if (*axis == 2) pile(of, row, count);
    else if (count > 2) {
        double worth[MOST_PIECES];
        for (int i = 0; i < count; i++) worth[i] = in->env[row[i].env].up;
        by_worth(row, worth, count);
        greatest_in_the_middle(row, count);
    }
    return count;
}

static void place(Builder *of, Part whole, double x, double y, double z) {
    const Search *in = of->in;
    if (in->made[whole.env].axis < 0) {
        of->laid[of->count++] = (Laid){in->made[whole.env].right, whole.turned, x, y, z};
        return;
    }
    Part row[MOST_PIECES];
    int axis, count = row_of(of, whole, &axis, row);
    Env env = in->env[whole.env];
    double along = whole.turned ? env.high : env.low, across = whole.turned ? env.low : env.high;
    for (int i = 0; i < count; i++) {
        env = in->env[row[i].env];
        double dx = row[i].turned ? env.high : env.low, dy = row[i].turned ? env.low : env.high;
        if (axis == 0) { place(of, row[i], x, y + (across - dy) / 2, z); x += dx; }
        else if (axis == 1) { place(of, row[i], x + (along - dx) / 2, y, z); y += dy; }
        else { place(of, row[i], x + (along - dx) / 2, y + (across - dy) / 2, z); z += env.up; }
    }
}

static void sides(const Task *task, const Laid *one, double *dx, double *dy, double *dz) {
    const Block *block = &task->blocks[one->block];
    *dx = one->turned ? block->across : block->along;
    *dy = one->turned ? block->along : block->across;
    *dz = block->up;
}

static void let_down(const Task *task, Laid *laid, int count) {
    for (int i = 1; i < count; i++) {
        Laid one = laid[i];
        int j = i;
        for (; j > 0 && one.z < laid[j - 1].z; j--) laid[j] = laid[j - 1];
        laid[j] = one;
    }
    for (int i = 0; i < count; i++) {
        Laid *one = &laid[i];
        if (!(one->z > 0)) continue;
        double a, b, c, floor = 0;
        sides(task, one, &a, &b, &c);
        for (int j = 0; j < i; j++) {
            double p, q, r;
            const Laid *two = &laid[j];
            sides(task, two, &p, &q, &r);
            if (two->x < one->x + a - HAIR && one->x < two->x + p - HAIR && two->y < one->y + b - HAIR &&
                one->y < two->y + q - HAIR)
                floor = most(floor, two->z + r);
        }
        one->z = floor;
    }
}

#endif
