"""Run the command line: ``cagecheck`` or ``python -m cagecheck``."""

import os
import signal
from contextlib import suppress

# Work is shared out among threads here; those that the matrix library would begin for every sum
# beside them only wait for each other. It reads this as it is loaded.
_MATRIX_THREADS = "OPENBLAS_NUM_THREADS", "1"


def main() -> None:
    """Run the command line; whatever it ends with, it ends in plain words."""
    # While the rest loads nothing is begun yet, so Ctrl-C ends the process without a word.
    with suppress(ValueError):  # another thread than the main one
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, signal.SIG_DFL)
    os.environ.setdefault(*_MATRIX_THREADS)
    from cagecheck.commands.ending import run_to_the_end
    from cagecheck.memory import keep_freed_memory

    keep_freed_memory()

    def run() -> None:
        from cagecheck.cli import app  # from here on Ctrl-C is heard

        app()

    run_to_the_end(run)


if __name__ == "__main__":
    main()
