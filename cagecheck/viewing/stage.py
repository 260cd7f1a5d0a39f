"""Draws a `ViewModel`: one scene for the window and for picture files."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyvista as pv
from numpy.typing import NDArray
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkPlane
from vtkmodules.vtkRenderingCore import (
    vtkMapper,
    vtkPolyDataMapper2D,
    vtkTexture,
    vtkTexturedActor2D,
)

from cagecheck.defects.kinds import CLEAN
from cagecheck.defects.region_words import place_words, seen_words
from cagecheck.meshes.mesh import Surface
from cagecheck.rendering.camera import FOV_DEGREES, up_vector
from cagecheck.report.colours import DEFECT_COLOURS
from cagecheck.report.fields import category_colours
from cagecheck.report.thin import thin_surface
from cagecheck.viewing.in_sight import cells_in_sight
from cagecheck.viewing.labels import Labels
from cagecheck.viewing.lit_actors import LitActors
from cagecheck.viewing.model import RayLines, ViewModel
from cagecheck.viewing.panels import (
    CUT_COLOURS,
    LIST_TOP,
    ROW_HIGH,
    ListRow,
    Picture,
    hints_panel,
    legend_panel,
    line_panel,
    list_panel,
    region_panel,
    rows_panel,
    scale_panel,
    title_panel,
)
from cagecheck.words.numbers import as_given, count_text, figures

BACKGROUND = (0.957, 0.949, 0.929)
HIGH_COLOUR = (214, 205, 192)
CAGE_COLOUR = CUT_COLOURS["cage"]
EDGE_COLOUR = (70, 74, 82)
LEFT, RIGHT, GAP = 330, 290, 12
# Pictures narrower than this have no room for panels beside the model.
LEAST_WIDTH_FOR_PANELS = 900
LABELLED = 30
# High polys of more triangles are thinned for drawing (never for the section in a cut).
MOST_DRAWN = 6_000_000
# What can be done, always in sight; `Window.KEYS` has the rest.
HINTS = (
    ("drag", "turn; wheel zooms"),
    ("click", "a place or a row of the list"),
    ("left, right", "through the regions"),
    ("home", "whole model"),
    ("x, up, down", "cut, and move it"),
    ("c", "colour by another measure"),
    ("i", "only the region's parts"),
    ("l", "lit with the bake's map"),
    ("h", "all keys"),
)
# The list is at least so high, pixels, before hints stand below it.
LEAST_LIST = 220
PANELS = (
    "title",
    "list",
    "hints",
    "legend",
    "card",
    "keys",
    "scale",
    "left side",
    "right side",
    "line",
)
# The scale bar is the longest of 1, 2, 5 times a power of ten that fits in this many pixels.
LONGEST_BAR = 220


class Panel:
    """An RGBA image at a fixed place of the window."""

    def __init__(self, plotter: pv.Plotter) -> None:
        self._plotter = plotter
        self._texture = vtkTexture()
        self._points = vtkPoints()
        self.actor = vtkTexturedActor2D()
        self.actor.SetTexture(self._texture)
        self.actor.SetVisibility(False)
        self.size = (0, 0)
        self._plotter.renderer.AddViewProp(self.actor)

    def show(self, picture: Picture, left: int, top: int, window_height: int) -> None:
        """Show `picture` (h, w, 4) with its upper left corner at (left, top) pixels."""
        high, wide = picture.shape[:2]
        image = pv.ImageData(dimensions=(wide, high, 1))
        image.point_data["rgba"] = np.ascontiguousarray(picture[::-1]).reshape(-1, 4)
        image.point_data.active_scalars_name = "rgba"
        self._texture.SetInputData(image)
        y0 = window_height - top - high
        corners = [(left, y0), (left + wide, y0), (left + wide, y0 + high), (left, y0 + high)]
        quad = pv.PolyData(np.array([(x, y, 0.0) for x, y in corners]), [4, 0, 1, 2, 3])
        quad.active_texture_coordinates = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
        mapper = vtkPolyDataMapper2D()
        mapper.SetInputData(quad)
        self.actor.SetMapper(mapper)
        self.actor.SetVisibility(True)
        self.size = (wide, high)

    def hide(self) -> None:
        """Show nothing."""
        self.actor.SetVisibility(False)


def triangle_mesh(positions: Any, triangles: Any) -> pv.PolyData:
    """Return a mesh to draw from (V, 3) positions and (T, 3) vertex numbers."""
    return pv.PolyData.from_regular_faces(positions, triangles)


def soup_mesh(corners: Any) -> pv.PolyData:
    """Return a mesh to draw from (T, 3, 3) triangle corners."""
    return triangle_mesh(corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3))


class Stage:
    """The actors of a scene. `high` is the high poly, or None where it cannot be read."""

    def __init__(self, plotter: pv.Plotter, model: ViewModel, high: Surface | None) -> None:
        self.plotter = plotter
        self.model = model
        self.high = high
        vtkMapper.SetResolveCoincidentTopologyToPolygonOffset()
        plotter.renderer.set_background(BACKGROUND)
        plotter.enable_anti_aliasing("ssaa" if plotter.off_screen else "msaa")
        self.actors: dict[str, Any] = {}
        self._meshes: dict[str, pv.PolyData] = {}
        self._drawn = model.result.triangles
        self._sliding_from = -1
        self.labels = Labels(plotter.renderer, model.seen_from)
        self._cage_factor = np.nan
        # The list: rows above the first shown, how many fit, its top edge, whose row it sought.
        self.list_first, self.list_most, self.list_top = 0, 1, 0
        self._list_region: int | None = None
        self._thinned: Surface | None = None
        self.panels = {name: Panel(plotter) for name in PANELS}
        self._lit: LitActors | None = None
        self._add_heat_map()

    # The whole picture ------------------------------------------------------------------------

    def refresh(self) -> None:
        """Draw everything anew from the model."""
        self._show_parts()
        self.recolour()
        self._show_layers()
        self.show_lit()
        self._show_region()
        self._show_cut()
        self.redraw_rays()
        self.show_panels()

    def recolour(self) -> None:
        """Take over the model's colours (the distance or the field changed)."""
        colours, self.legend = self.model.colours(self._drawn)
        by_triangle = self.model.field.name == "defect"
        data: Any = self._heat.cell_data if by_triangle else self._heat.point_data
        if "colour" in data and len(data["colour"]) == len(colours):
            data["colour"][:] = colours
            data["colour"].VTKObject.Modified()
        else:
            data["colour"] = colours
        data.active_scalars_name = "colour"
        mapper = self.actors["low"].GetMapper()
        mapper.SetColorModeToDirectScalars()
        if by_triangle:
            mapper.SetScalarModeToUseCellData()
        else:
            mapper.SetScalarModeToUsePointData()
        self._heat.Modified()

    def look(self) -> None:
        """Move the eye to the model's view, between the panels."""
        wide, high = self.plotter.window_size
        with_panels = wide >= LEAST_WIDTH_FOR_PANELS
        free = wide - LEFT - RIGHT - 4 * GAP if with_panels else wide
        camera = self.model.camera(free / high)
        view = self.plotter.camera
        view.position, view.focal_point, view.up = camera.eye, camera.target, camera.up
        view.view_angle = FOV_DEGREES
        view.SetWindowCenter((RIGHT - LEFT) / wide if with_panels else 0.0, 0.0)
        view.parallel_projection = self.model.cut is not None
        reach = float(np.linalg.norm(np.subtract(camera.eye, camera.target)))
        view.parallel_scale = reach * np.tan(np.radians(FOV_DEGREES / 2))
        self.plotter.renderer.ResetCameraClippingRange()
        if with_panels:
            self._show_scale_bar(high)
        self.put_labels()

    # Low poly ---------------------------------------------------------------------------------

    def _add_heat_map(self) -> None:
        result = self.model.result
        self._heat = triangle_mesh(result.positions, result.triangles)
        self._heat.point_data["colour"] = np.zeros((len(result.positions), 3), np.uint8)
        self.actors["low"] = self.plotter.add_mesh(
            self._heat,
            scalars="colour",
            rgb=True,
            ambient=0.42,
            diffuse=0.62,
            specular=0.0,
            reset_camera=False,
            show_scalar_bar=False,
        )

    def _lines(
        self,
        points: Any,
        pairs: NDArray[np.integer],
        colour: Any,
        width: float,
        *,
        opacity: float = 1.0,
        name: str = "",
    ) -> Any:
        mesh = pv.PolyData(
            np.asarray(points, np.float32), lines=np.insert(pairs, 0, 2, axis=1).ravel()
        )
        if name:
            self._meshes[name] = mesh
        return self.plotter.add_mesh(
            mesh, color=colour, line_width=width, lighting=False, reset_camera=False,
            opacity=opacity,
        )  # fmt: skip

    def _replace(self, name: str, actor: Any) -> None:
        if name in self.actors and self.actors[name] is not None:
            self.plotter.remove_actor(self.actors[name], reset_camera=False, render=False)
        self.actors[name] = actor

    def _show_parts(self) -> None:
        """Draw only some parts when the model says so."""
        result, shown = self.model.result, self.model.parts_shown()
        drawn = result.triangles
        if shown is not None:
            part = result.view["low_part"][result.samples["triangle"][result.view["heat_sample"]]]
            chosen = np.isin(part, list(shown[0]))
            drawn = drawn[chosen[drawn[:, 0]]]
        self._draw(drawn)
        if self.actors.get("high") is not None:
            self._replace("high", None)

    def _draw(self, triangles: NDArray[np.int32]) -> None:
        """Let the heat map be these triangles; they have no colours yet."""
        self._drawn = triangles
        self._sliding_from = -1
        self._heat.cell_data.clear()
        self._heat.faces = np.insert(triangles, 0, 3, axis=1).ravel()

    def begin_sliding(self) -> None:
        """Draw only the triangles that show from here: the picture stays as it is.

        A slider that recolours many times a second then need not draw what nobody sees.
        """
        low = self.actors["low"]
        eye = self.plotter.camera.GetMTime()
        see_through = low.GetProperty().GetOpacity() < 1 or not low.GetVisibility()
        if see_through or self._sliding_from == eye:
            return
        if self._sliding_from != -1:
            self._show_parts()
        cells = cells_in_sight(self.plotter.renderer, low)
        if len(cells):
            self._draw(self._drawn[cells])
            self._sliding_from = eye

    def end_sliding(self) -> None:
        """Draw everything again."""
        if self._sliding_from != -1:
            self._show_parts()
            self._show_layers()
            self.recolour()

    @property
    def sliding(self) -> bool:
        """True while only what shows is drawn."""
        return self._sliding_from != -1

    def _show_layers(self) -> None:
        layers = self.model.layers
        low = self.actors["low"]
        lit = self.model.lit.on
        low.SetVisibility(layers["low"] and not lit)
        # Over the high poly the heat map is a glaze, so that both can be compared.
        low.GetProperty().SetOpacity(0.62 if layers["high"] and self.high is not None else 1.0)
        sculpt = layers["high"] and not lit
        if sculpt and self.high is not None and self.actors.get("high") is None:
            self.actors["high"] = self._add_high(self.high)
        if layers["cage"] and self._cage_factor != self.model.factor:
            self._add_cage()
        if layers["edges"] and "edges" not in self.actors:
            view = self.model.result.view
            self.actors["edges"] = self._lines(
                view["low_positions"], view["low_edges"], EDGE_COLOUR, 1.0, opacity=0.6
            )
        for name in ("high", "cage", "cage_edges", "edges"):
            if self.actors.get(name) is not None:
                # Veiled lines are what costs most to draw; they come back when the slider rests.
                resting = name != "cage_edges" or not self.sliding
                wanted = sculpt if name == "high" else layers[name.split("_")[0]]
                self.actors[name].SetVisibility(wanted and resting)

    @property
    def lit(self) -> LitActors | None:
        """What draws the lit model; None where the result holds no maps."""
        record = self.model.result.lit
        if self._lit is None and record is not None:
            high = None if self.high is None else self._drawn_high(self.high)
            self._lit = LitActors(self.plotter, record, high, up_vector(self.model.up))
        return self._lit

    def show_lit(self) -> None:
        """Show the lit model as chosen, or hide it."""
        chosen = self.model.lit
        if not chosen.on or self.lit is None:
            if self._lit is not None:
                self._lit.hide()
            return
        keys = self.lit.keys
        chosen.left = chosen.left if chosen.left in keys else keys[0]
        chosen.right = chosen.right if chosen.right in keys else keys[-1]
        self.lit.show(chosen.left, chosen.right, self.model.parts_shown())
        self.move_lit()

    def move_lit(self) -> None:
        """Bring line and light where the model has them."""
        if self._lit is not None:
            chosen = self.model.lit
            self._lit.line = self._line_pixel() / self.plotter.window_size[0]
            self._lit.way = chosen.turned, chosen.raised

    def _line_pixel(self) -> int:
        """Return the column of the line between the two sides: a place between the panels."""
        wide = self.plotter.window_size[0]
        if wide < LEAST_WIDTH_FOR_PANELS:
            return round(self.model.lit.line * wide)
        left, right = LEFT + 2 * GAP, wide - RIGHT - 2 * GAP
        return round(left + self.model.lit.line * (right - left))

    def _add_high(self, high: Surface) -> Any:
        high = self._drawn_high(high)
        triangles, shown = high.triangles, self.model.parts_shown()
        if shown is not None:
            triangles = triangles[np.isin(high.triangle_part, list(shown[1]))]
        mesh = triangle_mesh(high.positions, triangles)
        return self.plotter.add_mesh(
            mesh, color=HIGH_COLOUR, ambient=0.28, diffuse=0.75, specular=0.08, reset_camera=False
        )

    def _drawn_high(self, high: Surface) -> Surface:
        """Return the high poly, thinned where it is too dense to turn smoothly."""
        if high.triangle_count <= MOST_DRAWN:
            return high
        if self._thinned is None:
            self._thinned = thin_surface(high, MOST_DRAWN // 2)
        return self._thinned

    def _add_cage(self) -> None:
        corners, view = self.model.cage_corners(), self.model.result.view
        skin, points = corners.reshape(-1, 3), cage_vertices(view, corners)
        self._cage_factor = self.model.factor
        if self.actors.get("cage") is not None:
            # Moving the points of what is there costs a hundredth of making it again.
            self._meshes["cage"].points = skin
            self._meshes["cage_edges"].points = points
            return
        self._meshes["cage"] = soup_mesh(corners)
        self.actors["cage"] = self.plotter.add_mesh(
            self._meshes["cage"], color=CAGE_COLOUR, opacity=0.14, culling="back", lighting=False,
            reset_camera=False,
        )  # fmt: skip
        self.actors["cage_edges"] = self._lines(
            points, view["low_edges"], CAGE_COLOUR, 1.0, opacity=0.55, name="cage_edges"
        )

    # Regions ----------------------------------------------------------------------------------

    def _show_region(self) -> None:
        for name in ("rim_light", "rim", "dots"):
            self._replace(name, None)
        number = self.model.region
        if number is None:
            return
        if self.model.is_unseen(number):
            colour = DEFECT_COLOURS[max(DEFECT_COLOURS)]
            self.actors["dots"] = self.plotter.add_mesh(
                pv.PolyData(self.model.member_positions(number)), color=colour, point_size=7,
                render_points_as_spheres=True, reset_camera=False,
            )  # fmt: skip
        else:
            rim = self.model.region_outline(number)
            points = self.model.result.positions
            if len(rim):
                for name, colour, width in (
                    ("rim_light", (255, 255, 255), 7.0),
                    ("rim", (0, 0, 0), 3.0),
                ):
                    self.actors[name] = self._lines(points, rim, colour, width)

    def redraw_distance(self) -> None:
        """Draw anew what follows the cage's distance: the cage, its section, the rays."""
        self._show_layers()
        if self.model.cut is not None:
            self._show_cut()
        self.redraw_rays()
        if self.plotter.window_size[0] >= LEAST_WIDTH_FOR_PANELS:
            self._show_title_and_legend()

    def redraw_rays(self) -> None:
        """Draw the rays anew (the distance changed)."""
        # On the lit model rays would hide what is to be compared.
        hidden = self.model.cut is not None or self.model.lit.on
        rays = None if hidden else self.model.region_rays()
        # Darker than the region they stand on.
        self._show_rays("rays", rays, 2.0, 0.5)
        self._show_rays("cut_rays", self.model.cut_rays(), 1.5, 1.0)

    def triangle(self, cell: int) -> NDArray[np.int32]:
        """Return the three heat-map vertices of a drawn triangle."""
        out: NDArray[np.int32] = self._drawn[cell]
        return out

    def put_labels(self) -> None:
        """Number the worst regions where they lie, or the chosen one."""
        model = self.model
        if model.cut is not None or (model.lit.on and model.region is None):
            self.labels.put({})
        elif model.region is not None:
            self.labels.put({model.region: model.label_place(model.region)}, [model.region])
        else:
            numbers = [n for n in model.worst(LABELLED) if not model.is_unseen(n)]
            self.labels.put({n: model.label_place(n) for n in numbers})

    def _show_rays(self, name: str, rays: RayLines | None, width: float, shade: float) -> None:
        if rays is None or not len(rays.begin) or not self.model.layers["rays"]:
            self._replace(name, None)
            return
        n = len(rays.begin)
        points = np.concatenate([rays.begin, rays.end]).astype(np.float32)
        colours = (shade * ray_colours(rays)).astype(np.uint8)
        if self.actors.get(name) is not None and self._meshes[name].n_points == 2 * n:
            mesh = self._meshes[name]
            mesh.points = points
            mesh.cell_data["colour"] = colours
            mesh.cell_data.active_scalars_name = "colour"
            return
        lines = np.stack([np.full(n, 2), np.arange(n), n + np.arange(n)], axis=1).ravel()
        mesh = self._meshes[name] = pv.PolyData(points, lines=lines)
        mesh.cell_data["colour"] = colours
        actor = self.plotter.add_mesh(
            mesh, scalars="colour", rgb=True, line_width=width, lighting=False,
            reset_camera=False, show_scalar_bar=False,
        )  # fmt: skip
        self._replace(name, actor)

    # Cut --------------------------------------------------------------------------------------

    def _show_cut(self) -> None:
        for name in ("cut_low", "cut_cage", "cut_high"):
            self._replace(name, None)
        cut = self.model.cut
        for name in ("low", "high", "cage", "cage_edges", "edges", "rim", "rim_light"):
            if self.actors.get(name) is not None:
                mapper = self.actors[name].GetMapper()
                mapper.RemoveAllClippingPlanes()
                if cut is not None:
                    plane = vtkPlane()
                    plane.SetOrigin(cut.origin)
                    plane.SetNormal(tuple(-x for x in cut.normal))
                    mapper.AddClippingPlane(plane)
        if cut is None:
            return
        for name, mesh, width in self._cut_meshes():
            section = mesh.slice(normal=cut.normal, origin=cut.origin)
            if section.n_points:
                self.actors[f"cut_{name}"] = self.plotter.add_mesh(
                    section, color=CUT_COLOURS[name], line_width=width, lighting=False,
                    reset_camera=False,
                )  # fmt: skip

    def _cut_meshes(self) -> list[tuple[str, pv.PolyData, float]]:
        view = self.model.result.view
        out = [
            ("cage", soup_mesh(self.model.cage_corners()), 3.0),
            ("low", triangle_mesh(view["low_positions"], view["low_triangles"]), 4.0),
        ]
        if self.high is not None:
            out.insert(0, ("high", self._high_near_cut(self.high), 3.0))
        return out

    def _high_near_cut(self, high: Surface) -> pv.PolyData:
        """Return the high poly's triangles that the cut can meet."""
        cut, positions = self.model.cut, high.positions
        assert cut is not None
        normal = np.asarray(cut.normal, positions.dtype)
        aside = np.abs(positions @ normal - np.dot(cut.origin, cut.normal))
        triangles = high.triangles
        # A triangle that the plane cuts has no vertex further from it than its longest edge.
        edge = positions[triangles[:, 0]] - positions[triangles[:, 1]]
        other = positions[triangles[:, 2]] - positions[triangles[:, 1]]
        longest = np.sqrt(max(_largest_square(edge), _largest_square(other)))
        near = (aside <= 2 * longest)[triangles].all(axis=1)
        return triangle_mesh(positions, triangles[near])

    # Panels -----------------------------------------------------------------------------------

    def show_panels(self) -> None:
        """Draw the flat parts: title, list, legend, card."""
        wide, high = self.plotter.window_size
        if wide < LEAST_WIDTH_FOR_PANELS:
            self._show_narrow(high)
            return
        self._show_title_and_legend()
        below = 2 * GAP + self.panels["title"].size[1]
        hints = hints_panel(HINTS, LEFT)
        # On a low window the list matters more.
        room = high - below - len(hints) - 2 * GAP
        if room < LEAST_LIST:
            self.panels["hints"].hide()
            room = high - below - GAP
        else:
            self.panels["hints"].show(hints, GAP, high - GAP - len(hints), high)
        self.list_top = below
        self.list_most = max((room - LIST_TOP - 2 * GAP) // ROW_HIGH, 1)
        rows = self.list_rows(self.list_most)
        listed = list_panel(
            rows, len(self.model.result.regions), LEFT, len(self.model.folded),
            self.list_first, len(self.model.listed),
        )  # fmt: skip
        self.panels["list"].show(listed, GAP, below, high)
        left = wide - RIGHT - GAP
        card = self._card()
        if card is None:
            self.panels["card"].hide()
        else:
            self.panels["card"].show(card, left, 2 * GAP + self.panels["legend"].size[1], high)

        self._show_scale_bar(high)
        self.show_sides()

    def show_sides(self) -> None:
        """Say on both sides of the line what is shown there."""
        chosen, record = self.model.lit, self.model.result.lit
        wide, high = self.plotter.window_size
        if not chosen.on or record is None:
            for panel in ("left side", "right side", "line"):
                self.panels[panel].hide()
            return
        at = self._line_pixel()
        for panel, key in (("left side", chosen.left), ("right side", chosen.right)):
            words = line_panel(record.titles[key])
            left = at - GAP - words.shape[1] if panel == "left side" else at + GAP
            free = wide - words.shape[1]
            self.panels[panel].show(words, int(np.clip(left, 0, max(free, 0))), GAP, high)
        line = np.full((high, 4, 4), 255, np.uint8)
        line[:, [0, 3], :3] = 28
        self.panels["line"].show(line, at - 2, 0, high)

    def _show_title_and_legend(self) -> None:
        wide, high = self.plotter.window_size
        title, lines = self.title_words()
        self.panels["title"].show(title_panel(title, lines, LEFT), GAP, GAP, high)
        legend = legend_panel(self.legend, RIGHT, self.model.cut is not None)
        self.panels["legend"].show(legend, wide - RIGHT - GAP, GAP, high)
        if self.model.lit.on:
            self.panels["legend"].hide()

    def _show_scale_bar(self, high: int) -> None:
        """Draw a scale bar where the picture has one scale: in a cut."""
        if self.model.cut is None or self.plotter.camera.parallel_scale <= 0:
            self.panels["scale"].hide()
            return
        per_pixel = 2 * self.plotter.camera.parallel_scale / high
        length = round_length(LONGEST_BAR * per_pixel)
        picture = scale_panel(f"{as_given(length)} units", round(length / per_pixel))
        self.panels["scale"].show(picture, LEFT + 2 * GAP, high - GAP - len(picture), high)

    def _show_narrow(self, high: int) -> None:
        """Draw the legend and one line of title only."""
        self.panels["title"].show(line_panel(self.title_words()[0]), GAP, GAP, high)
        below = 2 * GAP + self.panels["title"].size[1]
        self.panels["legend"].show(
            legend_panel(self.legend, RIGHT, self.model.cut is not None), GAP, below, high
        )
        if self.model.lit.on:
            self.panels["legend"].hide()
        self.show_sides()

    def _card(self) -> Picture | None:
        model = self.model
        if model.picked is not None:
            return rows_panel("picked sample", model.record(model.picked), RIGHT)
        return None if model.chosen is None else region_panel(model.chosen, RIGHT)

    def over_list(self, x: int, y: int) -> bool:
        """Tell whether a pixel, counted from the lower left, lies on the list of regions."""
        wide, high = self.plotter.window_size
        if wide < LEAST_WIDTH_FOR_PANELS:
            return False
        below = high - y - self.list_top
        return GAP <= x < GAP + LEFT and 0 <= below < self.panels["list"].size[1]

    def region_at(self, x: int, y: int) -> int | None:
        """Return the number of the region whose row lies under a pixel, None for none."""
        if not self.over_list(x, y):
            return None
        below = self.plotter.window_size[1] - y - self.list_top - LIST_TOP
        row = below // ROW_HIGH
        shown = self.list_rows(self.list_most)
        return shown[row].number if below >= 0 and row < len(shown) else None

    def scroll_list(self, by: int) -> None:
        """Move the list of regions by so many rows, down for more than 0."""
        self.list_first += by
        self.show_panels()

    def title_words(self) -> tuple[str, list[str]]:
        """Return the title and the lines below it: the verdict and the cage's distance."""
        document = self.model.result.document
        source = document["low"]["source"]
        name = source["path"].replace("\\", "/").rsplit("/", 1)[-1] if source else "low poly"
        found = [row for row in document["totals"] if row["regions"]]
        verdict = "No defect found."
        if found:
            area = self.model.now.area
            wrong = 100 * (1 - float(area[CLEAN]) / (float(area.sum()) or 1.0))
            verdict = (
                f"{count_text(len(document['regions']))} regions, {len(found)} kinds of defect. "
                f"{figures(wrong, 2)} % of the surface has a defect."
            )
        return name, [verdict, self.model.distance_words()]

    def list_rows(self, most: int) -> list[ListRow]:
        """Return the rows of the region list from where it was scrolled to."""
        order = self.model.listed
        begin = self.list_first
        if self.model.region != self._list_region:
            # A region that was just chosen comes into sight.
            self._list_region = self.model.region
            numbers = [row["number"] for row in order]
            at = numbers.index(self.model.region) if self.model.region in numbers else begin
            if not begin <= at < begin + most:
                begin = at - most // 2
        self.list_first = begin = int(np.clip(begin, 0, max(len(order) - most, 0)))
        return [
            ListRow(
                row["number"],
                row["name"],
                place_words(row),
                seen_words(row),
                row["number"] == self.model.region,
            )
            for row in order[begin : begin + most]
        ]


def _largest_square(vectors: NDArray[Any]) -> float:
    return float(np.einsum("ij,ij->i", vectors, vectors).max(initial=0.0))


def ray_colours(rays: RayLines) -> NDArray[np.uint8]:
    """Return (n, 3) colours of rays: their defect's, grey where they are clean."""
    colours = category_colours(rays.main).copy()
    colours[rays.main == CLEAN] = (120, 126, 136)
    return colours


def round_length(most: float) -> float:
    """Return the largest of 1, 2 or 5 times a power of ten that is at most `most`."""
    power = 10.0 ** np.floor(np.log10(most))
    return float(power * max(k for k in (1, 2, 5) if k * power <= most * (1 + 1e-9)))


def cage_vertices(view: dict[str, NDArray[Any]], corners: NDArray[Any]) -> NDArray[np.float32]:
    """Return (V, 3) the cage's place of every low-poly vertex (of one of its corners)."""
    out = view["low_positions"].copy()
    out[view["low_triangles"].ravel()] = corners.reshape(-1, 3)
    return out
