import argparse

import pytest

from annotate.commands.arguments import point


def test_point():
    assert point("812,1040.5") == (812.0, 1040.5)


@pytest.mark.parametrize("text", ["812", "812,", "a,b", "1,2,3"])
def test_a_point_that_is_none(text):
    with pytest.raises(argparse.ArgumentTypeError, match="ROW,COL"):
        point(text)
