"""The process in which a native library reads a file; `apart` starts it.

Its argument is a script with a function ``take_apart(arguments, data, arrays)``. Standard input: a
line of JSON (the arguments; `memory` is the limit in bytes), then the data. Standard output: a line
of JSON (the answer), then the arrays that it lists, one after the other. It imports nothing of
cagecheck, so that it starts quickly, and leaves without tidying up, since libraries that met a
damaged file may not survive that.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

# A library may take a few times of what the mesh itself does.
_ROOM = 8
_LONGEST_WORDS = 300
# Where in its own code a library found an error helps nobody who has the file.
_OWN_PLACE = re.compile(r"Error in '[^']*' at line \d+ in file \S+ : ")


def main() -> None:
    """Read arguments and data from standard input and write the answer."""
    # What a library prints must not get between the arrays.
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    arguments = json.loads(sys.stdin.buffer.readline())
    _limit_memory(arguments["memory"])
    arrays: list[np.ndarray[Any, Any]] = []
    try:
        answer = _script(sys.argv[1]).take_apart(arguments, sys.stdin.buffer, arrays)
    except ImportError:
        answer = {"missing": True}
    except MemoryError:
        answer = {"error": "it needs more memory than a mesh of its size should"}
    except Exception as error:  # whatever the library says, the caller hears it in words
        said = _OWN_PLACE.sub("", " ".join(str(error).split())).strip("' ")
        words = said[:_LONGEST_WORDS] or type(error).__name__
        refused = getattr(error, "refused", None)  # it reads, but is not taken: what, and the cure
        answer = {"error": words} if refused is None else {"refused": refused}
    if "error" in answer or "refused" in answer:
        arrays = []
    answer["arrays"] = [[a.dtype.str, list(a.shape)] for a in arrays]
    out.write(json.dumps(answer).encode() + b"\n")
    for array in arrays:
        out.write(np.ascontiguousarray(array).reshape(-1).view(np.uint8).data)
    out.flush()
    os._exit(0)


def _script(path: str) -> Any:
    """Import a script of this folder by its full name; the package's own start is left out."""
    folder = Path(__file__).resolve().parent
    for name, place in (("cagecheck", folder.parent), ("cagecheck.formats", folder)):
        package = ModuleType(name)
        package.__path__ = [str(place)]
        sys.modules[name] = package
    return importlib.import_module(f"cagecheck.formats.{Path(path).stem}")


def _limit_memory(limit: int) -> None:
    """Let this process grow by a few times the limit of the library, where the system can."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_ROOM * limit, _ROOM * limit))


if __name__ == "__main__":
    main()
