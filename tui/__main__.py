"""`python -m tui`: the same as `deepnotch`.

Owns: that the way in is the program's own (`deepnotch.py` beside this package). `python -m` has put the current folder
first on the path, and nothing in it may be taken for part of the program.
"""

from __future__ import annotations

import sys
from pathlib import Path

_own = str(Path(__file__).resolve().parents[1])
if not sys.flags.safe_path and sys.path and str(Path(sys.path[0]).resolve()) != _own:
    del sys.path[0]
sys.path.insert(0, _own)  # for the one import below, which repairs the path; taken out again after it
import deepnotch  # noqa: E402

sys.path.remove(_own)
deepnotch.repair_path()

if __name__ == "__main__":
    sys.exit(deepnotch.main())
