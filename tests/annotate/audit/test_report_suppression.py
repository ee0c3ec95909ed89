from itertools import product

import numpy as np
import pytest

from annotate.audit.report_suppression import Sum, hidden_cells

LEAST = 5


def table_of(cells):
    """Counts and sums of a two-way table with its margins."""
    rows, columns = range(len(cells)), range(len(cells[0]))
    counts = {("cell", f"{r}", f"{c}"): int(cells[r][c]) for r, c in product(rows, columns)}
    sums = []
    for r in rows:
        parts = tuple(("cell", f"{r}", f"{c}") for c in columns)
        sums.append(Sum(("row", f"{r}"), parts))
    for c in columns:
        parts = tuple(("cell", f"{r}", f"{c}") for r in rows)
        sums.append(Sum(("column", f"{c}"), parts))
    sums.append(Sum(("all",), tuple(("row", f"{r}") for r in rows)))
    sums.append(Sum(("all",), tuple(("column", f"{c}") for c in columns)))
    for one in sums:
        counts[one.total] = sum(counts[part] for part in one.parts)
    return counts, sums


def test_nothing_small_hides_nothing():
    counts, sums = table_of([[7, 0, 12], [30, 5, 9]])
    assert hidden_cells(counts, sums, LEAST) == frozenset()


def test_a_single_small_cell_takes_others_with_it_so_that_no_subtraction_helps():
    counts, sums = table_of([[2, 20, 30], [10, 11, 12], [40, 41, 42]])
    hidden = hidden_cells(counts, sums, LEAST)
    assert ("cell", "0", "0") in hidden
    assert ("all",) not in hidden
    for one in sums:
        assert len(hidden & {one.total, *one.parts}) != 1


def test_two_small_cells_under_a_shown_total_are_not_small_together():
    one = Sum(("all",), (("a",), ("b",), ("c",), ("d",)))
    counts = {("all",): 103, ("a",): 1, ("b",): 2, ("c",): 40, ("d",): 60}
    hidden = hidden_cells(counts, [one], LEAST)
    assert hidden == {("a",), ("b",), ("c",)}


def test_a_small_total_is_hidden_with_a_part():
    one = Sum(("all",), (("a",), ("b",)))
    assert hidden_cells({("all",): 4, ("a",): 4, ("b",): 0}, [one], LEAST) == {("all",), ("a",)}


def test_a_cell_between_two_rings_of_hidden_cells_is_found_and_covered(attacker):
    """Two in every row and column, and still fixed: the rows of the upper ring less its columns leave one cell."""
    cells = [[3, 3, 50, 50], [3, 3, 3, 50], [50, 50, 3, 3], [50, 50, 3, 3]]
    counts, sums = table_of(cells)
    hidden = hidden_cells(counts, sums, LEAST)
    low, high = attacker(("cell", "1", "2"), counts, [(one.total, one.parts) for one in sums], hidden)
    assert high - low >= 1.0


@pytest.mark.outside
@pytest.mark.parametrize("seed", range(25))
def test_linear_programming_cannot_pin_down_a_small_cell(seed, attacker):
    """The attacker of the disclosure control literature: all shown numbers, all sums, nothing negative."""
    random = np.random.default_rng(seed)
    shape = (int(random.integers(2, 9)), int(random.integers(2, 7)))
    counts, sums = table_of(random.negative_binomial(1, 0.06, shape))
    hidden = hidden_cells(counts, sums, LEAST)
    for key in hidden:
        if 0 < counts[key] < LEAST:
            low, high = attacker(key, counts, [(one.total, one.parts) for one in sums], hidden)
            assert low <= counts[key] + 1e-6 <= high + 2e-6
            assert high - low >= 1.0 - 1e-6, (key, counts[key])
