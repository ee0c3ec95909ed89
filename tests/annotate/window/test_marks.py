import pytest
from hypothesis import given
from hypothesis import strategies as st

from annotate.window.marks import POINTS, WORDS, History, Marks

numbers = st.floats(allow_nan=False, allow_infinity=False)
points = st.lists(st.tuples(numbers, numbers), max_size=3).map(tuple)
all_marks = st.builds(
    Marks,
    st.dictionaries(st.sampled_from(sorted(POINTS)), points),
    st.frozensets(st.sampled_from(sorted(POINTS))),
    st.frozensets(st.sampled_from(sorted(POINTS))),
)


@given(all_marks)
def test_marks_read_back_as_they_were_written(marks):
    assert Marks.from_dict(marks.to_dict()) == marks


@pytest.mark.parametrize("plain", [{}, {"placed": 1, "withheld": [], "not_visible": []}, {"placed": {"tip": [1]}}])
def test_what_is_no_marks_is_refused(plain):
    with pytest.raises((KeyError, TypeError, ValueError)):
        Marks.from_dict(plain)


def test_a_placed_point_replaces_whatever_was_said_of_it():
    marks = Marks().called_not_visible("tip")
    assert marks.hides("tip")
    assert not marks.put("tip", 0, (1.0, 2.0)).hides("tip")
    gone = marks.put("tip", 0, (1.0, 2.0)).without("tip")
    assert gone.placed == {}
    assert gone.hides("tip")


def test_a_landmark_of_two_waits_for_its_second():
    half = Marks().put("tube-walls", 0, (1.0, 2.0))
    assert half.optional() == ()
    assert half.put("tube-walls", 1, (1.0, 9.0)).optional() == (("tube-walls", ((1.0, 2.0), (1.0, 9.0))),)


@given(st.lists(st.integers(), max_size=20), st.integers(0, 25))
def test_undo_and_redo_lead_back_and_forth(values, steps):
    history, states = History(0), [0]
    for value in values:
        if history.change(value):
            states.append(value)
    undone = sum(history.undo() for _ in range(steps))
    assert history.now == states[len(states) - 1 - undone]
    redone = sum(history.redo() for _ in range(steps))
    assert redone == undone
    assert history.now == states[-1]


def test_a_new_step_forgets_what_was_undone():
    history = History(0)
    history.change(1)
    history.undo()
    history.change(2)
    assert not history.redo()


def test_every_landmark_has_words():
    assert set(WORDS) == set(POINTS)


def test_a_draft_of_before_is_read_by_todays_names():
    earlier = {"placed": {"arch": [[1.0, 2.0]]}, "withheld": ["airway"], "not_visible": ["trachea-walls"]}
    marks = Marks.from_dict(earlier)
    assert marks.placed == {"aortic-arch": ((1.0, 2.0),)}
    assert (marks.withheld, marks.not_visible) == ({"airway-path"}, {"tracheal-walls"})
