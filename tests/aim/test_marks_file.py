"""The CSV of what a builder measured."""

import pytest

from drillfeed.daemon.aim.marks import Mark, read_marks
from drillfeed.daemon.validation import InvalidFile

HEADER = "top_rpm,bottom_rpm,tilt_deg,depth_cm,gate_m,gate_s,fps,spin_revps,tach_top_rpm,tach_bottom_rpm,balls,note"


def test_a_mixture_is_read_and_blanks_stay_blank() -> None:
    """Any mixture of figures is read; a blank cell is not measured, not zero; comments and empty lines are skipped."""
    lines = ["# hall, Saturday", HEADER, "", "2094,2094,18.9,88", "4351,1126,15.4,,1.5,0.19,240,,,,10,slow motion"]
    assert read_marks(lines, "marks.csv") == [
        Mark(2094, 2094, 18.9, depth_m=0.88),
        Mark(4351, 1126, 15.4, gate_m=1.5, gate_s=0.19, fps=240, balls=10),
    ]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ([], "no rows"),
        (["top_rpm,bottom_rpm,tilt,depth_cm"], "column tilt"),
        ([HEADER, "2094,2094,18.9"], "nothing measured"),
        ([HEADER, "2094,,18.9,88"], "line 2, bottom_rpm"),
        ([HEADER, "2094,2094,18.9,eighty"], "line 2, depth_cm"),
        ([HEADER, "2094,2094,18.9,nan"], "line 2, depth_cm"),
        ([HEADER, "2094,2094,18.9,,1.5"], "half a timing"),
        ([HEADER, "4351,1126,15.4,,,,120,70"], "aliases at 120 frames/s"),
        ([HEADER, "2094,2094,18.9,88,,,,,,,1,a,b"], "13 cells"),
    ],
    ids=["empty", "column", "nothing", "blank", "word", "nan", "timing", "alias", "cells"],
)
def test_mistakes_name_line_and_column(lines: list[str], words: str) -> None:
    """A mistake says which line and column, what was found and what is allowed."""
    with pytest.raises(InvalidFile, match=words):
        read_marks(lines, "marks.csv")


def test_all_mistakes_at_once() -> None:
    """Every mistake of a file is reported, not the first alone."""
    with pytest.raises(InvalidFile) as caught:
        read_marks([HEADER, "x,2094,18.9,88", "2094,2094,18.9,9999", "2094,2094,18.9,90"], "marks.csv")
    assert len(caught.value.errors) == 2
