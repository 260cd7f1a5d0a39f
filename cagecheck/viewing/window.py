"""The viewer's window: keys, checkboxes, slider and picking on top of a `Stage`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pyvista as pv
from vtkmodules.vtkCommonCore import VTK_FONT_FILE
from vtkmodules.vtkRenderingCore import vtkCellPicker

from cagecheck.errors import InputError
from cagecheck.meshes.mesh import Surface
from cagecheck.report.fonts import font_file
from cagecheck.viewing.follow import Folder, carried_over
from cagecheck.viewing.model import LAYERS, ViewModel
from cagecheck.viewing.panels import INK, keys_panel
from cagecheck.viewing.result import Result, read_high
from cagecheck.viewing.shot import display_trouble
from cagecheck.viewing.stage import GAP, LEFT, RIGHT, Stage
from cagecheck.words.numbers import figures

WINDOW_SIZE = (1500, 940)
# One press moves the cut by this share of what is seen, turns it by this, widens the cage by this.
CUT_STEP, TURN_DEGREES, DISTANCE_STEP = 0.02, 10.0, 0.05
# One press moves the line by this share of the picture, the light by this.
LINE_STEP, LIGHT_DEGREES = 0.05, 10.0
# How often a window that follows its folder looks into it.
LOOK_MS = 500
# What the eye is, whatever it looks at.
_EYE = ("position", "focal_point", "up", "view_angle", "parallel_projection", "parallel_scale")
# The mouse may tremble this many pixels between press and release and still pick.
STILL_PIXELS = 4
# Words at the slider's ends begin so far before them, pixels.
END_PIXELS = 26
# One notch of the wheel moves the list by so many rows.
ROWS_PER_NOTCH = 3


@dataclass(frozen=True)
class Key:
    """A key (VTK key symbols), what it does in words, and the method of `Window` it calls."""

    symbols: tuple[str, ...]
    shown: str
    words: str
    action: str
    argument: Any = None


KEYS = (
    Key(("Right",), "right", "next region", "step", 1),
    Key(("Left",), "left", "region before", "step", -1),
    Key(("Return",), "enter", "go to the region again", "fly"),
    Key(("Home",), "home", "whole model, no region", "whole"),
    Key(("1",), "1", "heat map on or off", "toggle", "low"),
    Key(("2",), "2", "high poly", "toggle", "high"),
    Key(("3",), "3", "cage", "toggle", "cage"),
    Key(("4",), "4", "edges of the low poly", "toggle", "edges"),
    Key(("5",), "5", "rays of the region", "toggle", "rays"),
    Key(("l",), "l", "lit with the bake's map, or colours", "light"),
    Key(("a",), "a", "lit: what the left side shows", "next_side", "left"),
    Key(("d",), "d", "lit: what the right side shows", "next_side", "right"),
    Key(("bracketleft",), "[", "lit: line to the left", "shift_line", -1),
    Key(("bracketright",), "]", "lit: line to the right", "shift_line", 1),
    Key(("j",), "j", "lit: light to the left", "turn_light", (-1, 0)),
    Key(("k",), "k", "lit: light to the right", "turn_light", (1, 0)),
    Key(("u",), "u", "lit: light up", "turn_light", (0, 1)),
    Key(("n",), "n", "lit: light down", "turn_light", (0, -1)),
    Key(("c",), "c", "colour by the next field", "recolour", 1),
    Key(("C",), "C", "colour by the field before", "recolour", -1),
    Key(("plus", "equal"), "+", "cage 5 % farther out", "widen", 1),
    Key(("minus",), "-", "cage 5 % nearer", "widen", -1),
    Key(("0",), "0", "cage as predicted", "widen", 0),
    Key(("x",), "x", "cut through the region", "cut"),
    Key(("Up",), "up", "move the cut away", "move_cut", -1),
    Key(("Down",), "down", "move the cut nearer", "move_cut", 1),
    Key(("t",), "t", "turn the cut", "turn_cut"),
    Key(("i",), "i", "only the region's parts", "isolate"),
    Key(("h",), "h", "show or hide the keys", "show_keys"),
    Key(("Escape", "q"), "esc", "close", "close"),
)


class Window:
    """A window on a model; `show` runs it until it is closed.

    Parameters
    ----------
    model : ViewModel
        What is shown, and how.
    high : Surface | None
        The high poly to draw, None for none.
    size : tuple[int, int], optional
        Width and height, pixels.
    off_screen : bool, optional
        Draw without showing a window.

    Raises
    ------
    InputError
        There is no display.
    """

    def __init__(
        self,
        model: ViewModel,
        high: Surface | None,
        *,
        size: tuple[int, int] = WINDOW_SIZE,
        off_screen: bool = False,
    ) -> None:
        trouble = None if off_screen else display_trouble()
        if trouble is not None:
            raise InputError(trouble, cure="Use `shot` FILE.png to draw a picture instead.")
        self.model = model
        self.plotter = pv.Plotter(
            off_screen=off_screen, window_size=list(size), title="cagecheck view"
        )
        self.stage = Stage(self.plotter, model, high)
        self._keys_shown = False
        self._pressed_at = (0, 0)
        self._held = False
        self.checkboxes: dict[str, Any] = {}
        self.slider: Any = None
        self.lit_sliders: dict[str, Any] = {}
        self.stage.refresh()
        self.stage.look()
        self._listen()
        self._add_widgets()

    def show(self) -> None:
        """Run until the window is closed."""
        self.plotter.show(auto_close=True)

    def press(self, symbol: str) -> None:
        """Do what a key does; unknown keys do nothing.

        Parameters
        ----------
        symbol : str
            The key's VTK symbol.
        """
        for key in KEYS:
            if symbol in key.symbols:
                action: Callable[..., None] = getattr(self, key.action)
                if key.argument is None:
                    action()
                else:
                    action(key.argument)
                self.plotter.render()
                return

    def show_result(self, result: Result, high: Surface | None) -> None:
        """Show another result in place of the one there; what is shown and from where stays.

        Parameters
        ----------
        result : Result
            What `read_result` returns.
        high : Surface | None
            Its high poly.
        """
        plotter: Any = self.plotter
        eye = {name: getattr(plotter.camera, name) for name in _EYE}
        plotter.clear_button_widgets()
        plotter.clear_slider_widgets()
        self.checkboxes.clear()
        self.lit_sliders.clear()
        # Numbers and light follow the eye of the stage that goes.
        plotter.renderer.RemoveObservers("StartEvent")
        plotter.clear_actors()
        plotter.renderer.RemoveAllViewProps()
        self.model = carried_over(self.model, result)
        self.stage = Stage(plotter, self.model, high)
        self.stage.refresh()
        for name, value in eye.items():
            setattr(plotter.camera, name, value)
        self.stage.put_labels()
        self._add_widgets()
        plotter.render()

    def follow(self) -> None:
        """Show every other result that comes into the folder, while the window is open."""
        folder = Folder(self.model.result.folder)

        def look(*_: Any) -> None:
            result = folder.fresh()
            if result is not None:
                high = self.stage.high
                if result.document["high"] != self.model.result.document["high"]:
                    high = read_high(result)[0] if high is not None else None
                self.show_result(result, high)

        interactor: Any = self.plotter.iren
        interactor.initialize()
        interactor.add_observer("TimerEvent", look)
        interactor.interactor.CreateRepeatingTimer(LOOK_MS)

    # What keys do -----------------------------------------------------------------------------

    def step(self, by: int) -> None:
        """Go to the next or previous region.

        Parameters
        ----------
        by : int
            1 for the next, -1 for the one before.
        """
        self.model.step_region(by)
        self.model.picked = None
        self.fly()

    def fly(self) -> None:
        """Look at the chosen region."""
        if self.model.cut is not None:
            self.model.cut = self.model.cut_here()
        self.stage.refresh()
        self.stage.look()

    def whole(self) -> None:
        """Look at the whole model."""
        self.model.choose(None)
        self.model.cut, self.model.picked = None, None
        self.fly()

    def toggle(self, layer: str) -> None:
        """Turn a layer on or off.

        Parameters
        ----------
        layer : str
            One of `LAYERS`.
        """
        self.model.layers[layer] = not self.model.layers[layer]
        if layer in self.checkboxes:
            self.checkboxes[layer].GetRepresentation().SetState(int(self.model.layers[layer]))
        self.stage.refresh()

    def recolour(self, by: int) -> None:
        """Colour by another field.

        Parameters
        ----------
        by : int
            1 for the next, -1 for the one before.
        """
        self.model.next_field(by)
        self.stage.recolour()
        self.stage.show_panels()

    def widen(self, by: int) -> None:
        """Move the cage out or in.

        Parameters
        ----------
        by : int
            1 is out, -1 in, 0 back to where it was predicted.
        """
        if self.model.touching:
            step = DISTANCE_STEP * self.model.most_factor
            self.set_factor(self.model.factor + by * step if by else 0.0)
        else:
            self.set_factor(self.model.factor * (1 + DISTANCE_STEP) ** by if by else 1.0)
        if self.slider is not None:
            self.slider.GetRepresentation().SetValue(self.model.factor)

    def set_factor(self, factor: float) -> None:
        """Show the defects with the cage at another distance.

        Parameters
        ----------
        factor : float
            See `ViewModel.set_factor`.
        """
        self.model.set_factor(factor)
        self.stage.recolour()
        self.stage.redraw_distance()

    def slide(self, factor: float) -> None:
        """Show the defects at another distance while the slider moves.

        Parameters
        ----------
        factor : float
            See `ViewModel.set_factor`.
        """
        if self._held:
            self.stage.begin_sliding()
        self.set_factor(factor)

    def hold_slider(self) -> None:
        """Begin to move the slider."""
        self._held = True

    def let_go_of_slider(self) -> None:
        """End to move the slider."""
        self._held = False
        self.stage.end_sliding()

    def light(self) -> None:
        """Show the model lit with the bake's map, or coloured again."""
        if self.model.result.lit is None:
            return
        self.model.light_up(not self.model.lit.on)
        if "lit" in self.checkboxes:
            self.checkboxes["lit"].GetRepresentation().SetState(int(self.model.lit.on))
        self.stage.refresh()
        self.stage.put_labels()
        self._show_sliders()

    def next_side(self, side: str) -> None:
        """Show something else on one side of the line.

        Parameters
        ----------
        side : str
            ``left`` or ``right``.
        """
        if not self.model.lit.on or self.stage.lit is None:
            return
        keys = self.stage.lit.keys
        now = getattr(self.model.lit, side)
        setattr(self.model.lit, side, keys[(keys.index(now) + 1) % len(keys)])
        self.stage.show_lit()
        self.stage.show_sides()

    def shift_line(self, by: int) -> None:
        """Move the line between the sides.

        Parameters
        ----------
        by : int
            Steps to the right.
        """
        self.move_line(self.model.lit.line + by * LINE_STEP)

    def move_line(self, share: float) -> None:
        """Move the line between the sides.

        Parameters
        ----------
        share : float
            Of the room between the panels, from 0 to 1.
        """
        self.model.move_line(share)
        self._lit_moved()

    def turn_light(self, by: tuple[int, int]) -> None:
        """Move the light by steps.

        Parameters
        ----------
        by : tuple[int, int]
            Steps to the right and up.
        """
        lit = self.model.lit
        self.move_light(lit.turned + by[0] * LIGHT_DEGREES, lit.raised + by[1] * LIGHT_DEGREES)

    def move_light(self, turned: float, raised: float) -> None:
        """Move the light.

        Parameters
        ----------
        turned, raised : float
            Degrees beside and above the eye.
        """
        self.model.move_light(turned, raised)
        self._lit_moved()

    def _lit_moved(self) -> None:
        lit = self.model.lit
        for name, value in (("line", lit.line), ("turned", lit.turned), ("raised", lit.raised)):
            if name in self.lit_sliders:
                self.lit_sliders[name].GetRepresentation().SetValue(value)
        self.stage.move_lit()
        self.stage.show_sides()

    def cut(self) -> None:
        """Turn the cut on or off."""
        self.model.cut = None if self.model.cut is not None else self.model.cut_here()
        self.fly() if self.model.cut is None else self._look_at_cut()

    def move_cut(self, by: int) -> None:
        """Move the cut along its normal.

        Parameters
        ----------
        by : int
            Steps, negative against the normal.
        """
        if self.model.cut is not None:
            seen = 2 * self.plotter.camera.parallel_scale
            self.model.cut = self.model.cut.moved(by * CUT_STEP * seen)
            self.stage.refresh()

    def turn_cut(self) -> None:
        """Turn the cut about the picture's upward direction."""
        if self.model.cut is not None:
            up = np.array(self.plotter.camera.up)
            self.model.cut = self.model.cut.turned(up, TURN_DEGREES)
            self._look_at_cut()

    def isolate(self) -> None:
        """Draw only the parts of the region, or all again."""
        shown = self.model.parts_shown() is not None
        self.model.only_parts = not shown
        self.stage.refresh()

    def show_keys(self) -> None:
        """Show or hide what the keys do."""
        self._keys_shown = not self._keys_shown
        panel = self.stage.panels["keys"]
        if not self._keys_shown:
            panel.hide()
            return
        picture = keys_panel([(key.shown, key.words) for key in KEYS], RIGHT)
        wide, high = self.plotter.window_size
        panel.show(picture, (wide - RIGHT) // 2, (high - len(picture)) // 2, high)

    def close(self) -> None:
        """Close the window."""
        self.plotter.close()

    # Mouse and widgets ------------------------------------------------------------------------

    def pick(self, x: int, y: int) -> int | None:
        """Pick the sample under a pixel.

        Parameters
        ----------
        x, y : int
            Pixels from the lower left.

        Returns
        -------
        int or None
            Number of the sample; None where there is none.
        """
        picker = vtkCellPicker()
        picker.SetTolerance(0.0005)
        picker.AddPickList(self.stage.actors["low"])
        picker.PickFromListOn()
        if not picker.Pick(x, y, 0, self.plotter.renderer) or picker.GetCellId() < 0:
            return None
        vertices = self.stage.triangle(picker.GetCellId())
        place = np.array(picker.GetPickPosition())
        near = np.linalg.norm(self.model.result.positions[vertices] - place, axis=1)
        return self.model.sample_at_vertex(int(vertices[int(np.argmin(near))]))

    def pick_and_show(self, x: int, y: int) -> None:
        """Show the record of the sample under a pixel and choose its region.

        Parameters
        ----------
        x, y : int
            Pixels from the lower left.
        """
        self.model.picked = self.pick(x, y)
        if self.model.picked is not None:
            region = self.model.region_of(self.model.picked)
            self.model.choose(region["number"] if region else None)
        self.stage.refresh()
        self.plotter.render()

    def _look_at_cut(self) -> None:
        self.stage.refresh()
        self.stage.look()

    def _listen(self) -> None:
        interactor: Any = self.plotter.iren
        self._interactor = interactor
        if interactor is None:
            return
        interactor.clear_key_event_callbacks()
        interactor.add_observer("KeyPressEvent", self._on_key)
        interactor.add_observer("LeftButtonPressEvent", self._on_press)
        interactor.add_observer("LeftButtonReleaseEvent", self._on_release)
        for event, by in (("MouseWheelForwardEvent", -1), ("MouseWheelBackwardEvent", 1)):
            self._first_to_hear(event, partial(self.roll, by))
        # A press on the list turns nothing.
        self._first_to_hear("LeftButtonPressEvent", self._press_on_list)
        # The toolkit's own single-letter keys would do something else as well.
        interactor.get_interactor_style().AddObserver("CharEvent", lambda *_: None)

    def _first_to_hear(self, event: str, heard: Callable[[], bool]) -> None:
        """Call `heard` before anybody else, and nobody else where it says that this was all."""
        interactor = self._interactor.interactor
        tag = 0

        def listen(*_: Any) -> None:
            interactor.GetCommand(tag).SetAbortFlag(int(heard()))

        tag = interactor.AddObserver(event, listen, 10.0)

    def _press_on_list(self) -> bool:
        x, y = self._interactor.interactor.GetEventPosition()
        self._pressed_at = (x, y)
        return self.stage.over_list(x, y)

    def _on_key(self, *_: Any) -> None:
        self.press(self._interactor.interactor.GetKeySym())

    def _on_press(self, *_: Any) -> None:
        self._pressed_at = self._interactor.interactor.GetEventPosition()

    def _on_release(self, *_: Any) -> None:
        x, y = self._interactor.interactor.GetEventPosition()
        moved = np.hypot(x - self._pressed_at[0], y - self._pressed_at[1])
        if moved > STILL_PIXELS:
            return
        if x > LEFT + 2 * GAP:
            self.pick_and_show(x, y)
        else:
            self.click_list(x, y)

    def click_list(self, x: int, y: int) -> None:
        """Choose the region whose row lies under a pixel.

        Parameters
        ----------
        x, y : int
            Pixels from the lower left.
        """
        number = self.stage.region_at(x, y)
        if number is not None:
            self.model.choose(number)
            self.model.picked = None
            self.fly()
            self.plotter.render()

    def roll(self, by: int) -> bool:
        """Scroll the list of regions where the pointer is over it; tell whether it was.

        Parameters
        ----------
        by : int
            Notches of the wheel, downwards for more than 0.
        """
        x, y = self._interactor.interactor.GetEventPosition()
        if not self.stage.over_list(x, y):
            return False
        self.stage.scroll_list(ROWS_PER_NOTCH * by)
        self.plotter.render()
        return True

    def _add_widgets(self) -> None:
        if self.plotter.iren is None:
            return
        plotter: Any = self.plotter
        self._add_slider(plotter)
        if self.model.result.lit is not None:
            self._add_lit_widgets(plotter)
        self._show_sliders()
        wide = self.plotter.window_size[0]
        for k, layer in enumerate(LAYERS):
            left, low = wide - RIGHT - GAP, GAP + 26 * (len(LAYERS) - 1 - k)
            self.checkboxes[layer] = plotter.add_checkbox_button_widget(
                lambda state, layer=layer: self._set_layer(layer, state),
                value=self.model.layers[layer], position=(left, low), size=20, border_size=2,
                color_on=INK, color_off=(222, 220, 214), background_color=(92, 98, 108),
            )  # fmt: skip
            self.plotter.add_text(
                f"{k + 1}  {_LAYER_WORDS[layer]}", position=(left + 28, low), font_size=9,
                font_file=font_file(), color=(28 / 255, 32 / 255, 38 / 255),
                name=f"layer {layer}", render=False,
            )  # fmt: skip

    def _add_lit_widgets(self, plotter: Any) -> None:
        """Add the button of the lit mode, and sliders for the line and the light."""
        wide = self.plotter.window_size[0]
        left, low = wide - RIGHT - GAP, GAP + 26 * len(LAYERS) + 8
        self.checkboxes["lit"] = plotter.add_checkbox_button_widget(
            lambda state: self.light() if bool(state) != self.model.lit.on else None,
            value=self.model.lit.on, position=(left, low), size=20, border_size=2,
            color_on=INK, color_off=(222, 220, 214), background_color=(92, 98, 108),
        )  # fmt: skip
        self.plotter.add_text(
            "l  lit with the bake's map", position=(left + 28, low), font_size=9,
            font_file=font_file(), color=(28 / 255, 32 / 255, 38 / 255), name="layer lit",
            render=False,
        )  # fmt: skip
        lit, begin, end = self.model.lit, (LEFT + 30) / wide, (wide - RIGHT - 60) / wide
        room = (end - begin) / 3
        for k, (name, title, most, value, moved) in enumerate(
            (
                ("line", "line between the sides", (0.0, 1.0), lit.line, self.move_line),
                ("turned", "light, sideways (degrees)", (-180.0, 180.0), lit.turned,
                 lambda x: self.move_light(x, self.model.lit.raised)),
                ("raised", "light, height (degrees)", (-90.0, 90.0), lit.raised,
                 lambda x: self.move_light(self.model.lit.turned, x)),
            )
        ):  # fmt: skip
            self.lit_sliders[name] = plotter.add_slider_widget(
                moved, most, value=value, title=title,
                pointa=(begin + k * room, 0.07), pointb=(begin + (k + 0.85) * room, 0.07),
                interaction_event="always", title_height=0.018, slider_width=0.014,
                tube_width=0.004, color=(28, 32, 38), fmt="%.2f" if name == "line" else "%.0f",
            )  # fmt: skip
            _one_typeface(self.lit_sliders[name])

    def _show_sliders(self) -> None:
        """Show the sliders of what is shown: the cage's distance, or line and light."""
        if self.slider is not None:
            self.slider.SetEnabled(not self.model.lit.on)
        for slider in self.lit_sliders.values():
            slider.SetEnabled(self.model.lit.on)

    def _set_layer(self, layer: str, on: bool) -> None:
        self.model.layers[layer] = bool(on)
        self.stage.refresh()

    def _add_slider(self, plotter: Any) -> None:
        wide, high = self.plotter.window_size
        model = self.model
        unit = "units" if model.touching else "times the predicted one"
        begin, end = (LEFT + 220) / wide, (wide - RIGHT - 60) / wide
        self.slider = plotter.add_slider_widget(
            self.slide, (0.0, model.most_factor), value=model.factor,
            title=f"cage distance, {unit}", pointa=(begin, 0.07), pointb=(end, 0.07),
            interaction_event="always", title_height=0.018, slider_width=0.014, tube_width=0.004,
            color=(28, 32, 38), fmt="%.2f",
        )  # fmt: skip
        _one_typeface(self.slider)
        far = figures(model.most_factor, 3) + (" units" if model.touching else " ×")
        for name, words, x in (("near", "0, on the low poly", begin), ("far", far, end)):
            self.plotter.add_text(
                words, position=(x * wide - END_PIXELS, 0.02 * high), font_size=8,
                font_file=font_file(), color=tuple(c / 255 for c in INK), name=f"distance {name}",
                render=False,
            )  # fmt: skip
        self.slider.AddObserver("StartInteractionEvent", lambda *_: self.hold_slider())
        self.slider.AddObserver("EndInteractionEvent", lambda *_: self.let_go_of_slider())


def _one_typeface(slider: Any) -> None:
    """Give a slider's words the letters of the panels."""
    shown = slider.GetRepresentation()
    for words in (shown.GetTitleProperty(), shown.GetLabelProperty()):
        words.SetFontFamily(VTK_FONT_FILE)
        words.SetFontFile(font_file())
        words.BoldOff()
        words.ItalicOff()
        words.ShadowOff()


_LAYER_WORDS = {
    "low": "heat map",
    "high": "high poly",
    "cage": "cage",
    "edges": "low-poly edges",
    "rays": "rays",
}
