"""What an attack counts, and how a single step of one is taken."""

from __future__ import annotations

import argparse
import faulthandler
import shutil
import signal
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cagecheck.errors import InputError

SECONDS_A_STEP = 60


@dataclass
class Count:
    """What came of one kind of attack. `is_checked`: compiled loops checked every index."""

    kind: str
    tried: int = 0
    refused: int = 0
    tracebacks: int = 0
    hangs: int = 0
    lost: int = 0
    seconds: float = 0.0
    seed: int = 0
    is_checked: bool = False

    @property
    def failed(self) -> int:
        return self.tracebacks + self.hangs + self.lost


class LostError(Exception):
    """A file is gone, or was replaced, that nothing should have touched."""


class HangError(BaseException):
    """A step took longer than any should."""


def take_step(
    count: Count, args: argparse.Namespace, seed: str, step: Callable[[Path], None], folder: str
) -> None:
    """Take one step; note how it ended."""
    count.tried += 1
    faulthandler.dump_traceback_later(2 * SECONDS_A_STEP, exit=True)
    signal.alarm(SECONDS_A_STEP)
    try:
        step(Path(folder))
    except InputError as error:
        count.refused += 1
        if "Traceback" in str(error) or len(str(error)) > 2000:
            count.tracebacks += 1
    except LostError as error:
        count.lost += 1
        print(f"lost: {error}")
        _keep(args, seed, folder)
    except HangError:
        count.hangs += 1
        _keep(args, seed, folder)
    except Exception:
        count.tracebacks += 1
        _keep(args, seed, folder)
        traceback.print_exc(limit=-3)
    finally:
        signal.alarm(0)
        faulthandler.cancel_dump_traceback_later()


def _keep(args: argparse.Namespace, seed: str, folder: str) -> None:
    print(f"failed: {seed}")
    shutil.copytree(folder, args.keep / seed.replace(" ", "-"), symlinks=True, dirs_exist_ok=True)
