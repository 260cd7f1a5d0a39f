"""Plans for map names: by number, by name, by content; doubt is reported, never guessed."""

import unicodedata

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cagecheck.chores.rename.by_content import filled_mask
from cagecheck.chores.rename.plan import RenameOptions, plan_renames
from cagecheck.errors import InputError
from cagecheck.maps.map_names import (
    check_pattern,
    default_asset,
    fill_pattern,
    name_key,
    parse_map_name,
    words_of,
)
from cagecheck.maps.pictures import Picture, read_picture, write_picture
from tests.scenes.tiles import bake, patch_low

BLANK = Picture(np.zeros((8, 8, 3), np.uint8))


@pytest.fixture
def low():
    return patch_low()


def plan_of(folder, low, **options):
    plan = plan_renames(folder, low, RenameOptions(**options))
    return {entry.source: entry for entry in plan.maps}


# --- names -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("Leather_Jacket-normal", ["Leather", "Jacket", "normal"]),
        ("LeatherJacketNormal", ["Leather", "Jacket", "Normal"]),
        ("body01_AO", ["body01", "AO"]),
        ("Über.Rock", ["Über", "Rock"]),
        (unicodedata.normalize("NFD", "Über.Rock"), ["Über", "Rock"]),
        ("__", []),
    ],
)
def test_words(name, words):
    assert words_of(name) == words


@pytest.mark.parametrize(
    ("file", "names", "tile", "kind", "ext"),
    [
        ("hero_skin_normal.png", ("skin",), None, "normal", "png"),
        ("hero_low_skin_normal.PNG", ("skin",), None, "low_normal", "PNG"),
        ("leatherJacket_ao.tga", ("Leather Jacket",), None, "ao", "tga"),
        ("leather_ao.tga", ("leather",), None, "ao", "tga"),
        ("normal.1011.exr", (), 1011, "normal", "exr"),
        ("hero_normal_u2_v3.exr", (), 1022, "normal", "exr"),
        ("hero_normal_u2v3.exr", (), 1022, "normal", "exr"),
        ("hero_normal_4096.exr", (), None, "normal_4096", "exr"),
        ("hero_normal_1024.exr", (), 1024, "normal", "exr"),
        ("hero_normal_02.png", (), None, "normal", "png"),
        ("skin.png", ("skin",), None, "", "png"),
        ("skinny_normal.png", (), None, "skinny_normal", "png"),
        ("SKIN_Normal_OpenGl.png", ("skin",), None, "Normal_OpenGl", "png"),
    ],
)
def test_parsing(file, names, tile, kind, ext):
    read = parse_map_name(file, ["skin", "leather", "Leather Jacket"], "hero", [1024])
    assert (read.names, read.tile, read.kind, read.ext) == (names, tile, kind, ext)


def test_default_asset_drops_the_word_for_low():
    assert default_asset("hero_low") == "hero"
    assert default_asset("hero.LP") == "hero"
    assert default_asset("slow") == "slow"
    assert default_asset("low") == "low"


@pytest.mark.parametrize("pattern", ["{asset}.{ext}", "{tile}{nonsense}", "{tile", "{tile}{}"])
def test_bad_patterns_are_refused(pattern):
    with pytest.raises(InputError):
        check_pattern(pattern)


def test_names_that_no_system_takes_are_made_safe_or_refused():
    values = {"map": "n", "tile": "1001", "ext": "png", "material": ""}
    assert fill_pattern("{asset}.{tile}.{ext}", asset="ns:a/b", **values) == "ns_a_b.1001.png"
    assert fill_pattern("a{asset}.{tile}", asset="../x", **values) == "a.._x.1001"
    for pattern in (
        "../{tile}",
        ".{tile}",
        "sub/{tile}",
        "{tile}. ",
        "con.{tile}",
        "{asset}{tile}",
    ):
        with pytest.raises(InputError):
            fill_pattern(pattern, asset="a" * 300, **values)


@given(st.text(max_size=20))
def test_name_key_ignores_case_and_form(text):
    for form in ("NFC", "NFD"):
        assert name_key(unicodedata.normalize(form, text)) == name_key(text)
    assert name_key(name_key(text)) == name_key(text)


# --- plans -------------------------------------------------------------------------------------


