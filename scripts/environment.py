"""Make this checkout's own Python environment. Standard library only, so that it runs on a fresh machine."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
MIN_PYTHON = (3, 11)
DEBIAN_PACKAGES = {"venv": "python3-venv", "libGL": "libgl1", "glib": "libglib2.0-0"}


def ensure(extras: str = "") -> Path:
    """The environment's Python, with stitch and `extras` ("dev" or none) installed; exits with a sentence if not."""
    if _is_at_home(extras):
        return Path(sys.executable)
    if sys.version_info < MIN_PYTHON:
        _stop(f"stitch needs Python {MIN_PYTHON[0]}.{MIN_PYTHON[1]} or newer; this is {sys.version.split()[0]}.")
    python = _python()
    if not python.exists():
        _make()
    mark = ENVIRONMENT / f"installed{'-' if extras else ''}{extras}"
    wanted = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()
    if not mark.exists() or mark.read_text() != wanted:
        print(f"Installing stitch and what it needs into {ENVIRONMENT} (once) …", flush=True)
        _run(
            python,
            "-m",
            "pip",
            "install",
            "--quiet",
            "--disable-pip-version-check",
            "-e",
            f"{ROOT}[{extras}]" if extras else ROOT,
        )
        mark.write_text(wanted)
    _check_system_libraries(python)
    return python


def run_here(extras: str = "") -> None:
    """Start the script that calls this again inside the environment, unless it runs there already."""
    python = ensure(extras)
    if python != Path(sys.executable):
        raise SystemExit(subprocess.run([str(python), *sys.argv]).returncode)


def _is_at_home(extras: str) -> bool:
    """True when this very Python is an environment that has this checkout and what it needs installed."""
    if sys.prefix == sys.base_prefix:
        return False
    spec = importlib.util.find_spec("stitch")
    needed = ("cv2", "tifffile", *(("pytest", "skimage") if extras == "dev" else ()))
    is_ours = spec is not None and spec.origin is not None and ROOT in Path(spec.origin).resolve().parents
    return is_ours and all(importlib.util.find_spec(name) is not None for name in needed)


def _python() -> Path:
    return ENVIRONMENT / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def _make() -> None:
    attempt = subprocess.run([sys.executable, "-m", "venv", str(ENVIRONMENT)], capture_output=True, text=True)
    if attempt.returncode == 0:
        return
    shutil.rmtree(ENVIRONMENT, ignore_errors=True)
    if _install_on_debian([DEBIAN_PACKAGES["venv"]]):
        _run(sys.executable, "-m", "venv", str(ENVIRONMENT))
        return
    print(attempt.stdout + attempt.stderr, file=sys.stderr)
    _stop(
        "Python could not make an environment (its venv part is missing). On Debian or Ubuntu: "
        f"sudo apt install {DEBIAN_PACKAGES['venv']}. Then run this command again."
    )


def _check_system_libraries(python: Path) -> None:
    """OpenCV needs libGL and glib of the system on Linux."""
    if _can_import_cv2(python):
        return
    packages = [DEBIAN_PACKAGES["libGL"], DEBIAN_PACKAGES["glib"]]
    if _install_on_debian(packages) and _can_import_cv2(python):
        return
    _stop(
        "OpenCV does not start: the system's libGL or glib is missing. On Debian or Ubuntu: "
        f"sudo apt install {' '.join(packages)}. On Fedora: sudo dnf install mesa-libGL glib2. Then run this again."
    )


def _can_import_cv2(python: Path) -> bool:
    return subprocess.run([str(python), "-c", "import cv2"], capture_output=True).returncode == 0


def _install_on_debian(packages: list[str]) -> bool:
    """Install system packages, only as root on Debian when nobody is there to be asked (as in CI)."""
    is_unattended = bool(os.environ.get("CI")) or not sys.stdin.isatty()
    is_root = hasattr(os, "geteuid") and os.geteuid() == 0
    if not (is_unattended and is_root and shutil.which("apt-get")):
        return False
    print(f"Installing {' '.join(packages)} …", flush=True)
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    subprocess.run(["apt-get", "update", "-qq"], env=quiet, check=False)
    return subprocess.run(["apt-get", "install", "-y", "-qq", *packages], env=quiet, check=False).returncode == 0


def _run(*command: object) -> None:
    words = [str(word) for word in command]
    if subprocess.run(words).returncode != 0:
        _stop(f"This step failed: {' '.join(words)}")


def _stop(sentence: str) -> None:
    print(sentence, file=sys.stderr)
    raise SystemExit(1)
