"""A sample asset made by script, with planted defects and a score for finding them."""

from cagecheck.demo.planted import BakeSettings, Planted
from cagecheck.demo.scene import DemoScene, SceneName, make_scene, write_scene

__all__ = ["BakeSettings", "DemoScene", "Planted", "SceneName", "make_scene", "write_scene"]