def test_names_tell_tiles(tmp_path, low):
    for name in ("coat_normal.png", "hero_Metal_ao.png", "body_normal.png", "normal.1002.png"):
        write_picture(tmp_path / name, BLANK, "png")
    found = plan_of(tmp_path, low, content=False)
    assert {n: (p.action, p.tile, p.how, p.target) for n, p in found.items()} == {
        "coat_normal.png": ("rename", 1011, "name", "hero_normal.1011.png"),
        "hero_Metal_ao.png": ("rename", 1011, "name", "hero_ao.1011.png"),
        "body_normal.png": ("rename", 1001, "name", "hero_normal.1001.png"),
        "normal.1002.png": ("rename", 1002, "number", "hero_normal.1002.png"),
    }


def test_parts_are_known_without_their_word_for_low(tmp_path):
    low = patch_low(
        (
            ("hat_low", "m", (0, 0), (0.1, 0.1, 0.9, 0.5)),
            ("hat_band_low", "m", (1, 0), (0.3, 0.2, 0.7, 0.9)),
            ("coat_low", "m", (1, 0), (0.1, 0.1, 0.2, 0.2)),
            ("coat", "m", (0, 1), (0.1, 0.1, 0.2, 0.2)),
        )
    )
    names = ("hat_ao.png", "hat_low_n.png", "HatBand_ao.png", "coat_ao.png", "coat_low_n.png")
    for name in names:
        write_picture(tmp_path / name, BLANK, "png")
    found = plan_of(tmp_path, low, content=False)
    assert [(found[n].tile, found[n].names) for n in names] == [
        (1001, ("hat_low",)),
        (1001, ("hat_low",)),
        (1002, ("hat_band_low",)),
        (1011, ("coat",)),
        (1002, ("coat_low",)),
    ]


def test_files_named_right_already_are_kept(tmp_path, low):
    write_picture(tmp_path / "hero_normal.1001.png", BLANK, "png")
    (entry,) = plan_of(tmp_path, low).values()
    assert (entry.action, entry.target) == ("keep", "hero_normal.1001.png")


def test_a_material_on_two_tiles_is_told_by_content(tmp_path, low):
    bake(low, 1001, tmp_path / "skin_normal_1.png")
    bake(low, 1002, tmp_path / "skin_normal_2.png")
    found = plan_of(tmp_path, low)
    assert found["skin_normal_1.png"].target == "hero_normal.1001.png"
    assert found["skin_normal_2.png"].target == "hero_normal.1002.png"
    assert {p.how for p in found.values()} == {"content"}
    blind = plan_of(tmp_path, low, content=False)
    assert {p.action for p in blind.values()} == {"unclear"}


@pytest.mark.parametrize("padding", [0, 3, 8])
@pytest.mark.parametrize("size", [(128, 128), (1000, 700)])
def test_content_alone_tells_the_tile(tmp_path, low, padding, size):
    letter = {1001: "a", 1002: "b", 1011: "c"}
    for tile in letter:
        bake(low, tile, tmp_path / f"{letter[tile]}.png", padding=padding, size=size)
    found = plan_of(tmp_path, low)
    for tile, name in letter.items():
        entry = found[f"{name}.png"]
        assert (entry.how, entry.tile) == ("content", tile)
        assert entry.target == f"hero_{name}.{tile}.png"
        assert entry.scores[0].overlap > 0.9


def test_content_with_alpha_and_sixteen_bits(tmp_path, low):
    texels = bake(low, 1002, tmp_path / "normal.png", colour=(0, 0, 0, 65535), dtype=np.uint16)
    assert texels[:, :, :3].max() == 0  # only alpha shows the outline
    (entry,) = plan_of(tmp_path, low).values()
    assert (entry.tile, entry.how) == (1002, "content")


def test_one_materials_map_is_told_by_content(tmp_path, low):
    bake(low, 1011, tmp_path / "piece_normal.png", material="metal")
    (entry,) = plan_of(tmp_path, low).values()
    assert (entry.tile, entry.names) == (1011, ("metal",))


