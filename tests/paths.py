"""Where things lie in the repository."""

from __future__ import annotations

from pathlib import Path

TESTS = Path(__file__).resolve().parent
ROOT = TESTS.parent
# What tests use of Node.js: `npm ci` here.
NODE = TESTS / "node"
