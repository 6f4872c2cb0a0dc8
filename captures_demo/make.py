"""Write every file of the demo, or check that they are what this script makes.

    python -m captures_demo.make
    python -m captures_demo.make --check

Run it from the folder that holds captures_demo.  It gives the same bytes on every machine.
"""

import argparse
import sys
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Final

from captures_demo.dumps import good_files
from captures_demo.evenings import transfer_files
from captures_demo.faults import broken_files

HERE: Final = Path(__file__).parent
_FOLDERS: Final = ("good", "broken", "transfers")


@cache
def demo_files() -> Mapping[str, bytes]:
    """Return the bytes of every file by its path, such as good/thunder.syx."""
    made = {f"good/{name}": data for name, data in good_files()}
    made |= {f"broken/{name}": data for name, data in broken_files()}
    return made | {f"transfers/{name}": data for name, data in transfer_files()}


def write(into: Path) -> None:
    """Write every file."""
    for folder in _FOLDERS:
        (into / folder).mkdir(parents=True, exist_ok=True)
    for path, data in demo_files().items():
        (into / path).write_bytes(data)


def differences(into: Path) -> Iterator[str]:
    """Yield a line for each file that is not what this script makes."""
    for path, data in demo_files().items():
        file = into / path
        if not file.is_file():
            yield f"{path} is missing."
            continue
        there = file.read_bytes()
        if there != data:
            yield f"{path} differs: {_where(there, data)}."
    for folder in _FOLDERS:
        for file in sorted((into / folder).glob("*")):
            if f"{folder}/{file.name}" not in demo_files():
                yield f"{folder}/{file.name} is not made by this script."


def _where(there: bytes, made: bytes) -> str:
    at = next((at for at, (a, b) in enumerate(zip(there, made, strict=False)) if a != b), None)
    if at is None:
        return f"it has {len(there):,} bytes and not {len(made):,}"
    return f"byte {at:,} is {there[at]:02X} and not {made[at]:02X}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the script; 0 all well, 1 something differs."""
    parser = argparse.ArgumentParser(
        prog="python -m captures_demo.make", description="Make the demo's files."
    )
    parser.add_argument("--into", type=Path, default=HERE, help="another folder than captures_demo")
    parser.add_argument("--check", action="store_true", help="write nothing, only compare")
    wishes = parser.parse_args(arguments)
    if not wishes.check:
        write(wishes.into)
        print(f"{len(demo_files())} files written into {wishes.into}")
        return 0
    found = list(differences(wishes.into))
    for line in found:
        print(line)
    print(f"{len(demo_files())} files compared, {len(found)} differ", file=sys.stderr)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
