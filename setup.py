"""Installed, all lies inside dryload, where it doesn't meet somebody else's `harness`."""

from setuptools import find_packages, setup

ROOMS = {"dryload.emulator": "emulator", "dryload.harness": "harness"}

setup(
    packages=[
        "dryload",
        *(f"dryload.{name}" for name in find_packages(include=["emulator*", "harness*"])),
    ],
    package_dir=ROOMS,
)
