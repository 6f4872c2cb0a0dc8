"""The command line where words lie for so many seconds before they are read, in place of minutes:
python -m tests.prove.held SECONDS prove ...
"""

from __future__ import annotations

import sys

from dryload.harness.cli.main import main
from dryload.harness.prove import passes


def hold(seconds: float) -> None:
    """Have words lie for so long; before the proof is imported."""
    assert "dryload.harness.prove.proof" not in sys.modules
    vars(passes)["HOLD_NS"] = round(seconds * 1e9)


if __name__ == "__main__":
    hold(float(sys.argv.pop(1)))
    main()