def test_one_parts_map_is_told_by_content(tmp_path):
    low = patch_low(
        (
            ("coat", "cloth", (0, 1), (0.1, 0.55, 0.45, 0.95)),
            ("belt", "cloth", (0, 1), (0.6, 0.1, 0.9, 0.3)),
            ("head", "skin", (1, 0), (0.3, 0.2, 0.7, 0.9)),
        )
    )
    texels = np.zeros((256, 256, 3), np.uint8)
    texels[int(0.7 * 256) : int(0.9 * 256), int(0.6 * 256) : int(0.9 * 256)] = 99
    write_picture(tmp_path / "piece_normal.png", Picture(texels), "png")
    (entry,) = plan_of(tmp_path, low).values()
    assert (entry.tile, entry.names) == (1011, ("belt",))


def test_alike_tiles_are_reported_not_guessed(tmp_path):
    same = (0.2, 0.2, 0.8, 0.6)
    low = patch_low((("a", "m", (0, 0), same), ("b", "m", (1, 0), same)))
    bake(low, 1001, tmp_path / "m_normal.png")
    (entry,) = plan_of(tmp_path, low).values()
    assert entry.action == "unclear"
    assert "1001" in entry.reason and "1002" in entry.reason
    assert [score.overlap for score in entry.scores] == [1.0, 1.0]


def test_a_foreign_map_fits_no_tile(tmp_path, low):
    texels = np.zeros((64, 64, 3), np.uint8)
    texels[24:40, 24:40] = 200
    write_picture(tmp_path / "thing.png", Picture(texels), "png")
    (entry,) = plan_of(tmp_path, low).values()
    assert entry.action == "unclear" and "fits no tile" in entry.reason


def test_a_fully_padded_map_shows_no_outline(tmp_path, low):
    rng = np.random.default_rng(3)
    noise = rng.integers(0, 255, (64, 64, 3)).astype(np.uint8)
    write_picture(tmp_path / "thing_normal.png", Picture(noise), "png")
    assert filled_mask(noise) is None
    (entry,) = plan_of(tmp_path, low).values()
    assert entry.action == "unclear" and "no background" in entry.reason


def test_contradictions_are_unclear(tmp_path, low):
    for name in ("coat_normal.1001.png", "coat_body_normal.png", "ao.1044.png"):
        write_picture(tmp_path / name, BLANK, "png")
    found = plan_of(tmp_path, low, content=False)
    assert {p.action for p in found.values()} == {"unclear"}
    assert "lies on 1011" in found["coat_normal.1001.png"].reason
    assert "share no tile" in found["coat_body_normal.png"].reason
    assert "empty" in found["ao.1044.png"].reason


def test_a_tile_given_by_hand_counts_first(tmp_path, low):
    write_picture(tmp_path / "coat_normal.png", BLANK, "png")
    found = plan_of(tmp_path, low, given={"coat_normal.png": 1002})
    assert found["coat_normal.png"].target == "hero_normal.1002.png"
    with pytest.raises(InputError, match="no picture"):
        plan_of(tmp_path, low, given={"else.png": 1002})


def test_a_missing_kind_is_asked_for(tmp_path, low):
    write_picture(tmp_path / "coat.png", BLANK, "png")
    assert plan_of(tmp_path, low)["coat.png"].action == "unclear"
    assert plan_of(tmp_path, low, kind="ao")["coat.png"].target == "hero_ao.1011.png"


def test_two_files_for_one_name_clash(tmp_path, low):
    for name in ("coat_normal.png", "belt_Normal.png"):
        write_picture(tmp_path / name, BLANK, "png")
    found = plan_of(tmp_path, low)
    # Different case, but one name where case does not count.
    assert {p.action for p in found.values()} == {"clash"}


def test_a_name_that_stays_taken_blocks(tmp_path, low):
    write_picture(tmp_path / "coat_normal.png", BLANK, "png")
    (tmp_path / "HERO_normal.1011.png").mkdir()  # the same name where case does not count
    assert plan_of(tmp_path, low)["coat_normal.png"].action == "clash"


