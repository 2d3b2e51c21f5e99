"""The order of the rooms. `run.join` tells the whole story of one job, top to bottom.

scans → register → tone → seams → compose → master → size → report
"""

from stitch.pipeline.run import join, plan
from stitch.pipeline.sizing import check_size

__all__ = ["check_size", "join", "plan"]
