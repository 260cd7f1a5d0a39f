"""Lists go by what shows: order, groups, headline, sizes, and the command that goes on."""

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.defects.entries import gather
from cagecheck.defects.headline import folded_words, headline
from cagecheck.defects.kinds import KINDS, Defect
from cagecheck.defects.reasons import CauseCode, CureCode, Reason, Values
from cagecheck.defects.region_words import amount_words, seen_words, size_words
from cagecheck.defects.regions import Region
from cagecheck.defects.ways import WAYS, Way, way_of
from cagecheck.locating.compare import SIGHTS, TITLES
from cagecheck.locating.fault_reasons import FaultCure
from cagecheck.predicting.inputs import MeshOptions
from cagecheck.predicting.next_steps import way_steps, way_words


def region(
    number, texels, seen, harm, part="arm_low", defect=Defect.SKEW, cause=CauseCode.SLANTED,
    cure=CureCode.STRAIGHTEN, also=None,
):  # fmt: skip
    return Region(
        number, defect, part, 1001, (float(number), 0.0, 0.0), 0.1, texels / 1000, 1.0, texels, 0.1,
        "units", Reason(cause, Values(part=part, degrees=20.0)), Reason(cure, Values(), also), 5,
        texels_seen=seen, area_seen=seen / 1000, harm=harm, samples=np.zeros(0, np.int64),
    )  # fmt: skip


FAINT = region(3, 378_150, 0, 0.0)
SLID = region(2, 50_000, 12_400, 90_000.0, part="sleeve_low")
LOST = region(
    1, 7_000, 7_000, 1_225_000.0, part="key_low", defect=Defect.MISS_NOTHING,
    cause=CauseCode.HOLE, cure=CureCode.CLOSE_HOLE,
)  # fmt: skip


def test_a_lost_part_stands_above_a_faint_slant_however_large():
    told = gather([LOST, SLID, FAINT])
    assert [e.first.number for e in told] == [1, 2, 3]
    assert [e.shows for e in told] == [True, True, False]
    assert folded_words(told) == "1 place will not show"


@pytest.mark.parametrize(("apart", "places"), [(1.0, 1), (1.25, 2)])
def test_regions_whose_balls_touch_lie_at_one_place(apart, places):
    """Balls of radius 0.75 and 0.25 touch where their centres are 1 apart."""
    balls = [(0.0, 0.75), (apart, 0.25), (100.0, 0.25)]
    regions = [
        replace(region(k, 10, 10, 1.0), centroid=(x, 0.0, 0.0), radius=r)
        for k, (x, r) in enumerate(balls)
    ]
    assert [e.places for e in gather(regions)] == [places + 1]
    assert [e.places for e in gather(regions[:1])] == [1]


def test_what_spoils_a_part_stands_first_and_what_does_not_show_last():
    spoilt = region(
        4, 10, 10, 5.0, part="boot_low", defect=Defect.MISS_NOTHING, cause=CauseCode.NOT_ALIGNED,
        cure=CureCode.ALIGN,
    )  # fmt: skip
    meant = region(5, 9_000, 9_000, 1e9, cause=CauseCode.COVERED, cure=CureCode.ALLOW_COVER)
    told = gather([LOST, SLID, FAINT, spoilt, meant])
    assert [e.first.number for e in told] == [4, 1, 2, 5, 3]
    # What spoils a part comes before the part's other entries, and before those of no other part.
    aside = replace(SLID, part="boot_low", number=6)
    by_number = {e.first.number: e.see_first for e in gather([LOST, SLID, spoilt, meant, aside])}
    assert by_number == {1: (), 2: (), 4: (), 5: (), 6: (4,)}


def test_the_headline_says_what_one_will_see():
    said = headline(gather([LOST, SLID, FAINT]))
    assert said == (
        f"One will see {KINDS[Defect.MISS_NOTHING].sight} (key_low, 7,000 texels) and "
        f"{KINDS[Defect.SKEW].sight} (sleeve_low, 12,400 texels). 1 place will not show."
    )
    assert headline(gather([FAINT])) == "Nothing of this will show: 1 place will not show."
    assert headline([]).startswith("Nothing found")


