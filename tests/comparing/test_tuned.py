"""What tuning says of every place: the comparison of its two predictions."""

from __future__ import annotations

import pytest

import cagecheck
from cagecheck.predicting.settings import Settings
from cagecheck.tuning.page import page_of_tuning
from cagecheck.tuning.tune import tune
from cagecheck.tuning.words import places_words
from cagecheck.tuning.write import tuning_document
from tests.scenes.planted_sheets import OFFSET, TIGHT, Bump, bumpy, square


@pytest.mark.long
def test_tuning_mends_the_planted_places() -> None:
    """Two bumps rise through the cage before; afterwards the cage goes over them."""
    settings = Settings(
        offset=OFFSET, depth=0.15, reach=0.6, samples=4000, map_size=256, unseen_points=0
    )
    high = bumpy((Bump(0.25, 0.3, 0.1), Bump(0.7, 0.65, 0.1)))
    tuned = tune(square(8), high, settings=settings)
    told = [c.became.value for c in tuned.changes if c.name == TIGHT]
    assert told == ["mended", "mended"]
    assert [c.to_dict() for c in tuned.changes] == [
        c.to_dict() for c in cagecheck.compare(tuned.before, tuned.after).changes
    ]
    assert len(tuning_document(tuned, [])["places"]) == len(tuned.changes)
    assert places_words(tuned).startswith("Place by place: 2 mended")
    (table,) = [t for t in page_of_tuning(tuned, []).tables if t.title.startswith("Place by place")]
    assert ["mended", TIGHT] in [list(row.cells[:2]) for row in table.rows]
