"""CP-SAT proves the least (across + up)(along + up) of a few boxes: the bounding-box optimum."""

from itertools import permutations

from ortools.sat.python import cp_model

Box = tuple[int, int, int]


def least_bounding_area(boxes: list[Box], seconds: float = 20.0) -> tuple[int, bool]:
    """The least W * L in mm2 for boxes in whole mm with free rotation; and whether it is proved."""
    model = cp_model.CpModel()
    reach = sum(max(box) for box in boxes)
    along, across, up = (model.new_int_var(1, reach, name) for name in ("along", "across", "up"))
    corners, sizes = [], []
    for box in boxes:
        corner = [model.new_int_var(0, reach, "") for _ in range(3)]
        size = [model.new_int_var(min(box), max(box), "") for _ in range(3)]
        model.add_allowed_assignments(size, sorted(set(permutations(box))))
        for at, extent, whole in zip(corner, size, (along, across, up), strict=True):
            model.add(at + extent <= whole)
        corners.append(corner)
        sizes.append(size)
    for i in range(len(boxes)):
        for j in range(i):
            apart = []
            for axis in range(3):
                for one, two in ((i, j), (j, i)):
                    literal = model.new_bool_var("")
                    model.add(
                        corners[one][axis] + sizes[one][axis] <= corners[two][axis]
                    ).only_enforce_if(literal)
                    apart.append(literal)
            model.add_bool_or(apart)
    width, length = (model.new_int_var(1, 2 * reach, name) for name in ("width", "length"))
    model.add(width == across + up)
    model.add(length == along + up)
    model.add(along <= across)
    area = model.new_int_var(1, 4 * reach * reach, "area")
    model.add_multiplication_equality(area, [width, length])
    model.minimize(area)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.max_time_in_seconds = seconds
    status = solver.solve(model)
    return int(solver.objective_value), status == cp_model.OPTIMAL
