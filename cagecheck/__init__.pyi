"""The public names, and where each lives: the one list of them.

Type checkers read it as it stands, `__init__.py` loads from it what is asked for.
"""

from cagecheck.batching.manifest import (
    Manifest as Manifest,
    read_manifest as read_manifest,
)
from cagecheck.batching.run import (
    BatchResult as BatchResult,
    run_batch as run_batch,
)
from cagecheck.chores.clash.find import (
    Clash as Clash,
    Clashes as Clashes,
    find_clashes as find_clashes,
)
from cagecheck.chores.clash.over_frames import (
    ClashFiles as ClashFiles,
    find_clash_frames as find_clash_frames,
    FoundFrames as FoundFrames,
)
from cagecheck.chores.clash.page import (
    shown_frame as shown_frame,
    ShownFrame as ShownFrame,
    write_clash_page as write_clash_page,
)
from cagecheck.chores.clash.heat import (
    colour_clash_map as colour_clash_map,
    write_clash_map as write_clash_map,
    write_legend as write_legend,
)
from cagecheck.chores.materials.per_tile import (
    restore_tiles as restore_tiles,
    write_tile_materials as write_tile_materials,
)
from cagecheck.chores.rename.apply import (
    apply_renames as apply_renames,
    finish_renames as finish_renames,
    undo_renames as undo_renames,
)
from cagecheck.chores.rename.journal import (
    Journal as Journal,
)
from cagecheck.chores.rename.plan import (
    MapPlan as MapPlan,
    plan_renames as plan_renames,
    RenameOptions as RenameOptions,
    RenamePlan as RenamePlan,
)
from cagecheck.comparing.changes import (
    Became as Became,
    Change as Change,
    Tolerance as Tolerance,
)
from cagecheck.comparing.compare import (
    compare as compare,
    Comparison as Comparison,
)
from cagecheck.comparing.limits import (
    Limits as Limits,
)
from cagecheck.comparing.words import (
    summary_line as summary_line,
)
from cagecheck.comparing.write import (
    write_comparison as write_comparison,
)
from cagecheck.defects.entries import (
    Entry as Entry,
)
from cagecheck.defects.kinds import (
    Defect as Defect,
    Thresholds as Thresholds,
)
from cagecheck.defects.regions import (
    Region as Region,
)
from cagecheck.defects.ways import (
    Way as Way,
)
from cagecheck.demo import (
    DemoScene as DemoScene,
    SceneName as SceneName,
    make_scene as make_scene,
    write_scene as write_scene,
)
from cagecheck.demo.evaluate import (
    score_prediction as score_prediction,
)
from cagecheck.demo.score import (
    KindScore as KindScore,
)
from cagecheck.errors import (
    InputError as InputError,
    Notice as Notice,
)
from cagecheck.formats.frames import (
    parse_frames as parse_frames,
)
from cagecheck.formats.push_file import (
    PushRecord as PushRecord,
    read_push as read_push,
)
from cagecheck.formats.read import (
    read_mesh as read_mesh,
    read_surface as read_surface,
)
from cagecheck.formats.write_cage import (
    write_cage as write_cage,
)
from cagecheck.formats.write_mesh import (
    write_mesh as write_mesh,
    write_surface as write_surface,
)
from cagecheck.inspecting.finding import (
    Finding as Finding,
    Place as Place,
)
from cagecheck.inspecting.inspection import (
    inspect_low as inspect_low,
    inspect_pair as inspect_pair,
    Inspection as Inspection,
    part_rows as part_rows,
)
from cagecheck.inspecting.tile_page import (
    write_tile_page as write_tile_page,
)
from cagecheck.inspecting.write import (
    inspection_document as inspection_document,
    write_inspection as write_inspection,
)
from cagecheck.inspecting.tile_table import (
    tile_table as tile_table,
    TileTable as TileTable,
)
from cagecheck.locating.bake_settings import (
    ToldSetting as ToldSetting,
)
from cagecheck.locating.beside_maps import (
    BesideKind as BesideKind,
    BesideMap as BesideMap,
    beside_map as beside_map,
    find_beside as find_beside,
)
from cagecheck.locating.locate import (
    locate as locate,
    Location as Location,
)
from cagecheck.locating.one_map import (
    LocatedMap as LocatedMap,
)
from cagecheck.locating.page import (
    page_of_location as page_of_location,
)
from cagecheck.locating.read_maps import (
    BakedMap as BakedMap,
    find_maps as find_maps,
    read_map as read_map,
)
from cagecheck.locating.told_causes import (
    ToldCause as ToldCause,
)
from cagecheck.locating.variants import (
    LocateSettings as LocateSettings,
)
from cagecheck.locating.visible_faults import (
    ShownDefect as ShownDefect,
)
from cagecheck.locating.write import (
    location_document as location_document,
    write_location as write_location,
)
from cagecheck.maps.high_normals import (
    HighNormals as HighNormals,
)
from cagecheck.maps.pad import (
    needed_padding as needed_padding,
)
from cagecheck.maps.texels import (
    tiles_touched as tiles_touched,
)
from cagecheck.mending.mend import (
    mend_clashes as mend_clashes,
)
from cagecheck.mending.over_files import (
    mend_found as mend_found,
)
from cagecheck.mending.result import (
    MendedFrame as MendedFrame,
    Mending as Mending,
    MovedPart as MovedPart,
    NotMended as NotMended,
)
from cagecheck.mending.settings import (
    MendSettings as MendSettings,
)
from cagecheck.mending.write import (
    write_mending as write_mending,
)
from cagecheck.meshes.alignment import (
    check_alignment as check_alignment,
    transform_surface as transform_surface,
)
from cagecheck.meshes.lowpoly import (
    LowPoly as LowPoly,
    prepare_low as prepare_low,
)
from cagecheck.meshes.mesh import (
    Mesh as Mesh,
    mesh_from_polygons as mesh_from_polygons,
    Surface as Surface,
)
from cagecheck.meshes.normals import (
    NormalRule as NormalRule,
)
from cagecheck.meshes.pairs import (
    pair_parts as pair_parts,
    Pairing as Pairing,
)
from cagecheck.meshes.pose import (
    Pose as Pose,
)
from cagecheck.meshes.tiles import (
    NO_TILE as NO_TILE,
)
from cagecheck.predicting.heat import (
    build_heat_map as build_heat_map,
)
from cagecheck.predicting.inputs import (
    CageFiles as CageFiles,
    Inputs as Inputs,
    read_cage as read_cage,
    read_inputs as read_inputs,
    MeshOptions as MeshOptions,
    Moment as Moment,
)
from cagecheck.predicting.maps.write_maps import (
    MAP_KINDS as MAP_KINDS,
    MapFiles as MapFiles,
    MapFormat as MapFormat,
)
from cagecheck.predicting.next_steps import (
    WayStep as WayStep,
)
from cagecheck.predicting.page import (
    page_of_prediction as page_of_prediction,
)
from cagecheck.predicting.predict import (
    predict as predict,
)
from cagecheck.predicting.preview import (
    write_preview as write_preview,
)
from cagecheck.predicting.result import (
    Prediction as Prediction,
    prediction_document as prediction_document,
)
from cagecheck.predicting.settings import (
    HighShading as HighShading,
    Sampling as Sampling,
    Settings as Settings,
)
from cagecheck.predicting.write import (
    write_prediction as write_prediction,
)
from cagecheck.progress import (
    Progress as Progress,
)
from cagecheck.rays.cage import (
    Cage as Cage,
    cage_from_mesh as cage_from_mesh,
    cage_from_offset as cage_from_offset,
    cage_from_push as cage_from_push,
    Rays as Rays,
    rays_through as rays_through,
)
from cagecheck.rays.layers import (
    Layers as Layers,
)
from cagecheck.rays.points import (
    sample_points as sample_points,
    spacing_for_count as spacing_for_count,
    SurfacePoints as SurfacePoints,
)
from cagecheck.rays.scene import (
    Scene as Scene,
)
from cagecheck.report.fields import field_named as field_named
from cagecheck.report.page import (
    write_page as write_page,
)
from cagecheck.report.schemas import (
    read_schema as read_schema,
)
from cagecheck.tuning.assurance import (
    Assurance as Assurance,
)
from cagecheck.tuning.choose import (
    HarmSummary as HarmSummary,
)
from cagecheck.tuning.conflicts import (
    Conflict as Conflict,
    explain_conflicts as explain_conflicts,
    Remedy as Remedy,
)
from cagecheck.tuning.carried import (
    carried_cage as carried_cage,
)
from cagecheck.tuning.depth import (
    DeepPlace as DeepPlace,
    Depths as Depths,
)
from cagecheck.tuning.folds import (
    CageCrossings as CageCrossings,
)
from cagecheck.tuning.kept_offsets import (
    kept_offsets as kept_offsets,
    read_keep as read_keep,
)
from cagecheck.tuning.page import (
    page_of_tuning as page_of_tuning,
)
from cagecheck.tuning.single import (
    single_numbers as single_numbers,
    SingleNumber as SingleNumber,
    uniform_prediction as uniform_prediction,
)
from cagecheck.tuning.steady import (
    SmoothPoint as SmoothPoint,
    Steadiness as Steadiness,
)
from cagecheck.tuning.straighten.straighten import (
    straighten as straighten,
    Straightening as Straightening,
)
from cagecheck.tuning.texels import (
    TexelCheck as TexelCheck,
)
from cagecheck.tuning.tune import (
    tune as tune,
    TuneSettings as TuneSettings,
    Tuning as Tuning,
)
from cagecheck.tuning.write import (
    FIELD_KINDS as FIELD_KINDS,
    FieldKind as FieldKind,
    tuning_document as tuning_document,
    write_tuning as write_tuning,
)
from cagecheck.version import (
    __version__ as __version__,
)
from cagecheck.viewing.model import (
    ViewModel as ViewModel,
)
from cagecheck.viewing.result import (
    read_high as read_high,
    read_result as read_result,
)
from cagecheck.viewing.shot import (
    make_shot as make_shot,
)
from cagecheck.viewing.window import (
    Window as Window,
)
from cagecheck.watching.assets import (
    BatchWatch as BatchWatch,
)
from cagecheck.watching.bake import (
    Bake as Bake,
)
from cagecheck.watching.news import (
    News as News,
)
from cagecheck.watching.rounds import (
    Rounds as Rounds,
)
from cagecheck.watching.watch import (
    Watch as Watch,
)
