import numpy as np
import pytest

from syncbox.errors import UnreadableError
from syncbox.lab.picture import _edges, draw
from syncbox.lab.reference import grid_from_map, reference_show
from syncbox.lab.report import Evidence, Setting, report

RATE = 48_000
SHOW = reference_show(20)
GRID = grid_from_map(SHOW.songs["reference"], SHOW.rig, RATE)
SETTING = Setting("jack", "a card", RATE, 256, "normal", "a machine", "by a test")
WILD = GRID.clocks + np.random.default_rng(3).integers(-400, 400, len(GRID.clocks))


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
@pytest.mark.parametrize(
    "evidence",
    [
        Evidence(GRID),
        Evidence(GRID, clicks=GRID.clicks, clocks=(GRID.clocks,)),
        Evidence(GRID, clocks=(np.sort(WILD), GRID.clocks), heard_clocks=np.sort(WILD)),
    ],
    ids=["nothing", "perfect", "wild"],
)
def test_any_report_can_be_drawn(evidence, ending, tmp_path):
    path = tmp_path / f"tight.{ending}"
    draw(report(SETTING, evidence), path)
    assert path.stat().st_size > 1000


@pytest.mark.parametrize("name", ["no-such-folder/tight.png", "tight.no-such-ending"])
def test_a_picture_that_cannot_be_written_is_one_message(name, tmp_path):
    with pytest.raises(UnreadableError, match="could not be written"):
        draw(report(SETTING, Evidence(GRID)), tmp_path / name)


@pytest.mark.parametrize("worst", [0, 1, 10, 79, 400, 5000])
def test_every_error_falls_into_a_bar_and_zero_into_the_middle_one(worst):
    edges = _edges(np.array([-worst, 0, worst]))
    assert edges[0] < -worst
    assert edges[-1] > worst
    assert len(edges) <= 100
    middle = np.searchsorted(edges, 0)
    assert edges[middle - 1] == -edges[middle]