@pytest.mark.parametrize(
    ("texels", "area", "seen", "area_seen", "words"),
    [
        (378_150, 1.0, 12_400, 0.1, "378,150 texels, of which 12,400 show"),
        (1_235, 1.0, 1_234.7, 1.0, "1,235 texels"),
        (1_235, 1.0, 0.2, 0.0, "1,235 texels, none show"),
        (1, 1.0, 0, 0.0, "1 texel, none of it shows"),
        (9, 1.0, 1, 0.1, "9 texels, of which 1 shows"),
        (0, 2.5, 0, 0.5, "2.5 sq. units, of which 0.5 show"),
        (0, 2.5, 0, 0.0, "2.5 sq. units, none of it shows"),
        (12, 1.0, None, None, "12 texels"),
    ],
)
def test_sizes_say_how_much_of_them_shows(texels, area, seen, area_seen, words):
    assert amount_words(texels, area, seen, area_seen) == words


def test_short_sizes_name_both_numbers():
    assert seen_words(SLID.to_dict()) == "12,400 of 50,000 texels"
    assert seen_words(LOST.to_dict()) == "7,000 texels"
    assert size_words(FAINT.to_dict()) == "378,150 texels, none show"


def test_every_cure_belongs_to_a_way_and_nothing_else_does():
    codes = {cure.code for cure in CureCode} | {cure.code for cure in FaultCure}
    assert set(WAYS) == codes


def test_every_kind_of_trouble_says_what_one_sees_of_it():
    assert set(SIGHTS) == set(TITLES)
    sights = [kind.sight for kind in KINDS.values()] + list(SIGHTS.values())
    assert all(sight and sight[0].islower() and not sight.endswith(".") for sight in sights)


def test_distances_are_tried_first_where_they_are_one_of_two_ways():
    assert way_of(Reason(CureCode.BAKE_APART, also=CureCode.KEEP_BETWEEN)) is Way.DISTANCES
    assert way_of(Reason(CureCode.BAKE_APART, also=CureCode.NO_OFFSET_COVERED)) is Way.MESHES
    assert way_of(Reason(CureCode.OPEN_UP)) is Way.INHERENT


def test_each_way_has_its_numbers_and_the_next_command():
    reading = MeshOptions(pair=["{name}_a={name}_b"], high_scale=100.0)
    steps = way_steps(gather([LOST, SLID, FAINT]), "my low.obj", "high.ply", reading)
    assert [s.way for s in steps] == [Way.MESHES, Way.DISTANCES]
    assert [s.next for s in steps] == [
        "cagecheck inspect 'my low.obj' high.ply --pair '{name}_a={name}_b' --high-scale 100",
        "cagecheck tune 'my low.obj' high.ply --pair '{name}_a={name}_b' --high-scale 100 "
        "--straighten --out tuned",
    ]
    assert [(s.places, s.texels, s.texels_seen, s.harm) for s in steps] == [
        (1, 7_000, 7_000, 1_225_000.0),
        (1, 50_000, 12_400, 90_000.0),
    ]
    assert way_words(steps[1]) == "1 place, 12,400 of 50,000 texels show"
    assert [s.next for s in way_steps(gather([LOST]), None, None)] == [""]


def test_a_part_without_partner_is_named_in_the_next_command():
    lone = region(
        1, 10, 10, 5.0, defect=Defect.MISS_NOTHING, cause=CauseCode.NOT_PAIRED,
        cure=CureCode.NAME_PARTNER,
    )  # fmt: skip
    (step,) = way_steps(gather([lone]), "low.obj", "high.ply")
    assert step.next == "cagecheck predict low.obj high.ply --pair '{name}_lp={name}_hp*'"
