"""Builds the firmware's core for this computer, the firmware itself, and the simulated board."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

FIRMWARE = Path(__file__).parents[2] / "firmware_protocol" / "firmware"


def built(target: str, folder: Path, *needs: str, more: str = "") -> Path:
    """The firmware Makefile's target, built into a folder of its own; skips where a tool is not installed."""
    missing = [tool for tool in needs if shutil.which(tool) is None]
    if missing:
        pytest.skip(f"{', '.join(missing)} not installed: the firmware was not checked here")
    done = subprocess.run(
        ["make", "-C", str(FIRMWARE), f"BUILD={folder}", f"MORE={more}", target],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


@pytest.fixture(scope="session")
def core_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built("host", tmp_path_factory.mktemp("core"), "make", "gcc") / "libcore.so"


@pytest.fixture(scope="session")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with the .elf files."""
    return built("all", tmp_path_factory.mktemp("firmware"), "make", "avr-gcc")


@pytest.fixture(scope="session")
def overdriven_firmware(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same at 12500 scans a second, more than it is rated for: its main loop falls behind its interrupts."""
    more = "-DRATES_HZ=12500 -DLINE_PERCENT=1000"
    return built("all", tmp_path_factory.mktemp("overdriven"), "make", "avr-gcc", more=more)


@pytest.fixture(scope="session")
def simulator(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if not Path("/usr/include/simavr/sim_avr.h").exists():
        pytest.skip(
            "libsimavr-dev not installed: the firmware was not run in a simulated microcontroller here"
        )
    return built("simulated", tmp_path_factory.mktemp("simulator"), "make", "gcc") / "board"
