"""Run the command line: ``cagecheck`` or ``python -m cagecheck``."""

from cagecheck.commands.ending import run_to_the_end


def main() -> None:
    """Run the command line; whatever it ends with, it ends in plain words."""

    def run() -> None:
        from cagecheck.cli import app  # from here on Ctrl-C is heard

        app()

    run_to_the_end(run)


if __name__ == "__main__":
    main()