def test_a_chain_of_blocks_is_followed_to_its_end(tmp_path, low):
    # one -> the name that two holds, two -> the name that three holds, three -> a folder's name.
    given = {"x_one.png": 1001, "hero_one.1001.png": 1002, "hero_one.1002.png": 1011}
    for name in given:
        write_picture(tmp_path / name, BLANK, "png")
    free = plan_of(tmp_path, low, given=given, pattern="hero_one.{tile}.{ext}")
    assert [free[name].action for name in given] == ["rename"] * 3
    (tmp_path / "hero_one.1011.png").mkdir()
    stuck = plan_of(tmp_path, low, given=given, pattern="hero_one.{tile}.{ext}")
    assert [stuck[name].action for name in given] == ["clash"] * 3


def test_swapped_names_are_no_clash(tmp_path, low):
    given = {"hero_n.1001.png": 1002, "hero_n.1002.png": 1001}
    for name in given:
        write_picture(tmp_path / name, BLANK, "png")
    found = plan_of(tmp_path, low, given=given)
    assert {n: (p.action, p.target) for n, p in found.items()} == {
        "hero_n.1001.png": ("rename", "hero_n.1002.png"),
        "hero_n.1002.png": ("rename", "hero_n.1001.png"),
    }


def test_composing_is_planned_only_on_request(tmp_path, low):
    bake(low, 1011, tmp_path / "leather_normal.png", material="leather")
    bake(low, 1011, tmp_path / "metal_normal.png", material="metal")
    refused = plan_of(tmp_path, low)
    assert {p.action for p in refused.values()} == {"clash"}
    assert "--compose" in refused["metal_normal.png"].reason
    found = plan_of(tmp_path, low, compose=True)
    assert {p.action for p in found.values()} == {"compose"}
    assert {p.target for p in found.values()} == {"hero_normal.1011.png"}


def test_unreadable_input(tmp_path, low):
    with pytest.raises(InputError, match="cannot be read"):
        plan_renames(tmp_path / "none", low)
    with pytest.raises(InputError, match="no pictures"):
        plan_renames(tmp_path, low)
    for ending in ("png", "tif", "exr", "tga", "jpg", "bmp", "webp"):
        bad = tmp_path / f"what.{ending}"
        bad.write_bytes(b"\x00not a picture")
        with pytest.raises(InputError, match="cannot be read"):
            read_picture(bad)
        bad.unlink()


def test_one_broken_picture_stops_no_other(tmp_path, low):
    bake(low, 1001, tmp_path / "first_normal.png")
    (tmp_path / "second_normal.png").write_bytes(b"\x89PNG broken")
    found = plan_of(tmp_path, low)
    assert found["first_normal.png"].target.endswith(".1001.png")
    assert found["second_normal.png"].action == "unclear"
    assert "cannot be read" in found["second_normal.png"].reason


def test_a_broken_picture_is_joined_with_no_other(tmp_path, low):
    write_picture(tmp_path / "coat_normal.png", BLANK, "png")
    (tmp_path / "belt_normal.png").write_bytes(b"broken")
    write_picture(tmp_path / "body_normal.png", BLANK, "png")
    found = plan_of(tmp_path, low, compose=True)
    assert {found[f"{n}_normal.png"].action for n in ("coat", "belt")} == {"unclear"}
    assert "belt_normal.png" in found["coat_normal.png"].reason
    assert found["body_normal.png"].target == "hero_normal.1001.png"


def test_a_kind_that_is_asked_for_makes_one_set(tmp_path):
    """Six maps told apart by a letter: one set of six tiles, none of six kinds."""
    boxes = [(0.1, 0.1, 0.9, 0.3), (0.1, 0.1, 0.3, 0.9), (0.4, 0.4, 0.9, 0.9),
             (0.1, 0.6, 0.5, 0.9), (0.05, 0.05, 0.95, 0.95), (0.7, 0.1, 0.9, 0.9)]  # fmt: skip
    six = patch_low(tuple((f"p{k}", "m", (k, 0), box) for k, box in enumerate(boxes)))
    for k, letter in enumerate("abcdef"):
        bake(six, 1001 + k, tmp_path / f"bake_normal_{letter}.png")
    bake(six, 1001, tmp_path / "bake_height.png")
    found = plan_of(tmp_path, six, kind="normal")
    for k, letter in enumerate("abcdef"):
        assert found[f"bake_normal_{letter}.png"].target == f"hero_normal.{1001 + k}.png"
    assert found["bake_height.png"].target == "hero_bake_height.1001.png"
