"""Make the environment in .venv: used by the Makefile, and by hand where there is no make.

python setup_env.py          make the environment if it is missing or out of date
python setup_env.py demo     the same, then run `brickbook demo`
python setup_env.py test     the same, then run the tests
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent
ENV = ROOT / ".venv"
BIN = ENV / ("Scripts" if os.name == "nt" else "bin")
STAMP = ENV / "brickbook-setup.txt"


def _fingerprint() -> str:
    """Digest of what the environment is made from."""
    digest = hashlib.sha256()
    for name in ("requirements.lock", "pyproject.toml", "setup_env.py"):
        digest.update((ROOT / name).read_bytes())
    return f"{digest.hexdigest()} {sys.version_info.major}.{sys.version_info.minor}"


def _pip(*args: str) -> None:
    """Run this Python's pip against the environment (which then needs no pip of its own)."""
    base = [sys.executable, "-m", "pip", "--python", str(BIN / "python")]
    subprocess.run([*base, "--disable-pip-version-check", "-q", *args], check=True, cwd=ROOT)


def setup() -> None:
    """Create .venv from the hashed lock; does nothing when it is up to date."""
    if sys.version_info < (3, 11):
        sys.exit(f"Brickbook needs Python 3.11 or newer; this is {sys.version.split()[0]}.")
    wanted = _fingerprint()
    if STAMP.exists() and STAMP.read_text(encoding="utf-8") == wanted:
        return
    print("Setting up .venv (once, about half a minute) ...", flush=True)
    venv.EnvBuilder(with_pip=False, clear=True, symlinks=os.name != "nt").create(ENV)
    _pip("install", "--require-hashes", "--only-binary", ":all:", "-r", "requirements.lock")
    _pip("install", "--no-deps", "--no-build-isolation", "-e", ".")
    STAMP.write_text(wanted, encoding="utf-8")
    print(f"Done. The command is {BIN.relative_to(ROOT) / 'brickbook'}")


def main(argv: list[str]) -> int:
    """Set up, then do what was asked."""
    setup()
    if not argv:
        return 0
    tools = {
        "demo": [str(BIN / "brickbook"), "demo", *argv[1:]],
        "test": [str(BIN / "python"), "-m", "pytest", "-n", "auto", *argv[1:]],
    }
    if argv[0] not in tools:
        print(__doc__)
        return 2
    return subprocess.run(tools[argv[0]], check=False, cwd=ROOT).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
