"""The palette against matplotlib's, and a drawn chart read back by its pixels."""

import matplotlib as mpl
import numpy as np
import pytest
from PIL import Image

from cagecheck.report import line_chart
from cagecheck.report.cividis import cividis_table
from cagecheck.report.colours import cividis
from cagecheck.report.line_chart import Line, draw_lines, ticks


def test_cividis_is_matplotlibs_rounded():
    theirs = mpl.colormaps["cividis"](np.arange(256))[:, :3] * 255
    assert np.array_equal(cividis_table(), np.round(theirs).astype(np.uint8))


def test_shares_take_the_colour_that_matplotlib_gives_them():
    share = np.concatenate([np.linspace(-0.2, 1.2, 1001), [0.0, 1.0]])
    theirs = mpl.colormaps["cividis"](share) * 255
    ours = cividis(share)
    assert ours.shape == (len(share), 4) and ours.dtype == np.uint8
    assert np.abs(ours - theirs).max() <= 0.5 + 1e-9


@pytest.mark.parametrize(
    ("top", "expected"),
    [
        (6.0, [0, 1, 2, 3, 4, 5, 6]),
        (1.0, [0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (0.035, [0, 0.01, 0.02, 0.03]),
        (1234.0, [0, 500, 1000]),
        (0.0, [0]),
    ],
)
def test_ticks_are_round_and_few(top, expected):
    assert np.allclose(ticks(top), expected)


@pytest.mark.parametrize("scale", [1e-4, 1.0, 1e5])
def test_lines_lie_where_the_axes_say(tmp_path, scale):
    """A line from (0, 0) to (1, 100) and a level one at 40, found by colour in the picture."""
    x = scale * np.linspace(0, 1, 50)
    lines = [
        Line(np.linspace(0, 100, 50), "rises", (200, 0, 0)),
        Line(np.full(50, 40.0), "stays", (0, 0, 200), is_dashed=True),
    ]
    draw_lines(tmp_path / "a.png", "Ünïcode Ж", ("x", "y"), x, lines, (0.5 * scale, "half"))
    picture = Image.open(tmp_path / "a.png")
    assert picture.size == (900, 540)
    pixel = np.asarray(picture).astype(int)
    left, right, top, bottom = 80, 900 - 24, 50, 540 - 64
    for colour, value in (((200, 0, 0), lambda s: 100 * s), ((0, 0, 200), lambda s: 40 + 0 * s)):
        row, column = np.nonzero(np.abs(pixel - colour).max(axis=2) < 40)
        plain = column < 700  # to the right stands the legend
        share = (column[plain] - left) / (right - left)
        height = (bottom - row[plain]) / (bottom - top) * 105
        assert np.abs(height - value(share)).max() < 1.0
        assert share.min() < 0.01
    solid, dashed = (
        np.unique(np.nonzero(np.abs(pixel - c).max(axis=2) < 40)[1]) for c in
        ((200, 0, 0), (0, 0, 200))
    )  # fmt: skip
    # Where they cross, at 40 of 100, the second is drawn over the first.
    before_crossing = solid[solid < left + 0.38 * (right - left)]
    assert len(before_crossing) > 250 and np.diff(before_crossing).max() == 1
    gaps = np.diff(dashed[dashed < 700])
    assert gaps.max() == pytest.approx(line_chart._DASH, abs=2)


def test_a_chart_without_extent_is_drawn(tmp_path):
    lines = [Line(np.zeros(3), "none", (1, 1, 1))]
    draw_lines(tmp_path / "a.png", "t", ("x", "y"), np.zeros(3), lines, (0.0, "none"))
    first = (tmp_path / "a.png").read_bytes()
    draw_lines(tmp_path / "a.png", "t", ("x", "y"), np.zeros(3), lines, (0.0, "none"))
    assert (tmp_path / "a.png").read_bytes() == first
