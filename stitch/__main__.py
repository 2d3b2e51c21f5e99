"""`python -m stitch` is the same as the `stitch` command."""

from stitch.cli.app import run

if __name__ == "__main__":
    run()
