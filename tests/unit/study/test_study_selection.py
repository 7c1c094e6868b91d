"""Which few sizes: held against every choice there is, and against CP-SAT, another solver."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ortools.sat.python import cp_model

from gateway.study import selection
from gateway.study.selection import MISSING, Choice, Ints, Table, choose

Rows = list[list[int]]
unhurried = settings(deadline=None)


@st.composite
def tables(draw: st.DrawFn, columns: int = 6, rows: int = 8) -> tuple[Ints, list[int]]:
    """Values with gaps, each row served by at least one column, and how often each row counts."""
    width = draw(st.integers(1, columns))
    cell = st.one_of(st.just(MISSING), st.integers(0, 40))
    row = st.lists(cell, min_size=width, max_size=width).filter(lambda r: max(r) != MISSING)
    found: Rows = draw(st.lists(row, min_size=1, max_size=rows))
    weights = draw(st.lists(st.integers(1, 9), min_size=len(found), max_size=len(found)))
    return np.array(found, dtype=np.int64), weights


def _worth(values: Ints, weights: list[int], columns: tuple[int, ...]) -> tuple[int, int]:
    """Rows missed and the excess of the others, worked out cell by cell."""
    missed = excess = 0
    for row, weight in zip(values.tolist(), weights, strict=True):
        open_ = [row[column] for column in columns if row[column] != MISSING]
        least = min(value for value in row if value != MISSING)
        if open_:
            excess += weight * (min(open_) - least)
        else:
            missed += weight
    return missed, excess


def _said(choice: Choice) -> tuple[int, int]:
    return choice.missed, choice.excess


@unhurried
@given(tables(), st.data())
def test_choice_is_the_best_of_all(given_: tuple[Ints, list[int]], data: st.DataObject) -> None:
    """Every set of so many columns is tried; what must be kept is in each."""
    values, weights = given_
    columns = range(values.shape[1])
    most = data.draw(st.integers(1, values.shape[1]))
    keep = data.draw(st.sets(st.sampled_from(columns), max_size=most))
    choice = choose(Table.of(values, weights), most, tuple(keep))
    every = [set(chosen) for chosen in combinations(columns, most) if keep <= set(chosen)]
    best = min(_worth(values, weights, tuple(chosen)) for chosen in every)
    assert best == _said(choice) == _worth(values, weights, choice.columns)
    assert choice.proved
    assert keep <= set(choice.columns)
    assert len(choice.columns) <= most


def _solved(values: Ints, weights: list[int], most: int) -> tuple[int, int]:
    """The same problem put to CP-SAT: the number missed, then the excess, in one number."""
    model = cp_model.CpModel()
    open_ = [model.new_bool_var(f"open {n}") for n in range(values.shape[1])]
    model.add(sum(open_) <= most)
    beyond = 1 + int(values.max()) * sum(weights)
    taken = []
    for place, (row, weight) in enumerate(zip(values.tolist(), weights, strict=True)):
        least = min(value for value in row if value != MISSING)
        missed = model.new_bool_var(f"missed {place}")
        served = [missed]
        taken.append(weight * beyond * missed)
        for column, value in enumerate(row):
            if value != MISSING:
                serves = model.new_bool_var(f"row {place} by {column}")
                model.add_implication(serves, open_[column])
                served.append(serves)
                taken.append(weight * (value - least) * serves)
        model.add_exactly_one(served)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    model.minimize(sum(taken))
    assert cp_model.OPTIMAL == solver.solve(model)
    missed_rows, excess = divmod(round(solver.objective_value), beyond)
    return missed_rows, excess


def _like_bags(columns: int, rows: int, seed: int) -> tuple[Ints, list[int]]:
    """Rectangles that must lie in rectangles, as goods in flat bags; the value is the area, cm2."""
    chance = np.random.default_rng(seed)
    width = chance.integers(150, 520, columns)
    length = (width * chance.uniform(1.1, 1.6, columns)).astype(int)
    across = chance.gamma(6, 32, rows)
    along = across * chance.uniform(1.0, 1.7, rows)
    fits = (width >= across[:, None]) & (length >= along[:, None])
    values = np.where(fits, 2 * width * length // 100, MISSING).astype(np.int64)
    values = values[(values != MISSING).any(axis=1)]
    return values, [int(n) for n in chance.integers(1, 30, len(values))]


@pytest.mark.parametrize(
    ("columns", "most", "seed"),
    [(10, 3, 1), (14, 4, 56), (14, 4, 65), (18, 6, 33), (18, 6, 48), (24, 5, 19), (24, 8, 77)],
)
def test_choice_agrees_with_cp_sat(columns: int, most: int, seed: int) -> None:
    """Both prove the same optimum for sizes and orders like those of a packing room. All but the
    first are such that taking one size after the other and exchanging single ones falls short."""
    values, weights = _like_bags(columns, 40, seed)
    choice = choose(Table.of(values, weights), most)
    assert choice.proved
    assert _solved(values, weights, most) == _said(choice)
    assert _worth(values, weights, choice.columns) == _said(choice)


@unhurried
@given(tables())
def test_one_more_size_is_never_worse(given_: tuple[Ints, list[int]]) -> None:
    """First fewer rows are missed, then less is taken."""
    table = Table.of(*given_)
    curve = [_said(choose(table, most)) for most in range(1, given_[0].shape[1] + 1)]
    assert curve == sorted(curve, reverse=True)
    assert (0, 0) == curve[-1]


@unhurried
@given(tables(), st.data())
def test_one_more_candidate_never_costs_more(
    given_: tuple[Ints, list[int]], data: st.DataObject
) -> None:
    """The rows that are served by fewer candidates are served at no higher value by more."""
    values, weights = given_
    extra = data.draw(
        st.lists(
            st.one_of(st.just(MISSING), st.integers(0, 40)),
            min_size=len(values),
            max_size=len(values),
        )
    )
    more = np.column_stack([values, np.array(extra, dtype=np.int64)])
    most = data.draw(st.integers(1, values.shape[1]))
    before, after = choose(Table.of(values, weights), most), choose(Table.of(more, weights), most)
    assert after.missed <= before.missed
    if before.missed == 0:
        assert _total(more, weights, after.columns) <= _total(values, weights, before.columns)


def _total(values: Ints, weights: list[int], columns: tuple[int, ...]) -> int:
    chosen = values[:, list(columns)]
    least = np.where(chosen == MISSING, 10**6, chosen).min(axis=1)
    return int(least @ np.array(weights))


@unhurried
@given(tables(), st.integers(0, 99))
def test_order_of_rows_and_columns_does_not_matter(
    given_: tuple[Ints, list[int]], seed: int
) -> None:
    """The same orders and candidates in another order are worth the same."""
    values, weights = given_
    rows = np.random.default_rng(seed).permutation(len(weights))
    columns = np.random.default_rng(seed).permutation(values.shape[1])
    mixed = Table.of(values[rows][:, columns], [weights[n] for n in rows])
    assert _said(choose(Table.of(values, weights), 2)) == _said(choose(mixed, 2))


def test_search_that_is_cut_short_says_how_far_it_may_be_off(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Without work to spend, the optimum lies between the bound and what was found."""
    values, weights = _like_bags(30, 200, 7)
    best = choose(Table.of(values, weights), 6)
    monkeypatch.setattr(selection, "_WORK", -1)
    cut = choose(Table.of(values, weights), 6)
    assert best.proved
    assert not cut.proved
    assert cut.bound <= best.excess <= cut.excess
    assert cut.missed == best.missed


def test_nothing_to_serve_chooses_what_is_kept() -> None:
    """No rows: no size is needed but those in stock."""
    table = Table.of(np.empty((0, 3), dtype=np.int64), [])
    assert ((), (1,)) == (choose(table, 2).columns, choose(table, 2, (1,)).columns)


def test_values_that_can_not_be_added_exactly_are_refused() -> None:
    """Rather than to overflow in silence."""
    values = np.array([[0, 2**40]], dtype=np.int64)
    with pytest.raises(OverflowError, match="exactly"):
        Table.of(values, [2**30])
