"""Options that several commands share, declared once so that they read alike everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stitch.cli.lengths import Unit

FinishedPicture = Annotated[
    Path,
    typer.Argument(metavar="FILE", show_default=False, help="The finished picture.", exists=True, dir_okay=False),
]
OutFolder = Annotated[
    Path | None,
    typer.Option("--out", metavar="FOLDER", show_default=False, help="Where the results go. Usual: beside it."),
]
Memory = Annotated[str, typer.Option("--memory", metavar="AMOUNT", help="Memory to use at most.")]
Force = Annotated[bool, typer.Option("--force", metavar=" ", help="Replace files that stitch did not write.")]
LengthUnit = Annotated[
    Unit | None, typer.Option("--unit", show_default=False, help="Unit of lengths written without one.")
]
Debug = Annotated[bool, typer.Option("--debug", metavar=" ", help="Show the full trace of an error.")]
