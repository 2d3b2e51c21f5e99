"""Make the environment and run the tests: `python3 scripts/test.py`. Words after it go to pytest."""

from __future__ import annotations

import shutil
import subprocess
import sys

from environment import ROOT, ensure

TYPES = "arg-type assignment attr-defined call-overload func-returns-value index misc return-value union-attr"
NAMES_AND_CALLS = [f"--disable-error-code={kind}" for kind in (*TYPES.split(), "no-untyped-def")]
CHECKS = (
    ("ruff", "check", "."),
    ("ruff", "format", "--check", "."),
    ("mypy",),
    ("mypy", *NAMES_AND_CALLS, "fixtures", "scripts"),  # not shipped: names and calls are checked
)
BROWSER = ("chromium", "chromedriver")
BROWSER_PACKAGES = "sudo apt install chromium chromium-driver"


def main() -> int:
    """Lint, types, tests; the first that fails decides."""
    python = ensure("dev")
    for check in () if len(sys.argv) > 1 else CHECKS:
        print(f"— {' '.join(check)}", flush=True)
        code = subprocess.run([str(python), "-m", *check], cwd=ROOT).returncode
        if code:
            return code
    if not all(shutil.which(name) for name in BROWSER):
        print(
            f"— no {' and '.join(BROWSER)}: tests in a real browser are skipped (Debian: {BROWSER_PACKAGES})",
            flush=True,
        )
    return subprocess.run([str(python), "-m", "pytest", "-n", "2", *sys.argv[1:]], cwd=ROOT).returncode


if __name__ == "__main__":
    raise SystemExit(main())
